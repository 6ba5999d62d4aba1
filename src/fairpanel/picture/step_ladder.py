"""A step strip of known number of steps, found by its ladder of edges.

Film on a lit box, a scale printed on white card, a tablet that fills the frame: nothing of these need stand out from
what it lies on as a whole. What shows is a row of parallel edges, equally long, evenly spaced, between tones that rise
or fall all along. Lines seen in the reduced picture say where such a row may run; the tones along it decide.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from fairpanel.picture.quadrilaterals import in_reading_direction, is_plausible_rectangle
from fairpanel.picture.rectangles import line_through

#: Shortest edge looked at. [px of the reduced picture]
LEAST_EDGE = 9.0
#: Contrast is evened out over this width, down to this spread, so that faint edges show beside strong ones.
NEAR_PX, FAINT = 41, 1.0
#: Edges of one ladder: this parallel [degrees], this alike in length [1], this little shifted [lengths].
PARALLEL, ALIKE, SHIFTED = 5.0, 0.6, 0.25
#: Both flanks of a thin line are one edge up to here [px]; gaps are alike within this share. [1]
TOGETHER, UNEVEN = 6.0, 0.12
#: Edges stand square to their row, but for the slant of the view. [degrees]
MOST_SKEW = 14.0
#: Edges that make a row worth looking along, and rows looked along in one picture.
FEWEST, MOST_ROWS = 3, 6
#: An edge between steps is seen from this change of tone on; one a quarter as strong counts a quarter. [lightness]
SEEN = 1.6
#: So many of the edges between steps have to be seen; tones have to span so much. [1], [lightness]
LEAST_SEEN, LEAST_RANGE = 0.6, 12.0
#: What the ends of a strip and what lies beyond count for, against one edge between steps. [1]
ENDS = 0.5
#: Tones may go the wrong way by this from one step to the next: dirt, glare, light across a long strip. [lightness]
BACKWARDS = 1.2
#: Within a step tones differ by no more than this. [lightness]
MOST_UNEVEN = 2.0


@dataclass(frozen=True)
class _Band:
    """Tones along a row: `inside` (m, blocks, 3) and beside it, `beside` (m, 2, 3), a pixel apart; `to_picture`."""

    inside: np.ndarray
    beside: np.ndarray
    to_picture: np.ndarray


def find_ladder(tone: np.ndarray, n: int) -> np.ndarray | None:
    """The outline of the strip of n steps, if its ladder shows.

    Parameters
    ----------
    tone : (height, width, 3) float32 array
        Tones of the reduced picture. [lightness]
    n : int
        Number of steps.

    Returns
    -------
    (4, 2) array or None
        Start left, start right, end right, end left, in reading direction. [px of the reduced picture]
    """
    if n < FEWEST:
        return None
    best, least = None, 0.0
    for row in _rows(_edges(tone)):
        band = _band(tone, *_across(row))
        if band is None:
            continue
        found = _window(band, n)
        if found is not None and found[0] > least:
            least, best = found[0], _corners(band, *found[1:])
    return best if best is not None and is_plausible_rectangle(best) else None


# ---- lines and rows of them ------------------------------------------------------------------------------------


def _edges(tone: np.ndarray) -> np.ndarray:
    """(k, 2, 2) ends of straight edges, the longest first."""
    light = cv2.blur(tone.mean(axis=-1), (3, 3))
    mean, square = cv2.blur(light, (NEAR_PX,) * 2), cv2.blur(light * light, (NEAR_PX,) * 2)
    spread = np.sqrt(np.maximum(square - mean * mean, 0.0))
    light = np.clip(128 + 48 * (light - mean) / (spread + FAINT), 0, 255).astype(np.uint8)
    lines = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(light)[0]
    if lines is None:
        return np.zeros((0, 2, 2))
    ends = lines.reshape(-1, 2, 2).astype(float)
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    order = np.argsort(-length)
    return ends[order][length[order] >= LEAST_EDGE][:900]


def _rows(ends: np.ndarray) -> list[np.ndarray]:
    """Rows of parallel edges, (k, 2, 2) each, those with most edges first."""
    if len(ends) < FEWEST:
        return []
    along = ends[:, 1] - ends[:, 0]
    length = np.linalg.norm(along, axis=1)
    unit = along / length[:, None]
    middle = ends.mean(axis=1)
    rows: list[tuple[float, np.ndarray]] = []
    for k in range(len(ends)):
        apart = middle - middle[k]
        ahead = np.abs(apart @ np.array([-unit[k, 1], unit[k, 0]])) / length[k]
        own = (
            (np.abs(unit @ unit[k]) > np.cos(np.radians(PARALLEL)))
            & (np.minimum(length, length[k]) > ALIKE * np.maximum(length, length[k]))
            & (np.abs(apart @ unit[k]) < SHIFTED * length[k] + 0.05 * ahead * length[k])
        )
        even = _evenly_spaced(apart[own] @ np.array([-unit[k, 1], unit[k, 0]]))
        if even > 1.0:
            rows.append((even * float(np.sqrt(length[k])), np.flatnonzero(own)))
    rows.sort(key=lambda row: -row[0])
    chosen: list[np.ndarray] = []
    for _, own in rows:
        if all(len(np.intersect1d(own, other)) < 0.5 * len(own) for other in chosen):
            chosen.append(own)
        if len(chosen) == MOST_ROWS:
            break
    return [ends[own] for own in chosen]


def _evenly_spaced(places: np.ndarray) -> float:
    """How many gaps between neighbouring edges are about as wide as most, the less the more are not."""
    places = np.sort(places)
    gaps = np.diff(places[np.concatenate([[True], np.diff(places) > TOGETHER])])
    if len(gaps) == 0:
        return 0.0
    even = max(np.count_nonzero(np.abs(gaps / gap - 1.0) < UNEVEN) for gap in gaps)
    return even * even / len(gaps)


def _across(ends: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of a row of edges: a point on its middle line, that line's direction, and the way across, side to side."""
    way = ends[0, 1] - ends[0, 0]
    turned = (ends[:, 1] - ends[:, 0]) @ way < 0
    ends = np.where(turned[:, None, None], ends[:, ::-1], ends)
    middle, axis = line_through(ends.mean(axis=1))
    vectors = ends[:, 1] - ends[:, 0]
    length = np.quantile(np.linalg.norm(vectors, axis=1), 0.6)
    direction = np.median(vectors / np.linalg.norm(vectors, axis=1, keepdims=True), axis=0)
    return middle, axis, direction / np.linalg.norm(direction) * length


