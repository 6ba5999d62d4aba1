"""Looking into one patch of a picture: straightened, in linear light, averaged over small blocks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from fairpanel.picture.upright import Upright

#: Most samples taken along one side of a patch. More does not help: pixel noise is not the limit.
MOST_SAMPLES = 128


@dataclass(frozen=True)
class Blocks:
    """Mean light over a grid of small blocks of a patch.

    Parameters
    ----------
    light : (rows, columns, 3) array
        Linear wide-space light; rows run along the strip, columns across it.
    places : (rows, columns, 2) array
        Centre of each block in the picture. [px]
    low_share, high_share : (3,) array
        Share of samples whose code is the lowest or the highest possible, by channel. [1]
    pixels : float
        Pixels of the picture that lie in the patch's trimmed area. [px]
    """

    light: np.ndarray
    places: np.ndarray
    low_share: np.ndarray
    high_share: np.ndarray
    pixels: float


def side_lengths(polygon: np.ndarray) -> tuple[float, float]:
    """Length along and width across a patch outline (start left, start right, end right, end left). [px]"""
    start_left, start_right, end_right, end_left = polygon
    along = (np.hypot(*(end_left - start_left)) + np.hypot(*(end_right - start_right))) / 2
    across = (np.hypot(*(start_right - start_left)) + np.hypot(*(end_right - end_left))) / 2
    return float(along), float(across)


def within(polygon: np.ndarray, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Points of a quadrilateral: u across (0 left, 1 right), v along (0 start, 1 end), in perspective.

    Parameters
    ----------
    polygon : (4, 2) array
    u, v : arrays of one shape

    Returns
    -------
    (..., 2) array
    """
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    h = cv2.getPerspectiveTransform(unit, np.asarray(polygon, np.float32))
    p = np.stack([u, v, np.ones_like(u)], axis=-1) @ h.T
    return p[..., :2] / p[..., 2:]


def trimmed(polygon: np.ndarray, *, along: float, across: float) -> np.ndarray:
    """The outline less a border: a share of the length at each end, a share of the width at each side. [px]"""
    u = np.array([across, 1 - across, 1 - across, across])
    v = np.array([along, along, 1 - along, 1 - along])
    return within(polygon, u, v)


def blocks(picture: Upright, polygon: np.ndarray, *, side: float) -> Blocks:
    """Mean light over the small blocks of an outline.

    Parameters
    ----------
    picture : Upright
    polygon : (4, 2) array
        Already trimmed, wholly inside the picture. [px]
    side : float
        Wanted side of a block. [px]
    """
    long, wide = side_lengths(polygon)
    rows = int(np.clip(round(long / side), 2, 24))
    columns = int(np.clip(round(wide / side), 2, 24))
    per_row = int(np.clip(round(long / rows), 2, MOST_SAMPLES // rows))
    per_column = int(np.clip(round(wide / columns), 2, MOST_SAMPLES // columns))
    codes = _straightened(picture, polygon, rows * per_row, columns * per_column)
    linear = picture.transfer.linear(codes)
    light = cv2.resize(linear, (columns, rows), interpolation=cv2.INTER_AREA).astype(float)  # whole blocks: their means
    v, u = np.meshgrid((np.arange(rows) + 0.5) / rows, (np.arange(columns) + 0.5) / columns, indexing="ij")
    return Blocks(
        light,
        within(polygon, u, v),
        _share_of(codes, 0),
        _share_of(codes, picture.top_code),
        long * wide,
    )


def _share_of(codes: np.ndarray, code: int) -> np.ndarray:
    """(3,) share of samples that have that code, by channel."""
    return np.array(cv2.mean((codes == code).view(np.uint8))[:3])


def straightened(picture: Upright, polygon: np.ndarray, *, height: int, width: int) -> np.ndarray:
    """Codes of an outline as an upright picture: its start at the top, its left to the left.

    Parameters
    ----------
    picture : Upright
    polygon : (4, 2) array
        Start left, start right, end right, end left, wholly inside the picture. [px]
    height, width : int
        Of the result. [px]

    Returns
    -------
    (height, width, 3) array of the picture's own codes
    """
    return _straightened(picture, np.asarray(polygon, float), height, width)


def _straightened(picture: Upright, polygon: np.ndarray, height: int, width: int) -> np.ndarray:
    """Codes on an upright grid of sample centres, from the picture halved as often as leaves it finer than the grid."""
    long, wide = side_lengths(polygon)
    factor = 2 ** max(0, math.floor(math.log2(max(min(long / height, wide / width), 1.0))))
    pixels = picture.reduced(factor)
    corners = (polygon + 0.5) / factor - 0.5
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 2, 0)
    high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 3, [pixels.shape[1], pixels.shape[0]])
    crop = pixels[low[1] : high[1], low[0] : high[0]]
    corners = corners - low
    grid = np.array([[-0.5, -0.5], [width - 0.5, -0.5], [width - 0.5, height - 0.5], [-0.5, height - 0.5]])
    h = cv2.getPerspectiveTransform(corners.astype(np.float32), grid.astype(np.float32))
    return cv2.warpPerspective(crop, h, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
