"""Ends of strips that hardly differ from the ground: unexposed paper on a white lid, a step as grey as the
table.

A whole band across the strip is compared with the ground on both sides of it, so that differences far below
the scatter of single pixels show.
"""

from __future__ import annotations

import cv2
import numpy as np

from fairpanel.picture.ground import Ground
from fairpanel.picture.quadrilaterals import axis_of, length_px, part_of, placed, to_picture, width_px

#: A band differs from the ground beside it from this on, if also well above the ground's own variation.
#: [lightness]
LEAST = 0.45

#: A ground whose spread exceeds this has a pattern of its own, which can look like a faint end. [lightness]
EVEN = 1.3

#: How many times the ground's own variation from one side to the other a band has to differ.
CLEAR = 3.0

#: Two pieces in one line further apart than this are not looked at as parts of one strip. [widths]
MOST_GAP = 2.6

#: Of two pieces of one strip one may be narrower by this share: the other shows the unexposed rim too. [1]
RIM = 0.25

#: What lies beside a faint end is ground: it differs from it by no more than this. [spreads of the ground]
BARE = 3.0

#: An end is carried on only if that adds at least this share of the strip's width. [1]
WORTHWHILE = 0.2


def carried_on(picture: np.ndarray, ground: Ground, quad: np.ndarray, taken: np.ndarray) -> np.ndarray:
    """A strip with its ends carried on over paper that hardly differs from the ground.

    Parameters
    ----------
    picture : (height, width, 3) array
        Tones of the reduced picture.
    ground : Ground
    quad : (4, 2) array
        Start left, start right, end right, end left. [px of the reduced picture]
    taken : (height, width) uint8 array
        1 where other strips lie; an end stops before them.

    Returns
    -------
    (4, 2) array
        [px of the reduced picture]
    """
    start = -_added(picture, ground, quad[[2, 3, 0, 1]], taken)
    end = 1.0 + _added(picture, ground, quad, taken)
    if start == 0.0 and end == 1.0:
        return quad
    return placed(np.array([[0.0, start], [1.0, start], [1.0, end], [0.0, end]]), quad)


def _added(picture: np.ndarray, ground: Ground, quad: np.ndarray, taken: np.ndarray) -> float:
    """How far the strip goes on beyond its end, as a share of its length."""
    length, width = length_px(quad), width_px(quad)
    most = int(min(1.6 * width + 0.6 * length, 1.5 * length))
    away = picture - ground.surface
    left, inside, right, free = _bands(away, quad, most, taken)
    uneven = np.abs(left - right)
    uneven = uneven[np.isfinite(uneven).all(axis=1)]
    own = np.quantile(uneven, 0.75, axis=0) / 2 if len(uneven) > 5 else np.full(3, ground.spread)
    limit = np.maximum(CLEAR * own, LEAST if ground.spread < EVEN else 2.5 * ground.spread)
    from_left, from_right = (inside - left) / limit, (inside - right) / limit
    both = np.where(from_left * from_right > 0, np.minimum(np.abs(from_left), np.abs(from_right)), 0.0)
    bare = np.nan_to_num(np.abs(left + right) / 2, nan=np.inf).max(axis=1) < BARE * ground.spread
    shows = free & bare & (np.nan_to_num(both, nan=0.0).max(axis=1) > 1.0)
    rows = _sharp_end(inside - (left + right) / 2, _unbroken(shows), least=round(WORTHWHILE * width + 3))
    return rows / length


def _sharp_end(differs: np.ndarray, rows: int, *, least: int) -> int:
    """The last row, up to a given one, at which paper turns into ground within a few rows; 0 where there is
    none.

    Uneven light can make the ground itself look like faint paper, but it has no edge.
    """
    for last in range(rows, least - 1, -1):
        beyond = differs[last + 2 : last + 10]
        if len(beyond) < 8 or not np.isfinite(beyond).all():
            return last  # the picture or another strip ends it
        typical = np.median(differs[: last - 2], axis=0)
        drop = differs[max(0, last - 12) : last - 2].mean(axis=0) - beyond.mean(axis=0)
        if drop @ typical > 0.6 * (typical @ typical):
            return last
    return 0


