"""Looking along a row of edges: where steps of a given number lie, and whether there are just so many."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np

#: Edges stand square to their row, but for the slant of the view. [degrees]
MOST_SKEW = 14.0
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
#: Reaches over which a change of tone is looked for. [px]
REACHES = (2, 3, 5, 8, 12)
#: An edge between steps that is not seen speaks against a window as much as this share of a seen one speaks for it;
#: so does a step that stands out beyond it. [1]
UNSEEN, BEYOND = 0.6, 1.0
#: Steps looked at beyond the ends of a window.
MOST_BEYOND = 8


@dataclass(frozen=True)
class Window:
    """Steps along a band: how well they fit, where they start and end [px along], how many, and the reach used."""

    score: float
    start: float
    end: float
    steps: int
    reach: int

    @property
    def pitch(self) -> float:
        """[px]"""
        return (self.end - self.start) / self.steps


@dataclass(frozen=True)
class Band:
    """Tones along a row of edges, as far as the picture goes.

    Parameters
    ----------
    inside : (m, blocks, 3) array
        Tones a pixel apart along, in blocks across. [lightness]
    light, stands_out : (m + 1,) arrays
        Cumulative sums of the middle tone, and of how much it differs from what lies beside (0 to 1).
    seen : mapping reach -> (m,) array
        How strongly an edge right across shows at each place. [lightness]
    to_picture : (3, 3) array
        From (share of the width, px along) to pixels of the picture.
    """

    inside: np.ndarray
    light: np.ndarray
    stands_out: np.ndarray
    seen: dict[int, np.ndarray]
    to_picture: np.ndarray

    def corners(self, window: Window) -> np.ndarray:
        """(4, 2) corners of a window in the picture, cut off where the picture ends. [px]"""
        start, end = max(window.start, 0.0), min(window.end, float(len(self.inside)))
        flat = np.array([[[0, start], [1, start], [1, end], [0, end]]], np.float32)
        return cv2.perspectiveTransform(flat, self.to_picture)[0].astype(float)


def band_along(tone: np.ndarray, middle: np.ndarray, axis: np.ndarray, across: np.ndarray) -> Band | None:
    """The band along a row of edges, given a point on its middle line, that line's direction and the way across."""
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
    profile = np.median(inside, axis=1)
    sums = np.concatenate([np.zeros((1, blocks, 3)), np.cumsum(inside, axis=0)])
    return Band(
        inside,
        np.concatenate([[0.0], np.cumsum(profile.mean(axis=-1))]),
        np.concatenate([[0.0], np.cumsum(_standing_out(profile, beside))]),
        {reach: _seen_edges(sums, reach) for reach in REACHES},
        to_picture,
    )


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


def _standing_out(profile: np.ndarray, beside: np.ndarray) -> np.ndarray:
    """(m,) how much a band differs from what lies to its left and right: 0 like ground, 1 certainly a step."""
    apart = np.abs(profile[:, None] - beside).max(axis=-1).min(axis=1)
    return np.clip(apart / 4.0, 0.0, 1.0)


def _seen_edges(sums: np.ndarray, reach: int) -> np.ndarray:
    """How strongly an edge right across shows at each place, from cumulative sums. (m,) [lightness]"""
    m = len(sums) - 1
    at = np.arange(m)
    after = sums[np.minimum(at + 1 + reach, m)] - sums[np.minimum(at + 1, m)]
    before = sums[np.maximum(at - 1, 0)] - sums[np.maximum(at - 1 - reach, 0)]
    size = np.abs(np.median(after - before, axis=1)).max(axis=-1) / reach
    size[: 1 + reach] = size[m - 1 - reach :] = 0.0
    return size.astype(np.float32)


# ---- steps along a band ----------------------------------------------------------------------------------------


def best_window(
    band: Band, n: int, *, shortest: float = 0.0, longest: float = np.inf, tries: int = 140
) -> Window | None:
    """The n evenly spaced steps that fit the tones along a band best.

    Parameters
    ----------
    band : Band
    n : int
    shortest, longest : float
        Of one step. [px]
    tries : int
        Lengths of a step that are tried.
    """
    m = len(band.inside)
    first, last = max(6.0, 0.1 * m / n, shortest), min(1.02 * m / n, longest)
    best: Window | None = None
    for pitch in np.geomspace(first, last, tries) if last > first else ():
        starts = np.arange(-0.2 * pitch, m - 0.8 * pitch * n, max(1.0, pitch / 12))
        starts = starts[starts + pitch * n < m + 0.2 * pitch]
        if len(starts) == 0:
            continue
        reach = max(r for r in REACHES if r <= max(0.3 * pitch, 2))
        evidence = _evidence(band, starts[:, None] + pitch * np.arange(n + 1), reach)
        inner, ends = evidence[:, 1:-1].mean(axis=1), evidence[:, [0, -1]].sum(axis=1)
        score = inner + ENDS / n * (ends + _ends_on_ground(band.stands_out, starts, pitch, n))
        score[(inner < LEAST_SEEN) | ~_all_one_way(band.light, starts, pitch, n)] = 0.0
        k = int(np.argmax(score))
        if score[k] > (best.score if best else 0.0):
            best = Window(float(score[k]), float(starts[k]), float(starts[k] + n * pitch), n, reach)
    if best is None or not _is_even(band, best):
        return None
    return _bent(band.seen[best.reach], best)


