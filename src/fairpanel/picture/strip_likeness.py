"""Whether a quadrilateral looks like a strip, or like a sheet that strips lie on."""

from __future__ import annotations

import numpy as np

from fairpanel.picture.quadrilaterals import in_reading_direction, length_px, straightened, width_px

#: Narrowest strip in the reduced picture. [px]
LEAST_WIDTH = 10.0

#: A pixel is off the tone of its row from here on, and this share of a strip's pixels may be (print, dirt,
#: glare).
OFF_TONE = 4.0

OFF_SHARE = 0.14

#: The rim of a sheet that strips lie on has one tone: so many pixels of it are near its middle tone. [1]
SHEET_RIM = 0.96

#: Uneven light changes the tone of a sheet from side to side by at most this. [lightness]
MOST_UNEVEN = 12.0


def is_like_a_strip(tone: np.ndarray, quad: np.ndarray) -> bool:
    """Whether the tone inside a quadrilateral changes along it but not across it."""
    if width_px(quad) < LEAST_WIDTH:
        return False
    along = int(np.clip(length_px(quad), 24, 200))
    return changes_only_along(straightened(tone, quad, across=24, along=along))


def changes_only_along(strip: np.ndarray, *, most_off: float = OFF_SHARE) -> bool:
    """Whether a straightened strip has one tone in each row, but for print, dirt or glare."""
    along, across = strip.shape[:2]
    sixth = across // 6
    inner = strip[round(0.04 * along) : round(0.96 * along), sixth:-sixth]
    off = np.abs(inner - np.median(inner, axis=1, keepdims=True)).max(axis=-1)
    limit = max(OFF_TONE, 3.0 * float(np.median(off)))
    return bool(limit < 3 * OFF_TONE and np.mean(off > limit) < most_off)


def is_sheet(tone: np.ndarray, quad: np.ndarray) -> bool:
    """Whether a quadrilateral has one tone all along its rim, but for uneven light, and others inside."""
    side = 48
    image = straightened(tone, in_reading_direction(quad), across=side, along=side)
    if changes_only_along(image, most_off=OFF_SHARE / 3):
        return False
    y, x = np.mgrid[0:side, 0:side]
    from_edge = np.minimum.reduce([x, y, side - 1 - x, side - 1 - y])
    return any(_is_rim(image, from_edge, ring) for ring in (1, 2, 3, 4))


def _is_rim(image: np.ndarray, from_edge: np.ndarray, ring: int) -> bool:
    """Whether one ring of a straightened sheet has one tone, and the inside has not."""
    rim = from_edge == ring
    y, x = np.mgrid[0 : len(image), 0 : len(image)]
    terms = np.stack([np.ones_like(x), x, y], axis=-1).astype(float)
    near = rim
    for _ in range(3):
        surface = terms @ np.linalg.lstsq(terms[near], image[near], rcond=None)[0]
        if np.ptp(surface, axis=(0, 1)).max() > MOST_UNEVEN:
            surface = np.median(image[rim], axis=0)
        off = np.abs(image - surface).max(axis=-1)
        near = rim & (off < max(OFF_TONE, 2.0 * float(np.median(off[rim]))))
    inside = np.mean(off[from_edge > 6] > 2 * OFF_TONE)
    return bool(np.mean(off[rim] < 2 * OFF_TONE) > SHEET_RIM and inside > 0.03)
