"""How sharp a picture is, from the cut edges of what lies in it."""

from __future__ import annotations

import cv2
import numpy as np

from fairpanel.picture.sampling import side_lengths
from fairpanel.picture.upright import Upright

#: An edge is used where its step is at least this share of full white.
LEAST_STEP = 0.08


def edge_blur(picture: Upright, polygon: np.ndarray) -> float | None:
    """Standard deviation of the blur across the sharpest side of an outline.

    Parameters
    ----------
    picture : Upright
    polygon : (4, 2) array
        Outline of a patch. [px]

    Returns
    -------
    float or None
        [px]; None where no side has an edge strong enough to tell.
    """
    long, wide = side_lengths(polygon)
    found = [b for side in range(4) if (b := _side_blur(picture, polygon, side, min(long, wide))) is not None]
    return min(found) if found else None


def _side_blur(picture: Upright, polygon: np.ndarray, side: int, width: float) -> float | None:
    reach = 0.3 * width
    n = int(np.clip(round(4 * reach), 16, 240))
    a, b = polygon[side], polygon[(side + 1) % 4]
    out = np.array([b[1] - a[1], a[0] - b[0]])
    out = out / max(np.hypot(*out), 1e-9)
    along = np.linspace(0.3, 0.7, 15)
    t = np.linspace(-reach, reach, n)
    p = (a + (b - a) * along[:, None])[:, None, :] + out * t[:, None]
    x, y = p[..., 0].astype(np.float32), p[..., 1].astype(np.float32)
    if x.min() < 0 or y.min() < 0 or x.max() > picture.width - 1 or y.max() > picture.height - 1:
        return None
    codes = _sampled(picture.pixels, x, y)
    lines = picture.transfer.table[codes[..., 1].astype(int), 1]
    blurs = [b for line in lines if (b := _line_blur(line, 2 * reach / n)) is not None]
    return float(np.median(blurs)) if len(blurs) >= 8 else None


def _sampled(pixels: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    x0, y0 = int(x.min()), int(y.min())
    crop = np.ascontiguousarray(pixels[y0 : int(y.max()) + 2, x0 : int(x.max()) + 2])
    return cv2.remap(crop, x - x0, y - y0, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _line_blur(line: np.ndarray, step: float) -> float | None:
    """Blur of one edge: for a Gaussian edge of height A the steepest slope is A / (sigma sqrt(2 pi))."""
    height = abs(float(np.median(line[: len(line) // 5]) - np.median(line[-(len(line) // 5) :])))
    if height < LEAST_STEP:
        return None
    k = max(1, len(line) // 60)
    steep = float(np.abs(line[2 * k :] - line[: -2 * k]).max()) / (2 * k * step)
    return height / (steep * np.sqrt(2 * np.pi))