# ---- looking along a row ---------------------------------------------------------------------------------------


def _band(tone: np.ndarray, middle: np.ndarray, axis: np.ndarray, across: np.ndarray) -> _Band | None:
    """Tones along a row as far as the picture goes."""
    width = float(np.linalg.norm(across))
    if abs(axis @ across) > np.sin(np.radians(MOST_SKEW)) * width:
        return None
    height, wide = tone.shape[:2]
    frame = np.array([[0, 0], [wide - 1, 0], [wide - 1, height - 1], [0, height - 1]], float)
    first, last = _within(frame, middle, axis)
    m = int(last - first)
    if m < 2 * width:
        return None
    start, end = middle + first * axis, middle + last * axis
    quad = np.array([start - across / 2, start + across / 2, end + across / 2, end - across / 2], np.float32)
    flat = np.array([[0, 0], [1, 0], [1, m], [0, m]], np.float32)
    to_picture = cv2.getPerspectiveTransform(flat, quad)
    blocks = 6
    inside = _sampled(tone, to_picture, m, np.linspace(0.14, 0.86, 3 * blocks)).reshape(m, blocks, 3, 3).mean(axis=2)
    beside = _sampled(tone, to_picture, m, np.array([-0.3, -0.2, 1.2, 1.3])).reshape(m, 2, 2, 3).mean(axis=2)
    return _Band(inside, beside, to_picture)


