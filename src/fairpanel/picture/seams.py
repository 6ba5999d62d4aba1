"""Lines right through a rectangle: the seams between strips that touch, and the edges of patches.

Strips laid exactly side by side make one rectangle. What tells them from the patches of one strip: a strip's
tone does not change across its width; paper edges throw a thin line of shadow or show as a thin bright cut;
and the parts have the size of the other strips.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from fairpanel.picture.quadrilaterals import length_px, part_of, straightened, width_px

#: A step of tone counts from this size on, if it also stands out of the texture. [lightness]
LEAST_STEP = 2.2

#: A seam or edge is seen along at least this share of its length. Neighbours may agree in tone for a while.
#: [1]
SEEN = 0.72

#: The same where a strip has patches, one of which is like its neighbour. [1]
HALF_SEEN = 0.4

#: A thin line between two pieces of paper stands out on both sides by this much. [lightness]
LEAST_THIN = 3.0

#: Of strips laid end to end each is at least this long, in widths, and no more than a few lie in one line.
#: [1]
LEAST_PART = 1.3
MOST_IN_LINE = 5

#: Between strips side by side a part narrower than this share of the widest is made of their rims. [1]
NARROW = 0.45

#: Only strips at least this slender say by their size what a wider rectangle is made of. [1]
LEAST_SLENDER = 1.8


@dataclass(frozen=True)
class Line:
    """A line right through a rectangle, parallel to one of its sides.

    Parameters
    ----------
    at : float
        Place as a share of the rectangle's extent. [1]
    step : float
        Typical change of tone across it. [lightness]
    thin : float
        How far a thin line stands out on both sides of it; 0 where there is none. [lightness]
    seen : float
        Share of its length along which it shows. [1]
    sharpness : float
        Share of the change that happens within the narrowest reach. [1]
    """

    at: float
    step: float
    thin: float
    seen: float
    sharpness: float


def lines_through(image: np.ndarray, *, least_seen: float = SEEN) -> list[Line]:
    """Lines that run right through a straightened rectangle, along the second axis of the array.

    Parameters
    ----------
    image : (n, m, 3) array
        Tones; places along the first axis are what `Line.at` counts.
    least_seen : float
        Share of its length along which a line has to show. [1]
    """
    n = image.shape[0]
    if n < 16:
        return []
    blocks = _blocked(image, 16)
    step, narrow = _steps(blocks, 4), _steps(blocks, 2)
    thin = _thin(blocks)
    texture = np.median(step, axis=0, keepdims=True)
    least = np.maximum(LEAST_STEP, 3.0 * texture)
    stands_out = np.maximum(LEAST_STEP, 3.0 * np.median(thin, axis=0, keepdims=True))
    shows = (step > least) | (thin > stands_out)
    seen = shows.mean(axis=1)
    strength = np.quantile(np.maximum(step, thin), 1.0 - least_seen / 1.5, axis=1) * seen
    found = []
    for k in _peaks(strength, seen, least_seen):
        line = float(np.median(thin[max(0, k - 1) : k + 2].max(axis=0)))
        size = float(np.median(step[k]))
        share = float(np.median(narrow[k]) / max(size, 1e-6))
        is_line = np.mean(thin[max(0, k - 1) : k + 2].max(axis=0) > stands_out[0]) > SEEN
        found.append(Line((k + 0.5) / n, size, line if is_line else 0.0, float(seen[k]), share))
    return found


def _blocked(image: np.ndarray, count: int) -> np.ndarray:
    """Means of the tone in blocks along the second axis, the outermost tenth left out."""
    m = image.shape[1]
    inner = image[:, round(0.1 * m) : max(round(0.9 * m), round(0.1 * m) + 1)]
    edges = np.unique(np.linspace(0, inner.shape[1], count + 1).astype(int))
    sums = np.add.reduceat(inner, edges[:-1], axis=1)
    return sums / np.diff(edges)[None, :, None]


def _shifted_mean(blocks: np.ndarray, first: int, last: int) -> np.ndarray:
    """Mean of the rows from `first` to `last` beyond each row; the ends are held."""
    rows = np.clip(np.arange(len(blocks))[:, None] + np.arange(first, last + 1), 0, len(blocks) - 1)
    return blocks[rows].mean(axis=1)


def _steps(blocks: np.ndarray, reach: int) -> np.ndarray:
    """Change of tone across each place, the greatest of the channels: (n, blocks)."""
    return np.abs(_shifted_mean(blocks, 1, reach) - _shifted_mean(blocks, -reach, -1)).max(axis=-1)


def _thin(blocks: np.ndarray) -> np.ndarray:
    """How far each place stands out on both of its sides, to the same side in tone: (n, blocks)."""
    after, before = blocks - _shifted_mean(blocks, 3, 5), blocks - _shifted_mean(blocks, -5, -3)
    both = np.where(after * before > 0, np.minimum(np.abs(after), np.abs(before)), 0.0)
    return both.max(axis=-1)


def _peaks(strength: np.ndarray, seen: np.ndarray, least_seen: float) -> list[int]:
    """Places where lines are strongest, away from the ends and from each other."""
    n = len(strength)
    apart = max(8, round(0.06 * n))
    order = [k for k in np.argsort(-strength) if seen[k] >= least_seen and apart <= k < n - apart]
    chosen: list[int] = []
    for k in order:
        if all(abs(k - other) >= apart for other in chosen):
            chosen.append(int(k))
    return sorted(chosen)


def parted(tone: np.ndarray, quad: np.ndarray, *, lengthwise: bool, seen: float = SEEN) -> list[np.ndarray]:
    """A rectangle cut along all lines that run right through it one way.

    Parameters
    ----------
    tone : (height, width, 3) array
    quad : (4, 2) array
        Start left, start right, end right, end left. [px]
    lengthwise : bool
        Cut along lines from start to end; otherwise along lines from side to side.
    seen : float
        Share of its length along which a line has to show. [1]

    Returns
    -------
    list of (4, 2) arrays
        In order, each running from start to end along the lines; the whole alone where there is no line.
    """
    across = int(np.clip(width_px(quad), 16, 400))
    along = int(np.clip(length_px(quad), 16, 400))
    image = straightened(tone, quad, across=across, along=along)
    lines = lines_through(image.transpose(1, 0, 2) if lengthwise else image, least_seen=seen)
    bounds = _without_rims([0.0, *(line.at for line in lines), 1.0])
    parts = []
    for first, last in pairwise(bounds):
        if lengthwise:
            parts.append(part_of(quad, left=first, right=last, start=0.0, end=1.0))
        else:
            parts.append(np.roll(part_of(quad, left=0.0, right=1.0, start=first, end=last), 1, axis=0))
    return parts


def _without_rims(bounds: list[float]) -> list[float]:
    """Bounds of strips from all lines; far narrower parts are the white rims of their neighbours."""
    widest = max(b - a for a, b in pairwise(bounds))
    kept = [bounds[0]]
    for a, b in pairwise(bounds):
        if b - a > NARROW * widest:
            kept.append(b)
        elif len(kept) > 1:
            kept[-1] = b if b == bounds[-1] else (a + b) / 2
    return kept if kept[-1] == bounds[-1] else [*kept, bounds[-1]]


def end_to_end(tone: np.ndarray, quad: np.ndarray) -> list[np.ndarray]:
    """A strip cut where a thin line right across it shows that two pieces of paper meet.

    Parameters
    ----------
    tone : (height, width, 3) array
    quad : (4, 2) array
        Start left, start right, end right, end left. [px]

    Returns
    -------
    list of (4, 2) arrays
        From the start; the whole alone where there is no such line, or where the parts would be too short to
        be strips (a printed tablet with lines between its patches).
    """
    across, along = (int(np.clip(size, 16, 400)) for size in (width_px(quad), length_px(quad)))
    lines = lines_through(straightened(tone, quad, across=across, along=along))
    bounds = [0.0, *(line.at for line in lines if line.thin > LEAST_THIN), 1.0]
    lengths = np.diff(bounds) * length_px(quad)
    if len(lengths) > MOST_IN_LINE or lengths.min() < LEAST_PART * width_px(quad):
        return [quad]
    pairs = pairwise(bounds)
    return [part_of(quad, left=0.0, right=1.0, start=first, end=last) for first, last in pairs]


def parted_by_size(quad: np.ndarray, others: list[np.ndarray], *, spare: int | None) -> list[np.ndarray]:
    """A rectangle cut into as many strips as its size says, if others have one common size.

    Two others have to have it, or one where more strips are expected.

    Parameters
    ----------
    quad : (4, 2) array
        Start left, start right, end right, end left. [px]
    others : list of (4, 2) arrays
        The other strips of the picture. [px]
    spare : int or None
        How many more strips are expected than there are; None where that is not known.

    Returns
    -------
    list of (4, 2) arrays
    """
    for other in others:
        length, width = length_px(other), width_px(other)
        alike = [o for o in others if _near(length_px(o), length) and _near(width_px(o), width)]
        if len(alike) < (1 if spare else 2) or length < LEAST_SLENDER * width:
            continue
        turned = np.roll(quad, 1, axis=0)
        for one in (quad, turned):
            wide = round(width_px(one) / width)
            if 2 <= wide <= 8 and _near(length_px(one), length) and _near(width_px(one), wide * width):
                return _equal_parts(one, wide, lengthwise=True) if _allowed(wide, spare, sure=True) else [quad]
            long = round(length_px(one) / length)
            if 2 <= long <= 4 and _near(width_px(one), width) and _near(length_px(one), long * length):
                return _equal_parts(one, long, lengthwise=False) if _allowed(long, spare, sure=False) else [quad]
    return [quad]


def _near(one: float, other: float) -> bool:
    return abs(one / other - 1.0) < 0.06


def _allowed(parts: int, spare: int | None, *, sure: bool) -> bool:
    return sure if spare is None else parts - 1 <= spare


def _equal_parts(quad: np.ndarray, count: int, *, lengthwise: bool) -> list[np.ndarray]:
    shares = np.linspace(0, 1, count + 1)
    pairs = list(pairwise(shares))
    if lengthwise:
        return [part_of(quad, left=a, right=b, start=0.0, end=1.0) for a, b in pairs]
    return [part_of(quad, left=0.0, right=1.0, start=a, end=b) for a, b in pairs]
