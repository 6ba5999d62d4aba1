"""Loose strips in a scan or photo, without the mat.

A reduced picture serves to find them: what differs from the ground, cut into rectangles, in which the tone
changes along the strip but not across it. Outlines are then moved to the edges seen at full scale.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np

from fairpanel.picture.change_points import Runs
from fairpanel.picture.edge_lines import refined
from fairpanel.picture.faint_ends import in_one_line
from fairpanel.picture.found_strips import FoundStrip, as_step_strip, reading_order, shows_steps
from fairpanel.picture.ground import tones
from fairpanel.picture.parted_steps import Parted, parted_steps
from fairpanel.picture.patch_edges import direction_by_tones, look_along, profile_of, score_of, strip_tones
from fairpanel.picture.quadrilaterals import in_reading_direction, length_px, placed, signed_area, width_px
from fairpanel.picture.step_ladder import find_ladder
from fairpanel.picture.strip_candidates import LEAST_AREA, LEAST_ASPECT, Candidate, Search, look
from fairpanel.picture.strip_choice import settled
from fairpanel.picture.strip_likeness import changes_only_along
from fairpanel.picture.upright import Upright

__all__ = ["FoundStrip", "as_step_strip", "find_strips", "reading_order"]


#: Pixels of the reduced picture in which strips are looked for. [px]
REDUCED = 0.85e6

#: What scores less is no strip. [1]
LEAST_SCORE = 0.3

#: A strip with one patch covers at most this share of the picture; what covers more is a sheet or a table.
#: [1]
MOST_PLAIN = 0.3

#: A ladder has to go on this far beyond the step strip that was found without it [steps]; strips that share less of it
#: lie apart; what shares so much holds it. [1]
BEYOND, LEAST_SHARED, INSIDE = 0.5, 0.25, 0.9

#: Of one step, taken for a strip by itself, so much lies in the ladder. [1]
MOSTLY_WITHIN = 0.55

#: The wider end of a ladder is at most this much wider than the other. [1]
MOST_TAPER = 1.5

#: What lies right beside a ladder and is longer than it by this is the card that it is printed on. [1]
LONGER = 1.08


def find_strips(picture: Upright, expected: int | None = None, steps: int | None = None) -> list[FoundStrip]:
    """The strips in a picture, in reading order.

    Parameters
    ----------
    picture : Upright
    expected : int, optional
        How many strips there should be. It only decides where the picture leaves open whether a rectangle is
        one strip or several laid close together; strips are neither made up nor dropped to reach it.
    steps : int, optional
        How many patches the step strip among them has. Where no strip shows just so many, one is looked for by its
        ladder of edges.

    Returns
    -------
    list of FoundStrip
        Empty where there are none. Strips at the edge of the frame are among them, marked.
    """
    small, factor = _reduced(picture.pixels)
    tone = tones(small, picture.transfer)
    search = Search(tone, max(60, int(LEAST_AREA * tone.shape[0] * tone.shape[1])))
    look(search, None, depth=0)
    strips = [_described(picture, one, factor) for one in settled(search, expected)]
    found = _sensible([strip for strip in strips if strip is not None], picture)
    if steps:
        found = [_by_its_lines(picture, one, steps) for one in found]
    if steps and not any(shows_steps(one, steps) for one in found):
        found = _with_ladder(picture, tone, found, steps, factor)
    return reading_order(found)


def _by_its_lines(picture: Upright, one: FoundStrip, steps: int) -> FoundStrip:
    """A strip as it is, or as the step strip where broad lines part just so many steps along it."""
    if one.touches_frame or one.patches < steps or shows_steps(one, steps):
        return one
    profile = _profile(picture, one.outline, steps)
    parted = parted_steps(profile, steps)
    if parted is None:
        return one
    bounds = np.round(np.stack([parted.first, parted.last], axis=1)).astype(int)
    levels = np.array([np.median(profile[a : max(b, a + 1)], axis=0) for a, b in bounds])
    edges = (parted.last[:-1] + parted.first[1:]) / 2 / len(profile)
    way = "darkens" if levels[-1].mean() < levels[0].mean() else "lightens"
    return replace(one, patches=steps, edges=edges, levels=levels, direction=way)


def _profile(picture: Upright, quad: np.ndarray, steps: int) -> np.ndarray:
    return profile_of(strip_tones(picture, quad, along=max(240, 16 * steps)))


def _parted(picture: Upright, quad: np.ndarray, steps: int) -> Parted | None:
    far = np.array([picture.width, picture.height]) - 1.0
    return parted_steps(_profile(picture, np.clip(quad, 0.0, far), steps), steps)


def _with_ladder(
    picture: Upright, tone: np.ndarray, found: list[FoundStrip], asked: int, factor: int
) -> list[FoundStrip]:
    """The strips with the step strip found by its ladder, in place of what was found of it without."""
    seen = find_ladder(tone, asked)
    if seen is None:
        return found
    quad, steps = (seen.corners + 0.5) * factor - 0.5, seen.steps
    parted = _parted(picture, quad, steps) is not None
    if not parted:  # a frame around every step draws edges to itself
        near = 0.1 * length_px(quad) / steps + 1.0
        quad = refined(picture, quad, reach_px=3.5 * factor + 0.12 * width_px(quad), ends_px=near)[0]
    quad = in_reading_direction(quad)
    if not _same_width(quad) or not _adds(quad, found, as_step_strip(found, asked), steps, parted=parted):
        return found
    far = np.array([picture.width, picture.height]) - 1.0
    quad = np.clip(quad, 0.0, far)
    strip = strip_tones(picture, quad, along=max(240, 16 * steps))
    levels = np.array([np.median(part, axis=(0, 1)) for part in np.array_split(strip[:, 8:-8], steps)])
    way = "darkens" if levels[-1].mean() < levels[0].mean() else "lightens"
    ladder = FoundStrip(quad, steps, np.arange(1, steps) / steps, levels, way, False, 1.0)
    apart = [one for one in found if _shared(one.outline, quad, of=min) < LEAST_SHARED and not _lies_on(ladder, one)]
    return [*apart, ladder]


def _same_width(quad: np.ndarray) -> bool:
    """Whether both ends are about equally wide: no view narrows a strip by more, so these are other things' edges."""
    start, end = np.linalg.norm(quad[1] - quad[0]), np.linalg.norm(quad[2] - quad[3])
    return bool(max(start, end) < MOST_TAPER * min(start, end))