def _bands(
    away: np.ndarray, quad: np.ndarray, rows: int, taken: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Mean difference from the ground left of, inside and right of the strip's continuation, row by row."""
    across = 32
    share = np.array([[2.0 / across, 0, -0.5 + 1.0 / across], [0, 1 / length_px(quad), 1.0], [0, 0, 1]])
    way = to_picture(quad) @ share
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    band = cv2.warpPerspective(away, way, (across, rows), flags=flags, borderValue=(np.nan,) * 3)
    other = cv2.warpPerspective(taken, way, (across, rows), flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    clean = np.where(other[..., None] > 0, np.nan, band)
    means = [_mean(clean[:, a:b]) for a, b in ((1, 7), (9, 23), (25, 31))]
    blocked = other[:, 9:23].mean(axis=1) < 0.05
    return means[0], means[1], means[2], blocked


def _mean(part: np.ndarray) -> np.ndarray:
    """Mean over the columns that are known, NaN where fewer than half are."""
    known = np.isfinite(part).all(axis=-1)
    count = known.sum(axis=1)[:, None]
    total = np.where(known[..., None], part, 0.0).sum(axis=1)
    return np.where(count * 2 >= part.shape[1], total / np.maximum(count, 1), np.nan)


def _unbroken(shows: np.ndarray, *, gap: int = 4) -> int:
    """Rows from the first to the last that shows before a gap longer than a few rows."""
    last = -1
    for k in np.flatnonzero(shows):
        if k - last > gap + 1:
            break
        last = int(k)
    return last + 1


def gap_in_line(one: np.ndarray, other: np.ndarray) -> float | None:
    """How far two quadrilaterals are apart along the line in which both lie, equally wide.

    Parameters
    ----------
    one, other : (4, 2) arrays
        Start left, start right, end right, end left, in reading direction. [px]

    Returns
    -------
    float or None
        In widths, negative where they overlap; None where they are not in one line, or too far apart. [1]
    """
    axis, axis2 = axis_of(one), axis_of(other)
    width, width2 = width_px(one), width_px(other)
    if abs(axis @ axis2) < np.cos(np.radians(1.0)) or not 1 - RIM < width / width2 < 1 / (1 - RIM):
        return None
    along = other.mean(axis=0) - one.mean(axis=0)
    aside = abs(along @ np.array([-axis[1], axis[0]]))
    gap = abs(along @ axis) - (length_px(one) + length_px(other)) / 2
    if aside > 0.03 * width + 0.006 * abs(along @ axis) or gap > MOST_GAP * width:
        return None
    return float(gap / width)


def spanned(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """One quadrilateral from the start of the first to the end of the second of two in one line, as wide as the
    narrower: the wider one shows the unexposed rim too.

    Parameters
    ----------
    one, other : (4, 2) arrays
        Start left, start right, end right, end left, in reading direction. [px]
    """
    if (other.mean(axis=0) - one.mean(axis=0)) @ axis_of(one) < 0:
        one, other = other, one
    width, width2 = width_px(one), width_px(other)
    spare = 0.5 * max(0.0, 1 - width2 / width), 0.5 * max(0.0, 1 - width / width2)
    ends = [
        part_of(quad, left=rim, right=1 - rim, start=0.0, end=1.0) if rim > 0.02 else quad
        for quad, rim in zip((one, other), spare, strict=True)
    ]
    return np.concatenate([ends[0][:2], ends[1][2:]])


def in_one_line(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether two quadrilaterals lie in one line, about equally wide, overlapping or next to each other.

    Parameters
    ----------
    one, other : (4, 2) arrays
        Start left, start right, end right, end left. A short piece may be wider than long; both ways round
        count. [px]
    """
    if length_px(one) < length_px(other):
        one, other = other, one
    axis, width = axis_of(one), width_px(one)
    across = np.array([-axis[1], axis[0]])
    spans = [(quad - one.mean(axis=0)) @ np.stack([axis, across], axis=1) for quad in (one, other)]
    low, high = spans[1].min(axis=0), spans[1].max(axis=0)
    same_sides = abs(low[1] + width / 2) < 0.1 * width and abs(high[1] - width / 2) < 0.1 * width
    gap = max(low[0] - spans[0][:, 0].max(), spans[0][:, 0].min() - high[0])
    return bool(same_sides and gap < 0.4 * width)
