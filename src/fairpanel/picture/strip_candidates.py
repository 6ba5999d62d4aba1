"""Quadrilaterals that may be strips, from what differs from the ground of a reduced picture.

Things that are no strips but hold some (a sheet of paper on a table, a light box, a card) are looked at again
with their own ground.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from fairpanel.picture.ground import Ground, find_ground
from fairpanel.picture.quadrilaterals import in_reading_direction, length_px, signed_area, width_px
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
from fairpanel.picture.seams import HALF_SEEN, SEEN, end_to_end, parted
from fairpanel.picture.strip_likeness import LEAST_WIDTH, is_like_a_strip, is_sheet

#: Smallest strip, as a share of the picture's area. [1]
LEAST_AREA = 0.002

#: Least ratio of length to width of a strip; squares are taken for something else. [1]
LEAST_ASPECT = 1.5

#: Things looked at in one picture; a picture of gravel must not take minutes.
MOST_LOOKS = 150

#: Limits at which places smoother than a rough ground are looked for; at a low one pale strips run together.
SMOOTH_LIMITS = (1.0, 1.16, 1.35)

#: What is left after cutting, if its tone changes only along it, may be this much off a rectangle. [1]
RAGGED = 0.05

#: The same where only lack of grain shows it; grain is known to within some pixels. [1]
RAGGED_GRAIN = 0.09

#: The frame may cut off a corner: a thing at the frame may be this much off a rectangle. [1]
CORNER_CUT = 0.15

#: What a higher limit leaves of a ragged thing has to be this share of it. [1]
MOST_OF_IT = 0.65

#: Things that differ from a rectangle by more than this are not cut along lines that run through them. [1]
MOST_MISFIT = 0.35


@dataclass(frozen=True)
class Candidate:
    """A quadrilateral of the reduced picture that may be a strip.

    Parameters
    ----------
    quad : (4, 2) array
        Start left, start right, end right, end left. [px of the reduced picture]
    ground : Ground
        What it lies on.
    at_frame : bool
        It runs to the edge of the picture.
    by_grain : bool
        Only its lack of grain showed it.
    cut : bool
        The rest of a strip that the frame has cut, of whatever shape.
    sized : bool
        Parted from its neighbours by size alone: no edge need show between them.
    core : (4, 2) array or None
        What stood out before faint ends were added. [px of the reduced picture]
    """

    quad: np.ndarray
    ground: Ground
    at_frame: bool
    by_grain: bool = False
    cut: bool = False
    sized: bool = False
    core: np.ndarray | None = None

    def area(self) -> float:
        """[px^2 of the reduced picture]"""
        return abs(signed_area(self.quad))

    def holds(self, other: Candidate) -> bool:
        """Whether the other's centre lies in this one."""
        x, y = other.quad.mean(axis=0)
        return cv2.pointPolygonTest(self.quad.astype(np.float32), (float(x), float(y)), False) >= 0


@dataclass
class Search:
    """What one look at the reduced picture needs all along."""

    tone: np.ndarray
    least_area: int
    found: list[Candidate] = field(default_factory=list)
    unresolved: list[Candidate] = field(default_factory=list)
    cut: list[Candidate] = field(default_factory=list)
    looks_left: int = MOST_LOOKS


def look(search: Search, domain: Piece | None, depth: int) -> None:
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
            _take(search, piece, fitted(piece), whole, by_grain=True, ragged=RAGGED_GRAIN)


@dataclass
class _Thing:
    """A connected piece, how clearly its pixels stand out, and the ground it lies on."""

    piece: Piece
    clear: np.ndarray
    ground: Ground


def _examine(search: Search, thing: _Thing, depth: int) -> None:
    """Keep the strips a thing is made of; look again at what is no strip."""
    if search.looks_left < 0:
        return
    fit = fitted(thing.piece)
    large = depth < 2 and thing.piece.area > 20 * search.least_area
    if large and is_sheet(search.tone, fit.quad) and _look_inside(search, thing.piece, fit, thing.ground, depth):
        return
    if _take(search, thing.piece, fit, thing.ground):
        return
    if is_like_a_strip(search.tone, in_reading_direction(fit.quad)) and _sharper(search, thing):
        return
    for part, part_fit in cut_into_rectangles(thing.piece, least_area=search.least_area):
        if _take(search, part, part_fit, thing.ground):
            continue
        dx, dy = part.x - thing.piece.x, part.y - thing.piece.y
        own = thing.clear[dy : dy + part.mask.shape[0], dx : dx + part.mask.shape[1]]
        left = _Thing(part, own, thing.ground)
        if _sharper(search, left) or _take(search, part, part_fit, thing.ground, ragged=RAGGED):
            continue
        if large and part.area > 20 * search.least_area:
            look(search, part, depth + 1)


