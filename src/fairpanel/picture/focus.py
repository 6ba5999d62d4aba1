"""How sharp a picture is, from the cut edges of what lies in it."""

from __future__ import annotations

import cv2
import numpy as np

from fairpanel.picture.sampling import side_lengths
from fairpanel.picture.upright import Upright

#: An edge is used where its step is at least this share of full white.
LEAST_STEP = 0.08
#: Lines across each side, and how many of them must show an edge.
LINES, ENOUGH_LINES = 15, 8


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
    reach = 0.3 * min(side_lengths(polygon))
    n = int(np.clip(round(4 * reach), 16, 240))
    p = _lines_across(polygon, reach, n)
    ends = p[:, :, [0, -1]].reshape(4, -1, 2)
    inside = ((ends >= 0) & (ends <= np.array([picture.width - 1, picture.height - 1]))).all(axis=(1, 2))
    if not inside.any():
        return None
    at = p[inside].reshape(-1, n, 2).astype(np.float32)
    lines = _green(picture, at[..., 0], at[..., 1])
    blurs = _line_blurs(lines, 2 * reach / n).reshape(-1, LINES)
    seen = [b[np.isfinite(b)] for b in blurs]
    found = [float(np.median(b)) for b in seen if len(b) >= ENOUGH_LINES]
    return min(found) if found else None


def _lines_across(polygon: np.ndarray, reach: float, n: int) -> np.ndarray:
    """(4, LINES, n, 2) places on lines across the middle of each side, from inside to outside or back."""
    start, side = polygon, np.roll(polygon, -1, axis=0) - polygon
    out = np.stack([side[:, 1], -side[:, 0]], axis=1)
    out = out / np.maximum(np.hypot(*out.T), 1e-9)[:, None]
    on_side = start[:, None] + side[:, None] * np.linspace(0.3, 0.7, LINES)[:, None]
    return on_side[:, :, None] + out[:, None, None] * np.linspace(-reach, reach, n)[:, None]


def _green(picture: Upright, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Linear green light at places between pixels; only the part of the picture around them is touched."""
    x0, y0 = int(x.min()), int(y.min())
    part = picture.pixels[y0 : int(y.max()) + 2, x0 : int(x.max()) + 2]
    codes = cv2.remap(part, x - x0, y - y0, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return picture.transfer.table[codes[..., 1], 1]


def _line_blurs(lines: np.ndarray, step: float) -> np.ndarray:
    """(m,) blur of each edge: for a Gaussian edge of height A the steepest slope is A / (sigma sqrt(2 pi)).

    NaN where there is no edge to speak of.
    """
    n = lines.shape[1]
    end, k = n // 5, max(1, n // 60)
    height = np.abs(np.median(lines[:, :end], axis=1) - np.median(lines[:, -end:], axis=1)).astype(float)
    steep = np.abs(lines[:, 2 * k :] - lines[:, : -2 * k]).max(axis=1) / (2 * k * step)
    height[height < LEAST_STEP] = np.nan
    return height / (np.maximum(steep, 1e-9) * np.sqrt(2 * np.pi))
