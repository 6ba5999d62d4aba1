"""Loose strips in a scan or photo, without the mat.

A reduced picture serves to find them: what differs from the ground, cut into rectangles, in which the tone
changes along the strip but not across it. Things that are no strips but hold some (a sheet of paper on a
table, a light box, a card) are looked at again with their own ground. Outlines are then moved to the edges
seen at full scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from fairpanel.picture.change_points import Runs
from fairpanel.picture.edge_lines import refined
from fairpanel.picture.faint_ends import belong_together, carried_on, in_one_line
from fairpanel.picture.ground import Ground, find_ground, tones
from fairpanel.picture.patch_edges import direction_by_tones, look_along, score_of, strip_tones
from fairpanel.picture.quadrilaterals import (
    in_reading_direction,
    length_px,
    part_of,
    signed_area,
    straightened,
    width_px,
)
from fairpanel.picture.rectangles import (
    Fitted,
    Piece,
    cut_into_rectangles,
    filled,
    fitted,
    is_convex,
    pieces_of,
    within,
)
from fairpanel.picture.seams import HALF_SEEN, SEEN, end_to_end, parted, parted_by_size
from fairpanel.picture.upright import Upright

#: Pixels of the reduced picture in which strips are looked for. [px]
REDUCED = 0.85e6

#: Smallest strip, as a share of the picture's area. [1]
LEAST_AREA = 0.002

#: Narrowest strip in the reduced picture. [px]
LEAST_WIDTH = 10.0

#: Least ratio of length to width of a strip; squares are taken for something else. [1]
LEAST_ASPECT = 1.5

#: A strip with one patch covers at most this share of the picture; what covers more is a sheet or a table.
#: [1]
MOST_PLAIN = 0.3

#: Things looked at in one picture; a picture of gravel must not take minutes.
MOST_LOOKS = 150

#: Limits at which places smoother than a rough ground are looked for; at a low one pale strips run together.
SMOOTH_LIMITS = (1.0, 1.16, 1.35)

#: What is left after cutting, if its tone changes only along it, may be this much off a rectangle. [1]
RAGGED = 0.05

#: The frame may cut off a corner: a thing at the frame may be this much off a rectangle. [1]
CORNER_CUT = 0.15

#: Things that differ from a rectangle by more than this are not cut along lines that run through them. [1]
MOST_MISFIT = 0.35

#: What the frame leaves of a strip counts from this share of the usual width on. [1]
LEAST_REST = 0.1

#: A pixel is off the tone of its row from here on, and this share of a strip's pixels may be (print, dirt,
#: glare).
OFF_TONE = 4.0
OFF_SHARE = 0.14


@dataclass(frozen=True)
class FoundStrip:
    """A strip found in a picture.

    Parameters
    ----------
    outline : (4, 2) array
        Start left, start right, end right, end left; the start is the left or top end. [px of the upright
        picture]
    patches : int
        Number of patches it shows; patches that look alike count as one.
    edges : (patches - 1,) array
        Where they meet, as shares of the outline's length from its start. [1]
    levels : (patches, 3) array
        Tones of the patches, for ordering and comparing only. [lightness]
    direction : {"darkens", "lightens", None}
        How the tones run from the start; None where they go both ways or there is one patch.
    touches_frame : bool
        It runs to the edge of the picture and may go on outside: not to be read.
    score : float
        0 to 1: how well it fits a strip. [1]
    """

    outline: np.ndarray
    patches: int
    edges: np.ndarray
    levels: np.ndarray
    direction: str | None
    touches_frame: bool
    score: float

    @property
    def centre(self) -> np.ndarray:
        """(2,) array. [px]"""
        return self.outline.mean(axis=0)

    @property
    def length_px(self) -> float:
        """Start to end. [px]"""
        return length_px(self.outline)

    @property
    def width_px(self) -> float:
        """Side to side. [px]"""
        return width_px(self.outline)


@dataclass(frozen=True)
class _Candidate:
    """A quadrilateral of the reduced picture.

    With the ground it lies on, whether it runs to the frame, whether only its lack of grain showed it, and
    whether it is the rest of a strip cut by the frame, of whatever shape.
    """

    quad: np.ndarray
    ground: Ground
    at_frame: bool
    by_grain: bool = False
    cut: bool = False

    def area(self) -> float:
        """[px^2 of the reduced picture]"""
        return abs(signed_area(self.quad))

    def holds(self, other: _Candidate) -> bool:
        """Whether the other's centre lies in this one."""
        x, y = other.quad.mean(axis=0)
        return cv2.pointPolygonTest(self.quad.astype(np.float32), (float(x), float(y)), False) >= 0


