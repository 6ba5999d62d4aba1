"""How evenly a picture is lit, from what should be equally white or equally blue in it.

The logarithm of the light is a quadratic surface plus a smooth random surface; how much of each there is, the picture
itself decides (marginal likelihood). An evenly lit scan so gets no correction, and so no error from one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular

#: Standard deviations of the smooth surface that are tried, as multiples of the scatter of one sample.
AMPLITUDES = (0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0)


@dataclass(frozen=True)
class Light:
    """Natural logarithm of the light over a picture, up to a constant.

    Parameters
    ----------
    origin, unit : (2,) array, float
        Places are scaled as (place - origin) / unit.
    weights : (6 + m, 3) array
        Of the quadratic terms and of the smooth surface's m centres.
    centres : (m, 2) array
        Scaled places.
    reach : float
        Length over which the smooth surface forgets. [units]
    scatter : float
        Standard deviation of one sample around the surface. [ln]
    source : {"white", "ground", "patches"}
        What it was found from.
    amplitude : float
        Standard deviation of the smooth surface, as a multiple of the scatter. [1]
    """

    origin: np.ndarray
    unit: float
    weights: np.ndarray
    centres: np.ndarray
    reach: float
    scatter: float
    source: str
    amplitude: float = 0.0

    def at(self, places: np.ndarray) -> np.ndarray:
        """ln of the light in each channel.

        Parameters
        ----------
        places : (..., 2) array
            [px]

        Returns
        -------
        (..., 3) array
        """
        flat = (np.asarray(places, float).reshape(-1, 2) - self.origin) / self.unit
        design = np.hstack([quadratic(flat), bumps(flat, self.centres, self.reach)])
        return (design @ self.weights).reshape(*np.shape(places)[:-1], 3)

    def trend(self, places: np.ndarray) -> np.ndarray:
        """The quadratic part of `at`: what may be trusted between samples that lie far apart."""
        flat = (np.asarray(places, float).reshape(-1, 2) - self.origin) / self.unit
        return (quadratic(flat) @ self.weights[:6]).reshape(*np.shape(places)[:-1], 3)


def from_white(places: np.ndarray, white: np.ndarray, *, unit: float, tries: int = 3) -> Light:
    """Light from samples of something equally white all over.

    Parameters
    ----------
    places : (n, 2) array
        [px]
    white : (n, 3) array
        Linear light of the samples; n of at least 12.
    unit : float
        Length over which the light may bend: about the width of a strip. [px]
    tries : int
        Rounds of leaving out samples that the others contradict (print, dirt).
    """
    origin = places.mean(axis=0)
    log = np.log(np.maximum(white, 1e-6))
    keep = np.ones(len(places), bool)
    for _ in range(tries):
        model = _best_surface(places[keep], log[keep], origin, unit)
        residual = np.abs(log - model.at(places)).max(axis=1)
        limit = max(4.5 * 1.4826 * float(np.median(residual[keep])), 0.01)
        new = residual < limit
        if (new == keep).all() or new.sum() < 12:
            break
        keep = new
    return model


def _best_surface(places: np.ndarray, log: np.ndarray, origin: np.ndarray, unit: float) -> Light:
    scaled = (places - origin) / unit
    design = quadratic(scaled)
    best: tuple[float, float, float, float, np.ndarray, np.ndarray] | None = None
    for reach in (1.2, 2.5):
        kernel = _gauss(scaled, scaled, reach)
        for amplitude in AMPLITUDES:
            if amplitude == 0.0 and best is not None and reach > 1.2:
                continue
            score, scatter, weights = _surface(design, kernel, log, amplitude)
            if best is None or score > best[0]:
                best = (score, reach, amplitude, scatter, weights, scaled if amplitude else scaled[:0])
    assert best is not None
    _, reach, amplitude, scatter, weights, centres = best
    return Light(origin, unit, weights[: 6 + len(centres)], centres, reach, scatter, "white", amplitude=amplitude)


def _surface(
    design: np.ndarray, kernel: np.ndarray, log: np.ndarray, amplitude: float
) -> tuple[float, float, np.ndarray]:
    """Restricted likelihood, scatter and weights for one amplitude; the channels share the surface's kind."""
    n, p = design.shape
    if amplitude:
        v = amplitude**2 * kernel
        v.flat[:: n + 1] += 1.0
        lower = cholesky(v, lower=True, overwrite_a=True, check_finite=False)
        both = solve_triangular(lower, np.hstack([design, log]), lower=True, check_finite=False)
        a, b = both[:, :p], both[:, p:]
    else:
        lower, a, b = None, design, log
    q, r = np.linalg.qr(np.vstack([a, _bend_held(design)]))
    beta = np.linalg.solve(r, q[:n].T @ b)
    rest = b - a @ beta
    variance = float((rest**2).mean(axis=1).sum() / (n - p))
    logdet = 2 * np.log(np.abs(np.diag(r))).sum() + (2 * np.log(np.diag(lower)).sum() if lower is not None else 0.0)
    score = -0.5 * (logdet + (n - p) * np.log(variance))
    if lower is None:
        return float(score), float(np.sqrt(variance)), beta
    alpha = solve_triangular(lower, rest, lower=True, trans=1, check_finite=False) * amplitude**2
    return float(score), float(np.sqrt(variance)), np.vstack([beta, alpha])


def _bend_held(design: np.ndarray) -> np.ndarray:
    """(3, 6) rows that hold the bend to nothing where samples on two lines alone could not tell it from the level."""
    held = np.zeros((3, 6))
    held[:, 3:] = np.diag(1e-3 * np.maximum(np.linalg.norm(design[:, 3:], axis=0), 1e-9))
    return held


def quadratic(p: np.ndarray) -> np.ndarray:
    """(n, 6) level, x, y, x², xy, y² of n scaled places."""
    x, y = p[:, 0], p[:, 1]
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def _gauss(a: np.ndarray, b: np.ndarray, reach: float) -> np.ndarray:
    dx, dy = a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1]
    return np.exp((dx * dx + dy * dy) * (-0.5 / reach**2))


def bumps(p: np.ndarray, centres: np.ndarray, reach: float) -> np.ndarray:
    """(n, m) how much of the bump about each centre is there at n scaled places. [1]"""
    return _gauss(p, centres, reach) if len(centres) else np.zeros((len(p), 0))
