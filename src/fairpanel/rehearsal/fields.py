"""Random fields over a sheet of paper: smooth unevenness at any place, in millimetres."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

WAVES = 40


@dataclass(frozen=True)
class Field:
    """A Gaussian-like random field: a sum of plane waves.

    Parameters
    ----------
    sd : float
        Standard deviation at a point.
    waves : (n, 2) array
        Wave vectors. [1/mm]
    phases : (n,) array
    """

    sd: float
    waves: np.ndarray
    phases: np.ndarray

    def at(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Values at places, in the shape of `x_mm`."""
        total = np.zeros(np.shape(x_mm))
        for (kx, ky), phase in zip(self.waves, self.phases):
            total += np.cos(kx * x_mm + ky * y_mm + phase)
        return self.sd * np.sqrt(2 / len(self.phases)) * total


def draw_field(
    rng: np.random.Generator,
    *,
    sd: float,
    along_mm: float,
    across_mm: float | None = None,
    angle_deg: float = 0.0,
) -> Field:
    """A field whose correlation falls as exp(-d²/2l²), with l of its own along and across a direction."""
    across_mm = along_mm if across_mm is None else across_mm
    k = rng.standard_normal((WAVES, 2)) / [along_mm, across_mm]
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return Field(sd, k @ np.array([[c, s], [-s, c]]), rng.uniform(0, 2 * np.pi, WAVES))


def share_left(length_mm: float, patch_mm: float) -> float:
    """Share of a field's variance that is left in the mean over a stretch; correlation exp(-d²/2l²)."""
    u = np.linspace(0, patch_mm, 401)
    return float(np.mean((1 - u / patch_mm) * np.exp(-(u**2) / (2 * length_mm**2))) * 2)


def smooth_noise(rng: np.random.Generator, shape: tuple[int, int], *, sigma_px: float) -> np.ndarray:
    """Noise of standard deviation 1 whose neighbours agree over `sigma_px`."""
    noise = rng.standard_normal(shape, dtype=np.float32)
    if sigma_px <= 0:
        return noise
    smooth = cv2.GaussianBlur(noise, (0, 0), sigma_px)
    return smooth / max(float(smooth.std()), 1e-9)