@dataclass
class _Search:
    """What one look at the reduced picture needs all along."""

    tone: np.ndarray
    factor: int
    least_area: float
    found: list[_Candidate]
    unresolved: list[_Candidate]
    cut: list[_Candidate]
    looks_left: int = MOST_LOOKS


def find_strips(picture: Upright, expected: int | None = None) -> list[FoundStrip]:
    """The strips in a picture, in reading order.

    Parameters
    ----------
    picture : Upright
    expected : int, optional
        How many strips there should be. It only decides where the picture leaves open whether a rectangle is
        one strip or several laid close together; strips are neither made up nor dropped to reach it.

    Returns
    -------
    list of FoundStrip
        Empty where there are none. Strips at the edge of the frame are among them, marked.
    """
    small, factor = _reduced(picture.pixels)
    tone = tones(small, picture.transfer)
    search = _Search(tone, factor, max(60.0, LEAST_AREA * tone.shape[0] * tone.shape[1]), [], [], [])
    _look(search, None, depth=0)
    strips = [_described(picture, one, factor) for one in _settled(search, expected)]
    return reading_order(_sensible([strip for strip in strips if strip is not None], picture))


def reading_order(strips: Sequence[FoundStrip]) -> list[FoundStrip]:
    """Strips in reading order.

    A strip whose centre lies within the height of the row's topmost strip belongs to that row; rows from the
    top, within a row left to right.
    """
    waiting = sorted(strips, key=lambda strip: strip.outline[:, 1].min())
    ordered: list[FoundStrip] = []
    while waiting:
        top, bottom = waiting[0].outline[:, 1].min(), waiting[0].outline[:, 1].max()
        row = [s for s in waiting if s is waiting[0] or top <= s.centre[1] <= bottom]
        ordered += sorted(row, key=lambda strip: strip.centre[0])
        waiting = [s for s in waiting if not any(s is other for other in row)]
    return ordered


def as_step_strip(strips: Sequence[FoundStrip], n_steps: int) -> FoundStrip | None:
    """The longest strip with as many patches as there are steps.

    Where none shows exactly that many, the longest whose visible edges fit that many patches of equal width
    is taken: light steps beside the unexposed one, and saturated ones, often look alike. None where nothing
    fits.

    Parameters
    ----------
    strips : sequence of FoundStrip
    n_steps : int
        Number of steps, the unexposed one included.
    """
    whole = [strip for strip in strips if not strip.touches_frame]
    exact = [strip for strip in whole if strip.patches == n_steps and (n_steps < 3 or strip.direction)]
    fitting = [strip for strip in whole if strip.direction and _fits_steps(strip, n_steps)]
    for candidates in (exact, fitting, [strip for strip in whole if strip.patches == n_steps]):
        if candidates:
            return max(candidates, key=lambda strip: strip.length_px)
    return None


def _fits_steps(strip: FoundStrip, n_steps: int) -> bool:
    """Whether the visible edges lie where edges of n equal steps would, most of the steps being visible."""
    if not 0.55 * n_steps <= strip.patches < n_steps:
        return False
    grid = np.arange(1, n_steps) / n_steps
    off = np.abs(strip.edges[:, None] - grid).min(axis=1) * n_steps
    return bool(np.max(off) < 0.22)


# ---- the reduced picture -----------------------------------------------------------------------------------


