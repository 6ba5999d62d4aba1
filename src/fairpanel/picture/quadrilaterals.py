"""Four-cornered outlines: their order, their sides and the way into the straightened strip.

Corners always go: start left, start right, end right, end left, seen along the strip from its start. All
positions are pixels of the upright picture: x to the right, y down, (0, 0) the centre of the first pixel.
"""

from __future__ import annotations

import cv2
import numpy as np

#: A strip's own square: x across from its left side, y along from its start, both as shares of the whole. [1]
UNIT_CORNERS = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])


def in_reading_direction(corners: np.ndarray) -> np.ndarray:
    """The same quadrilateral, long axis first, starting at its left or top end.

    Parameters
    ----------
    corners : (4, 2) array
        Corners in order round the quadrilateral, either way. [px]

    Returns
    -------
    (4, 2) array
        Start left, start right, end right, end left. The start is the left end of a strip that lies within 45
        degrees of level, else the top end. [px]
    """
    quad = np.asarray(corners, dtype=float)
    if signed_area(quad) > 0:  # clockwise on the screen; ours go the other way round
        quad = quad[::-1]
    if length_px(quad) < width_px(quad):
        quad = np.roll(quad, -1, axis=0)
    along = quad[2] + quad[3] - quad[0] - quad[1]
    backwards = along[0] < 0 if abs(along[0]) >= abs(along[1]) else along[1] < 0
    return np.roll(quad, 2, axis=0) if backwards else quad


def signed_area(quad: np.ndarray) -> float:
    """Area of a polygon; positive where it runs clockwise on the screen. [px^2]"""
    x, y = np.asarray(quad, dtype=float).T
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def length_px(quad: np.ndarray) -> float:
    """Mean of the two long sides, start to end. [px]"""
    return float((np.linalg.norm(quad[3] - quad[0]) + np.linalg.norm(quad[2] - quad[1])) / 2)


def width_px(quad: np.ndarray) -> float:
    """Mean of the start side and the end side. [px]"""
    return float((np.linalg.norm(quad[1] - quad[0]) + np.linalg.norm(quad[2] - quad[3])) / 2)


def axis_of(quad: np.ndarray) -> np.ndarray:
    """(2,) unit vector from the start to the end."""
    along = (quad[2] + quad[3] - quad[0] - quad[1]) / 2
    return along / max(float(np.linalg.norm(along)), 1e-9)


def to_picture(quad: np.ndarray) -> np.ndarray:
    """(3, 3) array that takes (across, along) shares of a strip to pixels of the picture."""
    return cv2.getPerspectiveTransform(UNIT_CORNERS.astype(np.float32), np.asarray(quad, dtype=np.float32))


def placed(shares: np.ndarray, quad: np.ndarray) -> np.ndarray:
    """Points given as (across, along) shares of a strip, in pixels of the picture.

    Parameters
    ----------
    shares : (..., 2) array
        Shares of the whole. [1]
    quad : (4, 2) array
        The strip's outline. [px]

    Returns
    -------
    (..., 2) array
        [px]
    """
    shares = np.asarray(shares, dtype=float)
    homogeneous = np.concatenate([shares, np.ones((*shares.shape[:-1], 1))], axis=-1) @ to_picture(quad).T
    return homogeneous[..., :2] / homogeneous[..., 2:]


def part_of(quad: np.ndarray, *, left: float, right: float, start: float, end: float) -> np.ndarray:
    """The part of a strip between two shares of its width and two of its length.

    Parameters
    ----------
    quad : (4, 2) array
        [px]
    left, right, start, end : float
        Shares of the whole; `left < right`, `start < end`. [1]

    Returns
    -------
    (4, 2) array
        [px]
    """
    return placed(np.array([[left, start], [right, start], [right, end], [left, end]]), quad)


def straightened(pixels: np.ndarray, quad: np.ndarray, *, across: int, along: int) -> np.ndarray:
    """A strip cut out of a picture and laid straight for measuring: start in the first row, left side first
    in it.

    Shown as a picture this is mirrored (start at the top, but the walker's left at the left). Sampled between
    pixels, with the area under each sample averaged where the strip has to be made smaller.

    Parameters
    ----------
    pixels : (height, width[, channels]) array
    quad : (4, 2) array
        [px]
    across, along : int
        Samples wanted. [1]

    Returns
    -------
    (along, across[, channels]) float32 array
    """
    times_across = max(1, round(width_px(quad) / across))
    times_along = max(1, round(length_px(quad) / along))
    fine_across, fine_along = across * times_across, along * times_along
    crop, moved = _crop_around(pixels, quad)
    samples = np.array([[1 / fine_across, 0, 0.5 / fine_across], [0, 1 / fine_along, 0.5 / fine_along], [0, 0, 1]])
    fine = cv2.warpPerspective(
        crop,
        to_picture(moved) @ samples,
        (fine_across, fine_along),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float32)
    small = cv2.resize(fine, (across, along), interpolation=cv2.INTER_AREA)
    return small.reshape(along, across, *pixels.shape[2:])


def _crop_around(pixels: np.ndarray, quad: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The part of the picture a quadrilateral needs, and the quadrilateral in its pixels."""
    height, width = pixels.shape[:2]
    low = np.clip(np.floor(quad.min(axis=0)) - 2, 0, (width - 2, height - 2)).astype(int)
    high = np.clip(np.ceil(quad.max(axis=0)) + 3, low + 2, (width, height)).astype(int)
    return pixels[low[1] : high[1], low[0] : high[0]], np.asarray(quad) - low


def corners_of_lines(points: np.ndarray, directions: np.ndarray) -> np.ndarray:
    """Where four sides, each given by a point and a direction, meet one another in order.

    Parameters
    ----------
    points, directions : (4, 2) arrays
        Side k runs from corner k to corner k + 1.

    Returns
    -------
    (4, 2) array
        Corner k is where side k - 1 meets side k; NaN where two sides run alike.
    """
    corners = np.full((4, 2), np.nan)
    for k in range(4):
        before, here = directions[k - 1], directions[k]
        turn = before[0] * here[1] - before[1] * here[0]
        if abs(turn) > 1e-6:
            gap = points[k] - points[k - 1]
            corners[k] = points[k - 1] + before * (gap[0] * here[1] - gap[1] * here[0]) / turn
    return corners


def is_plausible_rectangle(quad: np.ndarray, *, most_degrees: float = 25.0) -> bool:
    """Whether a quadrilateral can be a rectangle seen at a slant: convex, corners near square."""
    if not np.all(np.isfinite(quad)):
        return False
    sides = np.roll(quad, -1, axis=0) - quad
    lengths = np.linalg.norm(sides, axis=1)
    if lengths.min() < 1.0:
        return False
    units = sides / lengths[:, None]
    following = np.roll(units, -1, axis=0)
    turns = units[:, 0] * following[:, 1] - units[:, 1] * following[:, 0]
    square = np.abs(np.sum(units * following, axis=1)) < np.sin(np.radians(most_degrees))
    return bool(np.all(square) and (np.all(turns > 0) or np.all(turns < 0)))
