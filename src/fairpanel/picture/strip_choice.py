"""Which of the candidates are strips: pieces joined, wide ones parted, faint ends carried on, doubles left
out.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from fairpanel.picture.change_points import Runs, runs_of_unknown_number
from fairpanel.picture.faint_ends import carried_on, gap_in_line, in_one_line, spanned
from fairpanel.picture.ground import Ground
from fairpanel.picture.patch_edges import direction_by_tones, profile_of, texture_of
from fairpanel.picture.quadrilaterals import (
    axis_of,
    in_reading_direction,
    length_px,
    part_of,
    straightened,
    width_px,
)
from fairpanel.picture.seams import parted_by_size
from fairpanel.picture.strip_candidates import Candidate, Search
from fairpanel.picture.strip_likeness import is_like_a_strip

#: What the frame leaves of a strip counts from this share of the usual width on. [1]
LEAST_REST = 0.1

#: Tones of facing ends are taken this near to them, as a share of half a piece; further in a rim is passed. [1]
NEAR_END = 0.05

#: Where a strip is hardly unlike the ground, crumbs of it stand out: at most this share of it. [1]
MOST_CRUMBS = 0.6

#: Where parts meet end to end a change of tone shows this near. [share of the length]
CUT_SHOWS = 0.03

#: At the ends of a piece this much may be ground. [px of the reduced picture]
END_PX = 6.0

#: What the frame has cut counts rather than a part of it that looks like a strip, if it is greater by this. [1]
MORE = 1.3

#: An end is lighter or darker than the ground from this difference on. [lightness]
LEAST_SIGN = 1.5


def settled(search: Search, expected: int | None) -> list[Candidate]:
    """Candidates with pieces joined, wide ones parted by size, faint ends carried on, doubles left out."""
    found = _by_size(_without_doubles(search), search.unresolved, search.tone, expected)
    taken = np.zeros(search.tone.shape[:2], np.uint8)
    for one in found:
        cv2.fillConvexPoly(taken, np.round(one.quad).astype(np.int32), 1)
    longer = []
    for one in found:
        own = np.zeros_like(taken)
        cv2.fillConvexPoly(own, np.round(one.quad).astype(np.int32), 1)
        others = taken * (1 - cv2.dilate(own, np.ones((5, 5), np.uint8)))
        longer.append(replace(one, quad=carried_on(search.tone, one.ground, one.quad, others), core=one.quad))
    longer = [one for one in longer if not (one.at_frame and any(_is_more(cut, one) for cut in search.cut))]
    sure = [*_joined(search.tone, longer), *_rests([cut for cut in search.cut if not cut.by_grain], longer)]
    missing = 0 if expected is None else max(expected - len(sure), 0)
    return sure + _rests([cut for cut in search.cut if cut.by_grain], sure)[:missing]


def _is_more(cut: Candidate, one: Candidate) -> bool:
    """Whether what the frame has cut was only in part taken for a whole strip."""
    return not cut.by_grain and cut.holds(one) and cut.area() > MORE * one.area()


def _rests(cut: list[Candidate], found: list[Candidate]) -> list[Candidate]:
    """What the frame has left of strips: no greater than the whole ones, of which there must be some."""
    whole = [one.quad for one in found if not one.at_frame]
    if len(whole) < 2:
        return []
    longest, width = max(map(length_px, whole)), float(np.median([width_px(quad) for quad in whole]))
    rests: list[Candidate] = []
    for one in cut:
        long, short = length_px(one.quad), width_px(one.quad)
        fits = 0.5 * width < long < 1.1 * longest and LEAST_REST * width < short < 1.2 * width
        if fits and not any(other.holds(one) or one.holds(other) for other in [*found, *rests]):
            rests.append(one)
    return rests


def _without_doubles(search: Search) -> list[Candidate]:
    """The greater of candidates that lie in one another; what lack of grain showed has to add."""
    kept: list[Candidate] = []
    for one in sorted((c for c in search.found if not c.by_grain), key=Candidate.area, reverse=True):
        if not any(other.holds(one) for other in kept):
            kept.append(one)
    for one in sorted(_grown(search, kept), key=Candidate.area, reverse=True):
        inner = [other for other in kept if one.holds(other)]
        if any(other.holds(one) and other.area() > 0.75 * one.area() for other in kept):
            continue
        seen = sum(other.area() for other in inner)
        parts_of_it = all(in_one_line(one.quad, other.quad) for other in inner) and one.area() > 1.2 * seen
        if parts_of_it or seen < MOST_CRUMBS * one.area():
            kept = [other for other in kept if not any(other is part for part in inner)] + [one]
    return kept


def _grown(search: Search, others: list[Candidate]) -> list[Candidate]:
    """What lack of grain showed, each put together with what continues it: grain is lost at steps of tone."""
    left = sorted((c for c in search.found if c.by_grain), key=Candidate.area, reverse=True)
    grown: list[Candidate] = []
    while left:
        one, beside = left.pop(0), [*left, *others]
        while True:
            whole = next((w for w in (_one_strip(search.tone, one, other) for other in beside) if w), None)
            if whole is None:
                break
            one = whole
            left = [other for other in left if not one.holds(other)]
            beside = [other for other in beside if not one.holds(other)]
        grown.append(one)
    return grown


def _one_strip(tone: np.ndarray, one: Candidate, other: Candidate) -> Candidate | None:
    """Two candidates as one, if they lie in one line and make one strip."""
    if not in_one_line(one.quad, other.quad):
        return None
    points = np.concatenate([one.quad, other.quad]).astype(np.float32)
    whole = in_reading_direction(cv2.boxPoints(cv2.minAreaRect(points)))
    if not is_like_a_strip(tone, whole):
        return None
    return Candidate(whole, one.ground, one.at_frame or other.at_frame, by_grain=True)


def _by_size(
    found: list[Candidate], unresolved: list[Candidate], tone: np.ndarray, expected: int | None
) -> list[Candidate]:
    """Rectangles as long as other strips and several times as wide, cut into strips as wide as those.

    Strips of one tone laid close show no line between them, and strips with a white rim show several; their
    size tells. Rectangles several times as long as others could as well be one long strip: they are cut only
    where the expected number says so.
    """
    for wide in unresolved:
        inner = [one for one in found if wide.holds(one)]
        others = [one for one in found if not any(one is part for part in inner)]
        spare = None if expected is None else max(expected - len(others), 0)
        parts = parted_by_size(wide.quad, [one.quad for one in others], spare=spare)
        cores = [part_of(part, left=0.25, right=0.75, start=0.12, end=0.88) for part in parts]
        if len(parts) > 1 and all(is_like_a_strip(tone, in_reading_direction(core)) for core in cores):
            found = others + [replace(wide, quad=in_reading_direction(part), sized=True) for part in parts]
    cut: list[Candidate] = []
    for k, one in enumerate(found):
        spare = None if expected is None else expected - (len(cut) + len(found) - k)
        sizes = [other.quad for other in found if other is not one]
        parts = parted_by_size(one.quad, sizes, spare=spare)
        if len(parts) > 1 and not _shows_cuts(tone, one.quad, parts):
            parts = [one.quad]
        sized = one.sized or len(parts) > 1
        cut += [replace(one, quad=in_reading_direction(part), sized=sized) for part in parts]
    return cut


def _shows_cuts(tone: np.ndarray, whole: np.ndarray, parts: list[np.ndarray]) -> bool:
    """Whether nothing speaks against parts laid end to end: the whole has one tone, or changes it where they meet."""
    if length_px(parts[0]) > 0.9 * length_px(whole):
        return True  # side by side
    runs = _runs_along(tone, whole)
    edges = runs.edges[1:-1] / runs.samples
    cuts = np.arange(1, len(parts)) / len(parts)
    return len(edges) == 0 or bool((np.abs(cuts[:, None] - edges).min(axis=1) < CUT_SHOWS).all())


def _runs_along(tone: np.ndarray, quad: np.ndarray) -> Runs:
    """Runs of even tone along a strip of the reduced picture, from its start."""
    strip = straightened(tone, quad, across=16, along=int(np.clip(length_px(quad), 48, 160)))
    return runs_of_unknown_number(profile_of(strip), texture=texture_of(strip))


def _joined(tone: np.ndarray, found: list[Candidate]) -> list[Candidate]:
    """Pieces of one strip whose middle steps look like the ground, put together."""
    found = list(found)
    for i in range(len(found)):
        for j in range(len(found) - 1, i, -1):
            one, other = found[i], found[j]
            if _are_one(tone, one, other):
                whole = spanned(one.quad, other.quad)
                found[i] = Candidate(whole, one.ground, one.at_frame or other.at_frame)
                del found[j]
    return found


def _are_one(tone: np.ndarray, one: Candidate, other: Candidate) -> bool:
    """Whether two pieces in one line are of one strip: overlapping, or with paper in between."""
    gap = gap_in_line(one.quad, other.quad)
    if gap is None:
        return False
    if gap < -0.05:
        return True
    core, core2 = (piece.quad if piece.core is None else piece.core for piece in (one, other))
    if _opposite(tone, one.ground, core, core2):
        runs, runs2 = (_runs_along(tone, _less_its_ends(quad)) for quad in (core, core2))
        if _go_one_way(core, core2, runs, runs2) and (
            min(len(runs.levels), len(runs2.levels)) > 1 or _room_for_a_step(core, core2, runs, runs2)
        ):
            return True
    return _same_grain(tone, one.ground, one.quad, other.quad)


def _less_its_ends(quad: np.ndarray) -> np.ndarray:
    """A piece without the pixels at its ends that are half ground."""
    spare = min(END_PX / length_px(quad), 0.2)
    return part_of(quad, left=0.0, right=1.0, start=spare, end=1.0 - spare)


def _room_for_a_step(one: np.ndarray, other: np.ndarray, runs: Runs, runs2: Runs) -> bool:
    """Whether a patch as short as the shortest of two pieces finds room between them, but for soft edges."""
    bare = gap_in_line(one, other)
    shortest = min(
        float(np.diff(r.edges).min()) / r.samples * length_px(quad) for r, quad in ((runs, one), (runs2, other))
    )
    return bare is not None and bare * width_px(one) > 0.5 * shortest


def _go_one_way(one: np.ndarray, other: np.ndarray, runs: Runs, runs2: Runs) -> bool:
    """Whether the tones of one piece go on in the other's."""
    if (other.mean(axis=0) - one.mean(axis=0)) @ axis_of(one) < 0:
        runs, runs2 = runs2, runs
    return direction_by_tones(np.concatenate([runs.levels, runs2.levels])) is not None