def _reduced(pixels: np.ndarray) -> tuple[np.ndarray, int]:
    """The picture at about a megapixel, and how many of its pixels go to one of these along a side."""
    factor = max(1, round(float(np.sqrt(pixels.shape[0] * pixels.shape[1] / REDUCED))))
    height, width = pixels.shape[0] // factor, pixels.shape[1] // factor
    if factor == 1 or min(height, width) == 0:
        return pixels, 1
    whole = pixels[: height * factor, : width * factor]
    return cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), factor


def _look(search: _Search, domain: Piece | None, depth: int) -> None:
    """Look for strips on the ground of the whole picture or of one thing in it."""
    x, y, tone = 0, 0, search.tone
    inside = None
    if domain is not None:
        x, y = domain.x, domain.y
        height, width = domain.mask.shape
        tone = tone[y : y + height, x : x + width]
        inside = domain.mask.astype(bool)
    if min(tone.shape[:2]) < 2 * LEAST_WIDTH or search.looks_left < 0:
        return
    ground = find_ground(tone, inside)
    if ground is None:
        return
    whole = _placed_ground(ground, x, y, search.tone.shape)
    clear = ground.standing_out(tone)
    for piece in pieces_of(_unlike(clear, 1.0, inside), least_area=search.least_area, x=x, y=y):
        own = clear[piece.y - y :, piece.x - x :][: piece.mask.shape[0], : piece.mask.shape[1]]
        _examine(search, _Thing(filled(piece), own, whole), depth)
    smooth = ground.smoothness(tone)
    if smooth is None:
        return
    for limit in SMOOTH_LIMITS:
        for piece in pieces_of(_unlike(smooth, limit, inside), least_area=search.least_area, x=x, y=y):
            piece = filled(piece)
            _take(search, piece, fitted(piece), whole, by_grain=True)


@dataclass
class _Thing:
    """A connected piece, how clearly its pixels stand out, and the ground it lies on."""

    piece: Piece
    clear: np.ndarray
    ground: Ground


def _examine(search: _Search, thing: _Thing, depth: int) -> None:
    """Keep the strips a thing is made of; look again at what is no strip."""
    if search.looks_left < 0:
        return
    fit = fitted(thing.piece)
    if _take(search, thing.piece, fit, thing.ground):
        return
    if is_like_a_strip(search.tone, in_reading_direction(fit.quad)) and _sharper(search, thing):
        return
    for part, part_fit in cut_into_rectangles(thing.piece, least_area=int(search.least_area)):
        if _take(search, part, part_fit, thing.ground):
            continue
        dx, dy = part.x - thing.piece.x, part.y - thing.piece.y
        own = thing.clear[dy : dy + part.mask.shape[0], dx : dx + part.mask.shape[1]]
        left = _Thing(part, own, thing.ground)
        if _sharper(search, left) or _take(search, part, part_fit, thing.ground, ragged=RAGGED):
            continue
        if depth < 2 and part.area > 20 * search.least_area:
            _look(search, part, depth + 1)


def _sharper(search: _Search, thing: _Thing) -> bool:
    """Keep the strips seen at a higher limit, where a thing is ragged next to its ground."""
    for times in (2.5, 6.0):
        mask = _unlike(thing.clear, times, None) & thing.piece.mask
        pieces = pieces_of(mask, least_area=search.least_area, x=thing.piece.x, y=thing.piece.y)
        taken = [_take(search, filled(piece), fitted(filled(piece)), thing.ground) for piece in pieces]
        if any(taken):
            return True
    return False


def _unlike(clear: np.ndarray, limit: float, inside: np.ndarray | None) -> np.ndarray:
    """Mask of what differs from the ground, thin lines left out."""
    mask = (clear > limit).astype(np.uint8)
    if inside is not None:
        mask &= cv2.erode(np.pad(inside.astype(np.uint8), 1), np.ones((7, 7), np.uint8))[1:-1, 1:-1]
    return cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))