def _within(frame: np.ndarray, point: np.ndarray, way: np.ndarray) -> tuple[float, float]:
    """From where to where a line runs inside the frame."""
    low, high = frame.min(axis=0), frame.max(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        one, other = (low - point) / way, (high - point) / way
    nearer, farther = np.fmin(one, other), np.fmax(one, other)
    return float(np.max(nearer[np.isfinite(nearer)])), float(np.min(farther[np.isfinite(farther)]))


def _sampled(tone: np.ndarray, to_picture: np.ndarray, m: int, u: np.ndarray) -> np.ndarray:
    """(m, len(u), 3) tones at shares of the width, a pixel apart along."""
    x, y = np.meshgrid(u, np.arange(m) + 0.5)
    at = cv2.perspectiveTransform(np.stack([x, y], axis=-1).reshape(1, -1, 2).astype(np.float32), to_picture)[0]
    at = at.reshape(m, len(u), 2)
    return cv2.remap(tone, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _window(band: _Band, n: int) -> tuple[float, float, float] | None:
    """(score, start, end) of the n evenly spaced steps that fit the tones along a band best."""
    m = len(band.inside)
    profile = np.median(band.inside, axis=1)
    sums = np.concatenate([np.zeros((1, *band.inside.shape[1:])), np.cumsum(band.inside, axis=0)])
    light = np.concatenate([[0.0], np.cumsum(profile.mean(axis=-1))])
    stands_out = np.concatenate([[0.0], np.cumsum(_standing_out(profile, band.beside))])
    seen = {reach: _seen_edges(sums, reach) for reach in (2, 3, 5, 8, 12)}
    best: tuple[float, float, float] | None = None
    best_reach = 2
    for pitch in np.geomspace(max(6.0, 0.1 * m / n), 1.02 * m / n, 140):
        reach = max(r for r in seen if r <= max(0.3 * pitch, 2))
        near = 2 * max(1, round(0.07 * pitch)) + 1
        clear = cv2.dilate(seen[reach][:, None], np.ones((near, 1), np.uint8))[:, 0]
        starts = np.arange(-0.2 * pitch, m - 0.8 * pitch * n, max(1.0, pitch / 12))
        starts = starts[starts + pitch * n < m + 0.2 * pitch]
        if len(starts) == 0:
            continue
        lines = np.clip(np.round(starts[:, None] + pitch * np.arange(n + 1)), 0, m - 1).astype(int)
        middles = np.clip(np.round(starts[:, None] + pitch * (np.arange(n) + 0.5)), 0, m - 1).astype(int)
        within = seen[reach][middles]
        edge = clear[lines]
        edge[:, 1:-1] -= np.maximum(within[:, :-1], within[:, 1:])
        evidence = np.clip(edge / SEEN, 0.0, 1.0)
        inner, ends = evidence[:, 1:-1].mean(axis=1), evidence[:, [0, -1]].sum(axis=1)
        score = inner + ENDS / n * (ends + _ends_on_ground(stands_out, starts, pitch, n))
        score[(inner < LEAST_SEEN) | ~_all_one_way(light, starts, pitch, n)] = 0.0
        k = int(np.argmax(score))
        if score[k] > (best[0] if best else 0.0):
            start = float(starts[k])
            best, best_reach = (float(score[k]), start, start + n * pitch), reach
    if best is None or not _is_even(band, max(best[1], 0.0), min(best[2], float(m)), n):
        return None
    start, end = _bent(seen[best_reach], best[1], best[2], n)
    return best[0], max(start, 0.0), min(end, float(m))


def _bent(seen: np.ndarray, start: float, end: float, n: int) -> tuple[float, float]:
    """Start and end as the edges say that are seen: towards the far end of a slanted view steps get narrower."""
    pitch = (end - start) / n
    near = max(2, round(0.18 * pitch))
    number, place = [], []
    for k in range(1, n):
        line = round(start + k * pitch)
        part = seen[max(line - near, 0) : line + near + 1]
        if len(part) and part.max() > SEEN:
            number.append(k)
            place.append(max(line - near, 0) + float(np.average(np.arange(len(part)), weights=part**4)) + 0.5)
    if len(number) < 3:
        return start, end
    degree = 2 if len(number) > 5 else 1
    bend = np.polyfit(number, place, degree)
    off = np.abs(np.polyval(bend, number) - place)
    keep = off <= max(2.5 * float(np.median(off)), 1.0)
    if np.count_nonzero(keep) > degree + 1:
        bend = np.polyfit(np.array(number)[keep], np.array(place)[keep], degree)
    return float(np.polyval(bend, 0)), float(np.polyval(bend, n))


def _means(sums: np.ndarray, first: np.ndarray, last: np.ndarray) -> np.ndarray:
    """Means of samples from one place to another, from their cumulative sums; 0 where that is outside."""
    a, b = (np.clip(np.round(place), 0, len(sums) - 1).astype(int) for place in (first, last))
    return np.where(b > a, (sums[b] - sums[a]) / np.maximum(b - a, 1), 0.0)


def _all_one_way(light: np.ndarray, starts: np.ndarray, pitch: float, n: int) -> np.ndarray:
    """(starts,) whether the tones in a window rise or fall all along, far enough."""
    at = starts[:, None] + pitch * np.arange(n)
    levels = _means(light, np.maximum(at + 0.25 * pitch, 0.0), at + 0.75 * pitch)
    whole = levels[:, -1] - levels[:, 0]
    change = np.diff(levels, axis=1) * np.where(whole < 0, -1.0, 1.0)[:, None]
    return (change.min(axis=1) > -BACKWARDS) & (np.abs(whole) > LEAST_RANGE)


def _is_even(band: _Band, start: float, end: float, n: int) -> bool:
    """Whether most steps of a window have one tone, along as well as across."""
    bounds = np.linspace(start, end, n + 1)
    uneven = []
    for a, b in pairwise(bounds):
        first, last = round(a + 0.25 * (b - a)), round(a + 0.75 * (b - a))
        part = band.inside[first : max(last, first + 1)]
        uneven.append(np.abs(part - np.median(part, axis=(0, 1))).max(axis=-1).mean())
    return bool(np.median(uneven) < MOST_UNEVEN)


def _standing_out(profile: np.ndarray, beside: np.ndarray) -> np.ndarray:
    """(m,) how much a band differs from what lies to its left and right: 0 like ground, 1 certainly a step."""
    apart = np.abs(profile[:, None] - beside).max(axis=-1).min(axis=1)
    return np.clip(apart / 4.0, 0.0, 1.0)


def _ends_on_ground(stands_out: np.ndarray, starts: np.ndarray, pitch: float, n: int) -> np.ndarray:
    """(starts,) from -2 to 2: the first and the last step stand out, what lies beyond them does not."""

    def of(cell: int) -> np.ndarray:
        return _means(stands_out, starts + (cell + 0.3) * pitch, starts + (cell + 0.7) * pitch)

    return of(0) + of(n - 1) - of(-1) - of(n)


def _seen_edges(sums: np.ndarray, reach: int) -> np.ndarray:
    """How strongly an edge right across shows at each place, from cumulative sums. (m,) [lightness]"""
    m = len(sums) - 1
    at = np.arange(m)
    after = sums[np.minimum(at + 1 + reach, m)] - sums[np.minimum(at + 1, m)]
    before = sums[np.maximum(at - 1, 0)] - sums[np.maximum(at - 1 - reach, 0)]
    size = np.abs(np.median(after - before, axis=1)).max(axis=-1) / reach
    size[: 1 + reach] = size[m - 1 - reach :] = 0.0
    return size.astype(np.float32)


def _corners(band: _Band, start: float, end: float) -> np.ndarray:
    flat = np.array([[[0, start], [1, start], [1, end], [0, end]]], np.float32)
    return in_reading_direction(cv2.perspectiveTransform(flat, band.to_picture)[0].astype(float))