def _opposite(tone: np.ndarray, ground: Ground, one: np.ndarray, other: np.ndarray) -> bool:
    """Whether the facing ends are one lighter, one darker than the ground: a step in between may equal it."""
    centre1, centre2 = one.mean(axis=0), other.mean(axis=0)
    signs = []
    for quad, towards in ((one, centre2), (other, centre1)):
        ends = np.array([quad[:2].mean(axis=0), quad[2:].mean(axis=0)])
        near = ends[np.argmin(np.linalg.norm(ends - towards, axis=1))]
        inwards = quad.mean(axis=0) - near
        x, y = np.round(near + max(NEAR_END, 3.0 / float(np.linalg.norm(inwards))) * inwards).astype(int)
        x, y = np.clip(x, 0, tone.shape[1] - 1), np.clip(y, 0, tone.shape[0] - 1)
        signs.append(float((tone[y, x] - ground.surface[y, x]).mean()))
    return signs[0] * signs[1] < 0 and min(abs(sign) for sign in signs) > LEAST_SIGN


def _same_grain(tone: np.ndarray, ground: Ground, one: np.ndarray, other: np.ndarray) -> bool:
    """Whether what lies between two pieces is as smooth as they are, on a ground that is not."""
    towards = other.mean(axis=0) - one.mean(axis=0)
    near = [
        q[np.argsort(sign * ((q - q.mean(axis=0)) @ towards))[:2]].mean(axis=0) for q, sign in ((one, -1), (other, 1))
    ]
    x, y = np.round((near[0] + near[1]) / 2).astype(int)
    reach = max(3, round(0.3 * min(float(np.linalg.norm(near[1] - near[0])), width_px(one))))
    smooth = ground.smoothness(tone)
    if smooth is None or not (reach <= x < tone.shape[1] - reach and reach <= y < tone.shape[0] - reach):
        return False
    return bool(np.median(smooth[y - reach : y + reach + 1, x - reach : x + reach + 1]) > 0.9)