def _placed_ground(ground: Ground, x: int, y: int, shape: tuple[int, ...]) -> Ground:
    """A ground of a part of the picture, as one of the whole; unknown outside."""
    if ground.surface.shape[:2] == shape[:2]:
        return ground
    surface = np.full((*shape[:2], 3), np.nan, np.float32)
    surface[y : y + ground.surface.shape[0], x : x + ground.surface.shape[1]] = ground.surface
    return replace(ground, surface=surface)


def _take(
    search: _Search, part: Piece, fit: Fitted, ground: Ground, *, by_grain: bool = False, ragged: float = 0.0
) -> bool:
    """Keep a rectangle that is a strip, or several laid side by side; False if it is neither."""
    search.looks_left -= 1
    if search.looks_left < 0:
        return False
    at_frame = _at_frame(part, search.tone.shape)
    quad = in_reading_direction(fit.quad)
    most_misfit = CORNER_CUT if at_frame else ragged
    alike = is_like_a_strip(search.tone, quad)
    quads = end_to_end(search.tone, quad) if alike and (fit.good or fit.misfit < most_misfit) else []
    if not alike and not at_frame and fit.misfit < MOST_MISFIT:
        quads = _side_by_side(search.tone, quad, part)
    search.found += [_Candidate(one, ground, at_frame, by_grain) for one in quads]
    if not quads and at_frame and not by_grain and is_convex(part):
        search.cut.append(_Candidate(quad, ground, at_frame=True, cut=True))
    if not quads and fit.good:
        search.unresolved.append(_Candidate(quad, ground, at_frame))
    return bool(quads)


def _at_frame(part: Piece, shape: tuple[int, ...]) -> bool:
    height, width = part.mask.shape
    return part.x <= 1 or part.y <= 1 or part.x + width >= shape[1] - 1 or part.y + height >= shape[0] - 1


def is_like_a_strip(tone: np.ndarray, quad: np.ndarray) -> bool:
    """Whether the tone inside a quadrilateral changes along it but not across it."""
    if width_px(quad) < LEAST_WIDTH:
        return False
    along = int(np.clip(length_px(quad), 24, 200))
    return changes_only_along(straightened(tone, quad, across=24, along=along))


def changes_only_along(strip: np.ndarray) -> bool:
    """Whether a straightened strip has one tone in each row, but for print, dirt or glare."""
    along, across = strip.shape[:2]
    sixth = across // 6
    inner = strip[round(0.04 * along) : round(0.96 * along), sixth:-sixth]
    off = np.abs(inner - np.median(inner, axis=1, keepdims=True)).max(axis=-1)
    limit = max(OFF_TONE, 3.0 * float(np.median(off)))
    return bool(limit < 3 * OFF_TONE and np.mean(off > limit) < OFF_SHARE)


def _side_by_side(tone: np.ndarray, quad: np.ndarray, piece: Piece) -> list[np.ndarray]:
    """The strips a piece is made of, cut along lines right through it, if all of it is strips."""
    for seen, lengthwise in ((SEEN, True), (SEEN, False), (HALF_SEEN, True), (HALF_SEEN, False)):
        parts = parted(tone, quad, lengthwise=lengthwise, seen=seen)
        if not 2 <= len(parts) <= 24:
            continue
        fits = [within(piece, part) for part in parts]
        if all(fit is not None and fit.good for fit in fits):
            quads = [in_reading_direction(fit.quad) for fit in fits if fit is not None]
            if all(is_like_a_strip(tone, one) for one in quads):
                return quads
    return []


# ---- what belongs together, what does not ------------------------------------------------------------------


def _settled(search: _Search, expected: int | None) -> list[_Candidate]:
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
        longer.append(replace(one, quad=carried_on(search.tone, one.ground, one.quad, others)))
    return [*_joined(search.tone, longer), *_rests(search.cut, longer)]


