"""The strips that lie in a picture nobody has written a table for: in cells of the mat, or loose."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fairpanel.mat.layout import Cell
from fairpanel.methods.uv_strip.finding_outlines import cell_corners
from fairpanel.picture.finding_mat import FoundMat, mat_in
from fairpanel.picture.finding_strips import find_strips
from fairpanel.picture.found_strips import FoundStrip, as_step_strip
from fairpanel.picture.patch_edges import direction_by_tones, look_along, score_of, strip_tones
from fairpanel.picture.quadrilaterals import part_of
from fairpanel.picture.strip_in_cell import LEAST_DENSITY, Lane, lane_in_cell
from fairpanel.picture.upright import Upright
from fairpanel.picture.white import light_in_cell

#: A piece of paper in a cell is a strip from this length on. [mm]
LEAST_LENGTH_MM = 15
#: At both ends of a lane the cell's printed line shows. One sample of its profile is a millimetre. [mm]
PRINTED_MM = 1
#: What is shorter than this share of a strip is a rim or a scratch, no patch to be read by itself. [1]
SLIVER = 0.1
#: Patches of a strip that are not steps are read apart from this difference on. [lightness]
LEAST_DISTINCT = 5.0
#: In the cell for steps at least this share of the steps has to show. [1]
LEAST_SHOWN = 0.5


@dataclass(frozen=True)
class Lying:
    """A strip in a picture: how it is called, what it shows, and its cell of the mat, if it lies in one."""

    name: str
    strip: FoundStrip
    cell: Cell | None = None

    @property
    def whole(self) -> bool:
        """The frame does not cut it."""
        return not self.strip.touches_frame

    @property
    def distinct(self) -> int:
        """Patches that differ so much that they are no unevenness of one: what is read apart where no table says so."""
        lengths = np.diff(np.concatenate([[0.0], self.strip.edges, [1.0]]))
        return len(_merged(self.strip.levels, lengths))


def lying_strips(picture: Upright, n_steps: int | None = None) -> list[Lying]:
    """All strips of a picture: by the names of their cells, or numbered in reading order.

    Parameters
    ----------
    picture : Upright
    n_steps : int, optional
        Patches of the step strip among them.

    Raises
    ------
    MirroredPicture
    """
    mat = mat_in(picture)
    in_cells = _in_cells(picture, mat) if mat is not None else []
    if in_cells:
        return in_cells
    return [Lying(str(k), strip) for k, strip in enumerate(find_strips(picture, steps=n_steps), start=1)]


def as_steps(lying: Sequence[Lying], n_steps: int) -> Lying | None:
    """The step strip: what lies in the mat's cell for steps, if it can be one, else the longest that fits."""
    kept_for_steps = [one for one in lying if one.cell is not None and one.cell.kind == "steps"]
    for one in kept_for_steps:
        if one.strip.direction:
            return one if LEAST_SHOWN * n_steps <= one.strip.patches <= n_steps else None
    chosen = as_step_strip([one.strip for one in lying], n_steps)
    return next((one for one in lying if one.strip is chosen), None)


def _merged(levels: np.ndarray, lengths: np.ndarray) -> np.ndarray:
    """Levels of neighbouring patches averaged, the most alike first, until all neighbours are distinct; slivers are
    left out."""
    kept = np.asarray(lengths) > SLIVER
    levels, lengths = np.asarray(levels, float)[kept], np.asarray(lengths, float)[kept]
    while len(levels) > 1:
        apart = np.abs(np.diff(levels, axis=0)).max(axis=1)
        k = int(np.argmin(apart))
        if apart[k] >= LEAST_DISTINCT:
            break
        levels[k] = np.average(levels[k : k + 2], axis=0, weights=lengths[k : k + 2])
        lengths[k] += lengths[k + 1]
        levels, lengths = np.delete(levels, k + 1, axis=0), np.delete(lengths, k + 1)
    return levels


# ---- on the mat ------------------------------------------------------------------------------------------------


def _in_cells(picture: Upright, mat: FoundMat) -> list[Lying]:
    """What lies in the cells that are not empty, in the order of the mat."""
    far = np.array([picture.width, picture.height]) - 1.0
    found = []
    for cell in mat.layout.cells:
        corners = cell_corners(mat.layout, cell.name)
        pixels = mat.to_pixels(corners)
        if (pixels.max(axis=0) < 0).any() or (pixels.min(axis=0) > far).any():
            continue
        cut = bool((pixels < -0.5).any() or (pixels > far + 0.5).any())
        lane = None if cut else lane_in_cell(picture, mat, light_in_cell(picture, cell), corners)
        if lane is not None and (strip := _described(picture, lane)) is not None:
            found.append(Lying(cell.name, strip, cell))
    return found


def _described(picture: Upright, lane: Lane) -> FoundStrip | None:
    """A strip in its lane, with the patches it shows; None where the lane holds a crumb only."""
    differs = (np.abs(lane.profile) > 2 * LEAST_DENSITY).any(axis=1)
    differs[:PRINTED_MM] = differs[-PRINTED_MM:] = False
    paper = np.flatnonzero(differs)
    if len(paper) == 0 or paper[-1] - paper[0] + 1 < LEAST_LENGTH_MM:
        return None
    along = len(lane.profile)
    quad = part_of(lane.outline, left=0.0, right=1.0, start=paper[0] / along, end=(paper[-1] + 1) / along)
    runs, edges = look_along(strip_tones(picture, quad), quad)
    levels = runs.levels
    return FoundStrip(quad, len(levels), edges, levels, direction_by_tones(levels), False, score_of(runs))