def _lies_on(ladder: FoundStrip, one: FoundStrip) -> bool:
    """Whether what was taken for a strip is a part of the card beside a printed ladder."""
    beside = placed(np.array([[-0.2, 0.5], [1.2, 0.5]]), ladder.outline).astype(np.float32)
    outline = one.outline.astype(np.float32)
    near = any(cv2.pointPolygonTest(outline, (float(x), float(y)), False) >= 0 for x, y in beside)
    return near and one.length_px > LONGER * ladder.length_px


def _adds(ladder: np.ndarray, found: list[FoundStrip], known: FoundStrip | None, steps: int, *, parted: bool) -> bool:
    """Whether a ladder shows more than the strips found without it.

    A step strip that was found by its outline stays, unless the ladder goes on beyond its end. Other strips under the
    ladder are pieces of it, in one line with it, or a paper that it lies on; steps that lines part may each have been
    taken for a strip.
    """
    if known is not None:
        longer = length_px(ladder) - known.length_px > BEYOND * length_px(ladder) / steps
        return longer and _shared(known.outline, ladder, of=min) > BEYOND
    under = [one for one in found if _shared(one.outline, ladder, of=min) >= LEAST_SHARED]
    return all(
        in_one_line(ladder, one.outline)
        or _shared(one.outline, ladder, of=_second) > INSIDE
        or (parted and _shared(one.outline, ladder, of=_first) > MOSTLY_WITHIN)
        for one in under
    )


def _first(one: float, _: float) -> float:
    return one


def _second(_: float, other: float) -> float:
    return other


def _shared(one: np.ndarray, other: np.ndarray, *, of: Callable[[float, float], float]) -> float:
    """Area that two outlines share, of one of their areas. [1]"""
    area = cv2.intersectConvexConvex(one.astype(np.float32), other.astype(np.float32))[0]
    return float(area / max(of(abs(signed_area(one)), abs(signed_area(other))), 1.0))


def _reduced(pixels: np.ndarray) -> tuple[np.ndarray, int]:
    """The picture at about a megapixel, and how many of its pixels go to one of these along a side."""
    factor = max(1, round(float(np.sqrt(pixels.shape[0] * pixels.shape[1] / REDUCED))))
    height, width = pixels.shape[0] // factor, pixels.shape[1] // factor
    if factor == 1 or min(height, width) == 0:
        return pixels, 1
    whole = pixels[: height * factor, : width * factor]
    return cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), factor


def _described(picture: Upright, found: Candidate, factor: int) -> FoundStrip | None:
    """A strip at full scale with its patches; None where it does not hold up."""
    quad = (found.quad + 0.5) * factor - 0.5
    refined_quad, clear = refined(picture, quad, reach_px=3.5 * factor + 4.0)
    vouched = found.cut or found.sized
    if not vouched and (np.count_nonzero(clear) < 2 or not _has_edges(picture, quad, clear)):
        return None
    if not found.cut:
        quad = in_reading_direction(refined_quad)
    frame = np.array([picture.width, picture.height]) - 1.0
    margin = 1.5 * factor
    touches = bool(np.any(quad < margin) or np.any(quad > frame - margin)) or found.at_frame
    strip = strip_tones(picture, quad)
    if not found.cut and (not changes_only_along(strip) or length_px(quad) < LEAST_ASPECT * width_px(quad)):
        return None
    runs, edges = look_along(strip, quad)
    score = _score(quad, runs)
    if score < LEAST_SCORE and not found.cut:
        return None
    return FoundStrip(
        quad,
        len(runs.levels),
        edges,
        runs.levels,
        direction_by_tones(runs.levels),
        touches,
        score,
    )


def _has_edges(picture: Upright, quad: np.ndarray, clear: np.ndarray) -> bool:
    """Whether all but one of the sides that do not lie along the frame show a clear change of tone."""
    following = np.roll(quad, -1, axis=0)
    far = np.array([picture.width, picture.height]) - 1.0
    reach = 0.02 * max(picture.width, picture.height)
    nearest, farthest = np.minimum(quad, following), np.maximum(quad, following)
    along_frame = np.any((farthest < reach) | (nearest > far - reach), axis=1)
    return int(np.count_nonzero(~clear & ~along_frame)) <= 1


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