def _rests(cut: list[_Candidate], found: list[_Candidate]) -> list[_Candidate]:
    """What the frame has left of strips: no greater than the whole ones, of which there must be some."""
    whole = [one.quad for one in found if not one.at_frame]
    if len(whole) < 2:
        return []
    longest, width = max(map(length_px, whole)), float(np.median([width_px(quad) for quad in whole]))
    rests: list[_Candidate] = []
    for one in cut:
        long, short = length_px(one.quad), width_px(one.quad)
        fits = 0.5 * width < long < 1.1 * longest and LEAST_REST * width < short < 1.2 * width
        if fits and not any(other.holds(one) or one.holds(other) for other in [*found, *rests]):
            rests.append(one)
    return rests


def _without_doubles(search: _Search) -> list[_Candidate]:
    """The greater of candidates that lie in one another; what lack of grain showed has to add."""
    kept: list[_Candidate] = []
    for one in sorted((c for c in search.found if not c.by_grain), key=_Candidate.area, reverse=True):
        if not any(other.holds(one) for other in kept):
            kept.append(one)
    for one in sorted(_grown(search, kept), key=_Candidate.area, reverse=True):
        inner = [other for other in kept if one.holds(other)]
        if any(other.holds(one) and other.area() > 0.75 * one.area() for other in kept):
            continue
        parts_of_it = all(in_one_line(one.quad, other.quad) for other in inner)
        if parts_of_it and one.area() > 1.2 * sum(other.area() for other in inner):
            kept = [other for other in kept if not any(other is part for part in inner)] + [one]
    return kept


def _grown(search: _Search, others: list[_Candidate]) -> list[_Candidate]:
    """What lack of grain showed, each put together with what continues it: grain is lost at steps of tone."""
    left = sorted((c for c in search.found if c.by_grain), key=_Candidate.area, reverse=True)
    grown: list[_Candidate] = []
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


def _one_strip(tone: np.ndarray, one: _Candidate, other: _Candidate) -> _Candidate | None:
    """Two candidates as one, if they lie in one line and make one strip."""
    if not in_one_line(one.quad, other.quad):
        return None
    points = np.concatenate([one.quad, other.quad]).astype(np.float32)
    whole = in_reading_direction(cv2.boxPoints(cv2.minAreaRect(points)))
    if not is_like_a_strip(tone, whole):
        return None
    return _Candidate(whole, one.ground, one.at_frame or other.at_frame, by_grain=True)


def _by_size(
    found: list[_Candidate], unresolved: list[_Candidate], tone: np.ndarray, expected: int | None
) -> list[_Candidate]:
    """Rectangles as long as other strips and several times as wide, cut into strips as wide as those.

    Strips of one tone laid close show no line between them, and strips with a white rim show several; their
    size tells. Rectangles several times as long as others could as well be one long strip: they are cut only
    where the expected number says so.
    """
    for wide in unresolved:
        inner = [one for one in found if wide.holds(one)]
        others = [one for one in found if not any(one is part for part in inner)]
        parts = parted_by_size(wide.quad, [one.quad for one in others], spare=None)
        cores = [part_of(part, left=0.25, right=0.75, start=0.12, end=0.88) for part in parts]
        if len(parts) > 1 and all(is_like_a_strip(tone, in_reading_direction(core)) for core in cores):
            found = others + [replace(wide, quad=in_reading_direction(part)) for part in parts]
    cut: list[_Candidate] = []
    for k, one in enumerate(found):
        spare = None if expected is None else expected - (len(cut) + len(found) - k)
        others = [other.quad for other in found if other is not one]
        cut += [replace(one, quad=in_reading_direction(q)) for q in parted_by_size(one.quad, others, spare=spare)]
    return cut


def _joined(tone: np.ndarray, found: list[_Candidate]) -> list[_Candidate]:
    """Pieces of one strip whose middle steps look like the ground, put together."""
    found = list(found)
    for i in range(len(found)):
        for j in range(len(found) - 1, i, -1):
            one, other = found[i], found[j]
            if not belong_together(one.quad, other.quad):
                continue
            ground = one.ground
            if _opposite(tone, ground, one.quad, other.quad) or _same_grain(tone, ground, one.quad, other.quad):
                points = np.concatenate([one.quad, other.quad]).astype(np.float32)
                whole = in_reading_direction(cv2.boxPoints(cv2.minAreaRect(points)))
                found[i] = _Candidate(whole, one.ground, one.at_frame or other.at_frame)
                del found[j]
    return found


