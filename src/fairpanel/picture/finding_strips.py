"""Loose strips in a scan or photo, without the mat.

A reduced picture serves to find them: what differs from the ground, cut into rectangles, in which the tone
changes along the strip but not across it. Things that are no strips but hold some (a sheet of paper on a
table, a light box, a card) are looked at again with their own ground. Outlines are then moved to the edges
seen at full scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from fairpanel.picture.change_points import Runs
from fairpanel.picture.edge_lines import refined
from fairpanel.picture.faint_ends import belong_together, carried_on
from fairpanel.picture.ground import Ground, find_ground, tones
from fairpanel.picture.patch_edges import direction_by_tones, look_along, score_of
from fairpanel.picture.quadrilaterals import (
    in_reading_direction,
    length_px,
    signed_area,
    straightened,
    width_px,
)
from fairpanel.picture.rectangles import Fitted, Piece, cut_into_rectangles, filled, fitted, pieces_of, within
from fairpanel.picture.seams import end_to_end, parted, parted_by_size
from fairpanel.picture.upright import Upright

#: Pixels of the reduced picture in which strips are looked for. [px]
REDUCED = 1.1e6

#: A pixel belongs to a thing from this distance to the ground on. [spreads of the ground]
DISTANT = 4.5

#: Smallest strip, as a share of the picture's area. [1]
LEAST_AREA = 0.0008

#: Narrowest strip in the reduced picture. [px]
LEAST_WIDTH = 9.0

#: Least ratio of length to width of a strip with one patch; squares are taken for something else. [1]
LEAST_ASPECT = 1.2

#: A strip with one patch covers at most this share of the picture; what covers more is a sheet or a table.
#: [1]
MOST_PLAIN = 0.3

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


@dataclass
class _Search:
    """What one look at the reduced picture needs all along."""

    tone: np.ndarray
    factor: int
    least_area: float
    found: list[tuple[np.ndarray, Ground, bool]]


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
    search = _Search(tone, factor, max(60.0, LEAST_AREA * tone.shape[0] * tone.shape[1]), [])
    _look(search, None, depth=0)
    quads = _settled(search, expected)
    strips = [_described(picture, quad, factor, at_frame) for quad, at_frame in quads]
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
    if min(tone.shape[:2]) < 2 * LEAST_WIDTH:
        return
    ground = find_ground(tone, inside)
    if ground is None:
        return
    whole = _placed_ground(ground, x, y, search.tone.shape)
    distance = ground.distance(cv2.blur(tone, (3, 3)))
    limit = max(DISTANT, 1.15 * ground.reach)
    limit = max(DISTANT, 1.15 * ground.reach)
    for piece in pieces_of(_unlike(distance, limit, inside), least_area=search.least_area, x=x, y=y):
        own = distance[piece.y - y :, piece.x - x :][: piece.mask.shape[0], : piece.mask.shape[1]]
        _examine(search, _Thing(filled(piece), own, limit, whole), depth)


@dataclass
class _Thing:
    """A connected piece with its distance to the ground it lies on."""

    piece: Piece
    distance: np.ndarray
    limit: float
    ground: Ground


def _examine(search: _Search, thing: _Thing, depth: int) -> None:
    """Keep the strips a thing is made of; look again at what is no strip."""
    fit = fitted(thing.piece)
    if _take(search, thing.piece, fit, thing.ground):
        return
    if is_like_a_strip(search.tone, in_reading_direction(fit.quad)) and _sharper(search, thing):
        return
    for part, part_fit in cut_into_rectangles(thing.piece, least_area=int(search.least_area)):
        if _take(search, part, part_fit, thing.ground):
            continue
        dx, dy = part.x - thing.piece.x, part.y - thing.piece.y
        own = thing.distance[dy : dy + part.mask.shape[0], dx : dx + part.mask.shape[1]]
        left = _Thing(part, own, thing.limit, thing.ground)
        if not _sharper(search, left) and depth < 2 and part.area > 20 * search.least_area:
            _look(search, part, depth + 1)


def _sharper(search: _Search, thing: _Thing) -> bool:
    """Keep the strips seen at a higher limit, where a thing is ragged next to its ground."""
    for times in (2.5, 6.0):
        mask = _unlike(thing.distance, times * thing.limit, None) & thing.piece.mask
        pieces = pieces_of(mask, least_area=search.least_area, x=thing.piece.x, y=thing.piece.y)
        taken = [_take(search, filled(piece), fitted(filled(piece)), thing.ground) for piece in pieces]
        if any(taken):
            return True
    return False


def _unlike(distance: np.ndarray, limit: float, inside: np.ndarray | None) -> np.ndarray:
    """Mask of what differs from the ground, thin lines left out."""
    mask = (distance > limit).astype(np.uint8)
    if inside is not None:
        mask &= cv2.erode(np.pad(inside.astype(np.uint8), 1), np.ones((7, 7), np.uint8))[1:-1, 1:-1]
    return cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))


def _placed_ground(ground: Ground, x: int, y: int, shape: tuple[int, ...]) -> Ground:
    """A ground of a part of the picture, as one of the whole; unknown outside."""
    if ground.surface.shape[:2] == shape[:2]:
        return ground
    surface = np.full((*shape[:2], 3), np.nan, np.float32)
    surface[y : y + ground.surface.shape[0], x : x + ground.surface.shape[1]] = ground.surface
    return Ground(surface, ground.whiten, ground.share, ground.spread, ground.reach)


def _take(search: _Search, part: Piece, fit: Fitted, ground: Ground) -> bool:
    """Keep a rectangle that is a strip, or several laid side by side; False if it is neither."""
    at_frame = _at_frame(part, search.tone.shape)
    quad = in_reading_direction(fit.quad)
    alike = is_like_a_strip(search.tone, quad)
    quads = end_to_end(search.tone, quad) if alike and (fit.good or (at_frame and fit.misfit < 0.3)) else []
    if not alike:
        quads = _side_by_side(search.tone, quad, part)
    for one in quads:
        search.found.append((one, ground, at_frame))
    return bool(quads)


def _at_frame(part: Piece, shape: tuple[int, ...]) -> bool:
    height, width = part.mask.shape
    return part.x <= 1 or part.y <= 1 or part.x + width >= shape[1] - 1 or part.y + height >= shape[0] - 1


def is_like_a_strip(tone: np.ndarray, quad: np.ndarray) -> bool:
    """Whether the tone inside a quadrilateral changes along it but not across it."""
    if width_px(quad) < LEAST_WIDTH:
        return False
    along = int(np.clip(length_px(quad), 24, 200))
    strip = straightened(tone, quad, across=24, along=along)
    inner = strip[round(0.04 * along) : round(0.96 * along), 4:20]
    off = np.abs(inner - np.median(inner, axis=1, keepdims=True)).max(axis=-1)
    limit = max(OFF_TONE, 3.0 * float(np.median(off)))
    return bool(limit < 3 * OFF_TONE and np.mean(off > limit) < OFF_SHARE)


def _side_by_side(tone: np.ndarray, quad: np.ndarray, piece: Piece) -> list[np.ndarray]:
    """The strips a piece is made of, cut along lines right through it, if all of it is strips."""
    for lengthwise in (True, False):
        parts = parted(tone, quad, lengthwise=lengthwise)
        if not 2 <= len(parts) <= 24:
            continue
        fits = [within(piece, part) for part in parts]
        if all(fit is not None and fit.good for fit in fits):
            quads = [in_reading_direction(fit.quad) for fit in fits if fit is not None]
            if all(is_like_a_strip(tone, one) for one in quads):
                return quads
    return []


# ---- what belongs together, what does not ------------------------------------------------------------------


def _settled(search: _Search, expected: int | None) -> list[tuple[np.ndarray, bool]]:
    """Quadrilaterals of the reduced picture: pieces joined, faint ends carried on, doubles left out."""
    found = _without_doubles(search.found)
    found = _by_size(found, expected)
    taken = np.zeros(search.tone.shape[:2], np.uint8)
    for quad, _, _ in found:
        cv2.fillConvexPoly(taken, np.round(quad).astype(np.int32), 1)
    longer = []
    for quad, ground, at_frame in found:
        own = np.zeros_like(taken)
        cv2.fillConvexPoly(own, np.round(quad).astype(np.int32), 1)
        others = taken * (1 - cv2.dilate(own, np.ones((5, 5), np.uint8)))
        quad = carried_on(search.tone, ground, quad, others)
        longer.append((quad, ground, at_frame))
    joined = _joined(search.tone, longer)
    return [(quad, at_frame) for quad, _, at_frame in joined]


def _without_doubles(found: list[tuple[np.ndarray, Ground, bool]]) -> list[tuple[np.ndarray, Ground, bool]]:
    """Of quadrilaterals whose centres lie in one another only the greater."""
    kept: list[tuple[np.ndarray, Ground, bool]] = []
    for item in sorted(found, key=lambda item: -abs(signed_area(item[0]))):
        centre = tuple(float(v) for v in item[0].mean(axis=0))
        hit = [cv2.pointPolygonTest(other[0].astype(np.float32), centre, False) >= 0 for other in kept]
        if not any(hit):
            kept.append(item)
    return kept


def _by_size(
    found: list[tuple[np.ndarray, Ground, bool]], expected: int | None
) -> list[tuple[np.ndarray, Ground, bool]]:
    """Rectangles as long as other strips and several times as wide, cut into strips as wide as those.

    Strips of one tone laid close show no line between them; their size tells. Rectangles several times as
    long as others could as well be one long strip: they are cut only where the expected number says so.
    """
    parts: list[tuple[np.ndarray, Ground, bool]] = []
    for k, (quad, ground, at_frame) in enumerate(found):
        others = [other for other, _, _ in found[:k] + found[k + 1 :]]
        spare = None if expected is None else expected - (len(parts) + len(found) - k)
        cut = parted_by_size(quad, others, spare=spare)
        parts += [(in_reading_direction(part), ground, at_frame) for part in cut]
    return parts


def _joined(
    tone: np.ndarray, found: list[tuple[np.ndarray, Ground, bool]]
) -> list[tuple[np.ndarray, Ground, bool]]:
    """Pieces of one strip whose middle steps look like the ground, put together."""
    found = list(found)
    for i in range(len(found)):
        for j in range(len(found) - 1, i, -1):
            (one, ground, frame1), (other, _, frame2) = found[i], found[j]
            if belong_together(one, other) and _opposite(tone, ground, one, other):
                points = np.concatenate([one, other]).astype(np.float32)
                whole = in_reading_direction(cv2.boxPoints(cv2.minAreaRect(points)))
                found[i] = (whole, ground, frame1 or frame2)
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
    return signs[0] * signs[1] < 0


# ---- what is told of a strip -------------------------------------------------------------------------------


def _described(picture: Upright, small: np.ndarray, factor: int, at_frame: bool) -> FoundStrip | None:
    """A strip at full scale with its patches; None where it does not hold up."""
    quad = (small + 0.5) * factor - 0.5
    quad = in_reading_direction(refined(picture, quad, reach_px=3.5 * factor + 4.0))
    frame = np.array([picture.width, picture.height]) - 1.0
    margin = 1.5 * factor
    touches = bool(np.any(quad < margin) or np.any(quad > frame - margin)) or at_frame
    runs = look_along(picture, quad)
    if len(runs.levels) == 1 and length_px(quad) < LEAST_ASPECT * width_px(quad):
        return None
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
    alike = (
        min(sides[0], sides[2]) / max(sides[0], sides[2]) * min(sides[1], sides[3]) / max(sides[1], sides[3])
    )
    return float(alike * score_of(runs))


def _sensible(strips: list[FoundStrip], picture: Upright) -> list[FoundStrip]:
    """Strips without the things that cannot be any: plain sheets, dark bands along the frame, crumbs."""
    area = picture.width * picture.height
    kept = [s for s in strips if s.patches > 1 or s.length_px * s.width_px < MOST_PLAIN * area]
    kept = [s for s in kept if not _is_frame_band(s, picture)]
    if not kept:
        return kept
    usual = float(np.median([s.width_px for s in kept]))
    return [s for s in kept if s.width_px > 0.3 * usual]


def _is_frame_band(strip: FoundStrip, picture: Upright) -> bool:
    """A plain band along one side of the frame: the rim of a scan, not a strip."""
    side = (
        picture.width
        if abs(strip.outline[2, 0] - strip.outline[0, 0]) > strip.width_px * 1.5
        else picture.height
    )
    return strip.touches_frame and strip.patches <= 2 and strip.length_px > 0.8 * side
