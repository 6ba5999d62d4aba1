"""Loose strips in a scan or photo, without the mat.

A reduced picture serves to find them: what differs from the ground, cut into rectangles, in which the tone
changes along the strip but not across it. Outlines are then moved to the edges seen at full scale.
"""

from __future__ import annotations

import cv2
import numpy as np

from fairpanel.picture.change_points import Runs
from fairpanel.picture.edge_lines import refined
from fairpanel.picture.found_strips import FoundStrip, as_step_strip, reading_order
from fairpanel.picture.ground import tones
from fairpanel.picture.patch_edges import direction_by_tones, look_along, score_of, strip_tones
from fairpanel.picture.quadrilaterals import in_reading_direction, length_px, width_px
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
    search = Search(tone, max(60, int(LEAST_AREA * tone.shape[0] * tone.shape[1])))
    look(search, None, depth=0)
    strips = [_described(picture, one, factor) for one in settled(search, expected)]
    return reading_order(_sensible([strip for strip in strips if strip is not None], picture))


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
    if np.count_nonzero(clear) < 2 and not found.sized:
        return None
    if not (found.cut or found.sized or _has_edges(picture, quad, clear)):
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
    if score < LEAST_SCORE:
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