def _opposite(tone: np.ndarray, ground: Ground, one: np.ndarray, other: np.ndarray) -> bool:
    """Whether the facing ends are one lighter, one darker than the ground: a step in between may equal it."""
    centre1, centre2 = one.mean(axis=0), other.mean(axis=0)
    signs = []
    for quad, towards in ((one, centre2), (other, centre1)):
        ends = np.array([quad[:2].mean(axis=0), quad[2:].mean(axis=0)])
        near = ends[np.argmin(np.linalg.norm(ends - towards, axis=1))]
        x, y = np.round(near + 0.12 * (quad.mean(axis=0) - near)).astype(int)
        x, y = np.clip(x, 0, tone.shape[1] - 1), np.clip(y, 0, tone.shape[0] - 1)
        signs.append(float((tone[y, x] - ground.surface[y, x]).mean()))
    return signs[0] * signs[1] < 0 and min(abs(sign) for sign in signs) > OFF_TONE


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


# ---- what is told of a strip -------------------------------------------------------------------------------


def _described(picture: Upright, found: _Candidate, factor: int) -> FoundStrip | None:
    """A strip at full scale with its patches; None where it does not hold up."""
    quad = (found.quad + 0.5) * factor - 0.5
    refined_quad, clear = refined(picture, quad, reach_px=3.5 * factor + 4.0)
    if (found.at_frame or found.by_grain) and np.count_nonzero(clear) < 2:
        return None
    if not found.cut:
        quad = in_reading_direction(refined_quad)
    frame = np.array([picture.width, picture.height]) - 1.0
    margin = 1.5 * factor
    touches = bool(np.any(quad < margin) or np.any(quad > frame - margin)) or found.at_frame
    strip = strip_tones(picture, quad)
    if not found.cut and (not changes_only_along(strip) or length_px(quad) < LEAST_ASPECT * width_px(quad)):
        return None
    runs = look_along(strip, quad)
    edges = runs.edges[1:-1] / runs.samples
    return FoundStrip(
        quad,
        len(runs.levels),
        edges,
        runs.levels,
        direction_by_tones(runs.levels),
        touches,
        _score(quad, runs),
    )


def _score(quad: np.ndarray, runs: Runs) -> float:
    """0 to 1: even runs, clear edges, sides alike."""
    sides = np.linalg.norm(np.roll(quad, -1, axis=0) - quad, axis=1)
    alike = min(sides[0], sides[2]) / max(sides[0], sides[2]) * min(sides[1], sides[3]) / max(sides[1], sides[3])
    return float(alike * score_of(runs))


def _sensible(strips: list[FoundStrip], picture: Upright) -> list[FoundStrip]:
    """Strips without the things that cannot be any.

    Plain sheets, dark bands along the frame, crumbs, and what reaches into the picture with another width
    than the strips in it.
    """
    area = picture.width * picture.height
    kept = [s for s in strips if s.patches > 1 or s.length_px * s.width_px < MOST_PLAIN * area]
    kept = [s for s in kept if not _is_frame_band(s, picture)]
    if not kept:
        return kept
    usual = float(np.median([s.width_px for s in kept]))
    kept = [s for s in kept if s.touches_frame or s.width_px > 0.3 * usual]
    whole = [s.width_px for s in kept if not s.touches_frame]
    if len(whole) < 2:
        return kept
    usual = float(np.median(whole))
    return [s for s in kept if not s.touches_frame or s.width_px / usual < 2.0]


def _is_frame_band(strip: FoundStrip, picture: Upright) -> bool:
    """A plain band along one side of the frame: the rim of a scan, not a strip."""
    side = picture.width if abs(strip.outline[2, 0] - strip.outline[0, 0]) > strip.width_px * 1.5 else picture.height
    return strip.touches_frame and strip.patches <= 2 and strip.length_px > 0.8 * side