def _look_inside(search: Search, piece: Piece, fit: Fitted, ground: Ground, depth: int) -> bool:
    """Look for strips on a sheet; whether there are any."""
    before = len(search.found)
    look(search, piece, depth + 1)
    slender = [c for c in search.found[before:] if length_px(c.quad) > LEAST_ASPECT * width_px(c.quad)]
    search.found[before:] = slender
    if not slender:
        return False
    if fit.good:
        quad = in_reading_direction(fit.quad)
        search.unresolved.append(Candidate(quad, ground, _at_frame(piece, search.tone.shape)))
    return True


def _sharper(search: Search, thing: _Thing) -> bool:
    """Keep the strips seen at a higher limit, where a thing is ragged next to its ground.

    They have to make up most of the thing: the dark half of a strip is not the strip.
    """
    for times in (2.5, 6.0):
        mask = _unlike(thing.clear, times, None) & thing.piece.mask
        pieces = pieces_of(mask, least_area=search.least_area, x=thing.piece.x, y=thing.piece.y)
        before = len(search.found)
        area = sum(piece.area for piece in map(filled, pieces) if _take(search, piece, fitted(piece), thing.ground))
        if area > MOST_OF_IT * thing.piece.area:
            return True
        del search.found[before:]
    return False


def _unlike(clear: np.ndarray, limit: float, inside: np.ndarray | None) -> np.ndarray:
    """Mask of what differs from the ground, thin lines left out."""
    mask = (clear > limit).astype(np.uint8)
    if inside is not None:
        inner = cv2.erode(np.pad(inside.astype(np.uint8), 1), np.ones((7, 7), np.uint8))[1:-1, 1:-1]
        mask[inner == 0] = 0
    return cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))


def _placed_ground(ground: Ground, x: int, y: int, shape: tuple[int, ...]) -> Ground:
    """A ground of a part of the picture, as one of the whole; unknown outside."""
    if ground.surface.shape[:2] == shape[:2]:
        return ground
    surface = np.full((*shape[:2], 3), np.nan, np.float32)
    height, width = ground.surface.shape[:2]
    surface[y : y + height, x : x + width] = ground.surface
    certain = np.zeros(shape[:2], bool)
    full = np.repeat(np.repeat(ground.certain, 3, axis=0), 3, axis=1)[:height, :width]
    certain[y : y + full.shape[0], x : x + full.shape[1]] = full
    return replace(ground, surface=surface, certain=certain[1::3, 1::3])


def _take(
    search: Search, part: Piece, fit: Fitted, ground: Ground, *, by_grain: bool = False, ragged: float = 0.0
) -> bool:
    """Keep a rectangle that is a strip, or several laid side by side; False if it is neither."""
    search.looks_left -= 1
    if search.looks_left < 0:
        return False
    at_frame = _at_frame(part, search.tone.shape)
    quad = in_reading_direction(fit.quad)
    if by_grain and at_frame:  # the smooth bands of a wooden table run out of the picture too
        if is_convex(part):
            search.cut.append(Candidate(quad, ground, at_frame=True, by_grain=True, cut=True))
        return False
    most_misfit = CORNER_CUT if at_frame else ragged
    alike = is_like_a_strip(search.tone, quad)
    quads = end_to_end(search.tone, quad) if alike and (fit.good or fit.misfit < most_misfit) else []
    if not alike and not at_frame and fit.misfit < MOST_MISFIT:
        quads = _side_by_side(search.tone, quad, part)
    search.found += [Candidate(one, ground, at_frame, by_grain) for one in quads]
    if not quads and at_frame and not by_grain and is_convex(part):
        search.cut.append(Candidate(quad, ground, at_frame=True, cut=True))
    if not quads and fit.good:
        search.unresolved.append(Candidate(quad, ground, at_frame))
    return bool(quads)


def _at_frame(part: Piece, shape: tuple[int, ...]) -> bool:
    height, width = part.mask.shape
    return part.x <= 1 or part.y <= 1 or part.x + width >= shape[1] - 1 or part.y + height >= shape[0] - 1


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
