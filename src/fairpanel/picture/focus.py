"""How sharp a picture is, from the cut edges of what lies in it."""

from __future__ import annotations

import cv2
import numpy as np

from fairpanel.picture.medians import median
from fairpanel.picture.sampling import side_lengths
from fairpanel.picture.upright import Upright

#: An edge is used where its step is at least this share of full white.
LEAST_STEP = 0.08
#: Lines across each side, and how many of them must show an edge.
LINES, ENOUGH_LINES = 15, 8

_SHARES = np.linspace(0.3, 0.7, LINES)


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
    across = np.linspace(-reach, reach, n)
    on_side, out = _on_sides(polygon)
    ends = on_side[:, None] + out[:, None, :, None] * across[[0, -1], None, None]
    most = np.array([picture.width - 1, picture.height - 1])[:, None]
    inside = ((ends >= 0) & (ends <= most)).all(axis=(1, 2, 3))
    if not inside.any():
        return None
    lines = _green(picture, *_places(on_side[inside], out[inside], across))
    blurs = np.sort(_line_blurs(lines, 2 * reach / n).reshape(-1, LINES), axis=1)  # those without an edge come last
    seen = np.isfinite(blurs).sum(axis=1)
    found = [float(b[(m - 1) // 2] + b[m // 2]) / 2 for b, m in zip(blurs, seen, strict=True) if m >= ENOUGH_LINES]
    return min(found) if found else None


def _on_sides(polygon: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(4, 2, LINES) places along the middle of each side, and (4, 2) the way from there, outwards or back."""
    side = polygon[[1, 2, 3, 0]] - polygon
    out = np.stack([side[:, 1], -side[:, 0]], axis=1)
    out = out / np.maximum(np.hypot(out[:, 0], out[:, 1]), 1e-9)[:, None]
    return polygon[:, :, None] + side[:, :, None] * _SHARES, out


def _places(on_side: np.ndarray, out: np.ndarray, across: np.ndarray) -> list[np.ndarray]:
    """x and y of all lines: two arrays (sides * LINES, n), reckoned in double and written as float32 at once."""
    found = []
    for i in (0, 1):
        places = np.empty((len(out), LINES, len(across)), np.float32)
        np.add(on_side[:, i, :, None], (out[:, i, None] * across)[:, None], out=places, casting="same_kind")
        found.append(places.reshape(-1, len(across)))
    return found


def _green(picture: Upright, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Linear green light at places between pixels; only the part of the picture around them is touched."""
    x0, y0 = int(x.min()), int(y.min())
    part = picture.pixels[y0 : int(y.max()) + 2, x0 : int(x.max()) + 2]
    x -= x0
    y -= y0
    # All three channels are read: to part green off first touches many more pixels than lie on the lines.
    codes = cv2.extractChannel(cv2.remap(part, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), 1)
    table = np.ascontiguousarray(picture.transfer.table[:, 1])
    return cv2.LUT(codes, table) if codes.dtype == np.uint8 else table[codes]


def _line_blurs(lines: np.ndarray, step: float) -> np.ndarray:
    """(m,) blur of each edge: for a Gaussian edge of height A the steepest slope is A / (sigma sqrt(2 pi)).

    NaN where there is no edge to speak of.
    """
    n = lines.shape[1]
    end, k = n // 5, max(1, n // 60)
    height = np.abs(median(lines[:, :end]) - median(lines[:, -end:])).astype(float)
    slopes = lines[:, 2 * k :] - lines[:, : -2 * k]
    steep = np.abs(slopes, out=slopes).max(axis=1) / (2 * k * step)
    height[height < LEAST_STEP] = np.nan
    return height / (np.maximum(steep, 1e-9) * np.sqrt(2 * np.pi))