def _evidence(band: Band, lines: np.ndarray, reach: int) -> np.ndarray:
    """(k, n + 1) from 0 to 1: whether edges show at lines and, for those between steps, not beside them."""
    seen, m = band.seen[reach], len(band.inside)
    pitch = float(np.median(np.diff(lines, axis=1)))
    near = 2 * max(1, round(0.07 * pitch)) + 1
    clear = cv2.dilate(seen[:, None], np.ones((near, 1), np.uint8))[:, 0]
    at = np.clip(np.round(lines), 0, m - 1).astype(int)
    middles = np.clip(np.round((lines[:, 1:] + lines[:, :-1]) / 2), 0, m - 1).astype(int)
    edge, within = clear[at], seen[middles]
    edge[:, 1:-1] -= np.maximum(within[:, :-1], within[:, 1:])
    return np.clip(edge / SEEN, 0.0, 1.0)


def worth(band: Band, window: Window) -> float:
    """How much speaks for a window, to be compared between different numbers of steps along one band.

    Edges seen speak for it, edges not seen and steps that stand out beyond its ends against it.
    """
    n, pitch = window.steps, window.pitch
    lines = window.start + pitch * np.arange(n + 1)
    evidence = _evidence(band, lines[None], window.reach)[0]
    total = float((evidence[1:-1] - UNSEEN).sum() + 0.5 * (evidence[0] + evidence[-1]))
    total += float(_ends_on_ground(band.stands_out, np.array([window.start]), pitch, n, beyond=False)[0])
    for way, first in ((-1, window.start - pitch), (1, window.end)):
        for k in range(MOST_BEYOND):
            at = first + way * k * pitch
            shows = float(_means(band.stands_out, np.array(at + 0.3 * pitch), np.array(at + 0.7 * pitch)))
            if shows < 0.4:
                break
            total -= BEYOND * shows
    return total


def _bent(seen: np.ndarray, window: Window) -> Window:
    """The window with start and end as its edges say: towards the far end of a slanted view steps get narrower."""
    start, n, pitch = window.start, window.steps, window.pitch
    near = max(2, round(0.18 * pitch))
    number, place = [], []
    for k in range(1, n):
        line = round(start + k * pitch)
        part = seen[max(line - near, 0) : line + near + 1]
        if len(part) and part.max() > SEEN:
            number.append(k)
            place.append(max(line - near, 0) + float(np.average(np.arange(len(part)), weights=part**4)) + 0.5)
    if len(number) < 3:
        return window
    degree = 2 if len(number) > 5 else 1
    bend = np.polyfit(number, place, degree)
    off = np.abs(np.polyval(bend, number) - place)
    keep = off <= max(2.5 * float(np.median(off)), 1.0)
    if np.count_nonzero(keep) > degree + 1:
        bend = np.polyfit(np.array(number)[keep], np.array(place)[keep], degree)
    return replace(window, start=float(np.polyval(bend, 0)), end=float(np.polyval(bend, n)))


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


def _is_even(band: Band, window: Window) -> bool:
    """Whether most steps of a window have one tone, along as well as across."""
    start, end = max(window.start, 0.0), min(window.end, float(len(band.inside)))
    bounds = np.linspace(start, end, window.steps + 1)
    uneven = []
    for a, b in pairwise(bounds):
        first, last = round(a + 0.25 * (b - a)), round(a + 0.75 * (b - a))
        part = band.inside[first : max(last, first + 1)]
        uneven.append(np.abs(part - np.median(part, axis=(0, 1))).max(axis=-1).mean())
    return bool(np.median(uneven) < MOST_UNEVEN)


def _ends_on_ground(
    stands_out: np.ndarray, starts: np.ndarray, pitch: float, n: int, *, beyond: bool = True
) -> np.ndarray:
    """(starts,) from -2 to 2: the first and the last step stand out, what lies beyond them does not."""

    def of(cell: int) -> np.ndarray:
        return _means(stands_out, starts + (cell + 0.3) * pitch, starts + (cell + 0.7) * pitch)

    stands = of(0) + of(n - 1)
    return stands - of(-1) - of(n) if beyond else stands
