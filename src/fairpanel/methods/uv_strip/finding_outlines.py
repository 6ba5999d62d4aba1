"""Where the patches of a picture lie: given in pixels, in cells of the mat, or loose and found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fairpanel.mat.layout import Layout
from fairpanel.methods.contract import Entered, Outline, Refusal
from fairpanel.methods.uv_strip.row import Row, corners_of
from fairpanel.picture.finding_mat import FoundMat, MirroredPicture, mat_in
from fairpanel.picture.finding_strips import find_strips
from fairpanel.picture.known_patches import patches_in_lane
from fairpanel.picture.medians import median
from fairpanel.picture.patch_edges import find_patches
from fairpanel.picture.quadrilaterals import in_reading_direction
from fairpanel.picture.strip_in_cell import lane_in_cell
from fairpanel.picture.upright import Upright
from fairpanel.picture.white import light_in_cell

Strips = dict[str, list[Entered]]

#: A strip that shows less than this share of the length that the others in the mat's cells show, with patches that
#: hardly differ [density], may be the dark part of one whose other part is as pale as the page.
SHORT, ALIKE = 0.75, 0.06


@dataclass(frozen=True)
class _Lying:
    """How a strip lies in its cell: the share of the cell's length it shows, and the least difference between
    neighbouring patches. [density]"""

    share: float
    contrast: float


def find(picture: Upright, entered: Sequence[Entered]) -> tuple[list[Outline], list[Refusal]]:
    """Outlines of all patches of one picture.

    Parameters
    ----------
    picture : Upright
    entered : sequence of Entered
        The rows of this picture.

    Returns
    -------
    outlines, refusals
        A strip that cannot be outlined is refused as a whole.
    """
    strips: Strips = {}
    for e in entered:
        strips.setdefault(e.row.strip, []).append(e)
    try:
        mat = mat_in(picture)
    except MirroredPicture:
        return [], _all(
            strips,
            "the picture is mirrored: the mat's markers are the wrong way round",
            "Switch mirroring off in the camera, or turn the picture over, and take it in again.",
        )
    if any(e.row.box for e in entered):
        return _boxed(picture, mat, strips)
    return _loose(picture, strips) if mat is None else _in_order_on_mat(picture, mat, strips)


def _all(strips: Strips, reason: str, what_to_do: str) -> list[Refusal]:
    return [Refusal(rows[0].row.picture, name, reason, what_to_do) for name, rows in strips.items()]


# ---- boxes -----------------------------------------------------------------------------------------------------


def _boxed(picture: Upright, mat: FoundMat | None, strips: Strips) -> tuple[list[Outline], list[Refusal]]:
    outlines: list[Outline] = []
    refusals: list[Refusal] = []
    lying: dict[str, _Lying] = {}
    for name, rows in strips.items():
        found, refusal = _one_boxed(picture, mat, rows, lying)
        outlines += found
        if refusal:
            refusals.append(Refusal(rows[0].row.picture, name, *refusal))
    return _without_halves(strips, outlines, refusals, lying)


def _one_boxed(
    picture: Upright, mat: FoundMat | None, rows: list[Entered], lying: dict[str, _Lying]
) -> tuple[list[Outline], tuple[str, str] | None]:
    outlines: list[Outline] = []
    by_box: dict[str, list[Entered]] = {}
    for e in rows:
        by_box.setdefault(e.row.box, []).append(e)
    for place, patches in by_box.items():
        polygon = corners_of(place)
        if polygon is None:
            if mat is None:
                return [], (
                    f"the table says cell {place}, but the mat's markers cannot be found in the picture",
                    "Take the picture so that at least three of the mat's markers show, sharp and unobstructed, or "
                    "give the outlines in pixels.",
                )
            found, refusal = _in_cell(picture, mat, place, patches, lying)
            if refusal:
                return [], refusal
            outlines += found
            continue
        polygon = _ordered(polygon)
        if _outside(picture, polygon):
            return [], _OUTSIDE
        if len(patches) == 1:
            outlines.append(Outline(patches[0].id, polygon, "given"))
            continue
        found, refusal = along_strip(picture, in_reading_direction(polygon), patches, "given")
        if refusal:
            return [], refusal
        outlines += found
    return outlines, None


def _in_cell(
    picture: Upright, mat: FoundMat, place: str, rows: list[Entered], lying: dict[str, _Lying]
) -> tuple[list[Outline], tuple[str, str] | None]:
    """Outlines of the patches in one cell; how the strip lies there is added to `lying`."""
    cell = cell_corners(mat.layout, place)
    if _outside(picture, mat.to_pixels(cell)):
        return [], _OUTSIDE
    lane = lane_in_cell(picture, mat, light_in_cell(picture, mat.layout.cell(place)), cell)
    if lane is None:
        return [], (
            f"cell {place} of the mat is empty",
            "Check the cell's name in the table, and that the strip lies on the mat.",
        )
    patches = patches_in_lane(lane, len(rows))
    if not rows[0].row.is_step:
        lying[rows[0].row.strip] = _Lying(
            float(patches.cuts[-1] - patches.cuts[0]), float(patches.contrast.min(initial=np.inf))
        )
    return _turned(picture, patches.quads, rows, "found"), None


def _without_halves(
    strips: Strips, outlines: list[Outline], refusals: list[Refusal], lying: Mapping[str, _Lying]
) -> tuple[list[Outline], list[Refusal]]:
    """Refuse strips of which perhaps a part only was found: see `SHORT`."""
    usual = float(median(np.array([one.share for one in lying.values()]))) if lying else 0.0
    halves = {name: strips[name] for name, one in lying.items() if one.share < SHORT * usual and one.contrast < ALIKE}
    unsure = {e.id for rows in halves.values() for e in rows}
    return [o for o in outlines if o.row_id not in unsure], refusals + _all(halves, *_A_PART)


_A_PART = (
    "perhaps only its dark part was found: it is much shorter than the other strips and its patches hardly differ; a "
    "part that stayed as pale as the page does not show on it",
    "Give each of its patches an outline of its own in the column “box”, four corners, or picture it on a darker "
    "ground.",
)


_OUTSIDE = (
    "its outline lies partly outside the picture",
    "Take the picture again with the whole strip in the frame, or correct the outline.",
)


def cell_corners(layout: Layout, name: str) -> np.ndarray:
    """Corners of a cell as an outline: start left, start right, end right, end left. Steps start at the left."""
    cell = layout.cell(name)
    top_left, top_right, bottom_right, bottom_left = cell.corners
    if cell.kind == "steps":
        return np.array([bottom_left, top_left, top_right, bottom_right])
    return np.array([top_left, top_right, bottom_right, bottom_left])


def _ordered(corners: np.ndarray) -> np.ndarray:
    """Four corners as a plain quadrilateral that does not cross itself."""
    centre = corners.mean(axis=0)
    angle = np.arctan2(*(corners - centre).T[::-1])
    return corners[np.argsort(angle)]


def _outside(picture: Upright, polygon: np.ndarray) -> bool:
    slack = 0.5
    low, high = polygon.min(axis=0), polygon.max(axis=0)
    return bool((low < -slack).any() or (high > np.array([picture.width, picture.height]) - 1 + slack).any())


def along_strip(
    picture: Upright, polygon: np.ndarray, rows: list[Entered], how: str
) -> tuple[list[Outline], tuple[str, str] | None]:
    """Outlines of the patches along one strip, one for each row; steps in the order of their tones.

    Parameters
    ----------
    picture : Upright
    polygon : (4, 2) array
        Start left, start right, end right, end left. [px]
    rows : list of Entered
        The strip's rows in the order of the table.
    how : {"found", "given", "moved"}

    Returns
    -------
    outlines, (reason, what to do) or None
    """
    try:
        found = find_patches(picture, polygon, len(rows))
    except ValueError as problem:
        return [], (str(problem), "Take the picture from nearer, or correct the outline.")
    return _turned(picture, found.sure, rows, how), None


def _turned(picture: Upright, quads: np.ndarray, rows: list[Entered], how: str) -> list[Outline]:
    """Outlines in the order of the rows; a step strip that lies the wrong way round is turned by its tones."""
    if rows[0].row.is_step and _runs_backwards(picture, quads, [e.row for e in rows]):
        quads = np.array([np.roll(q, 2, axis=0) for q in quads[::-1]])
    return [Outline(e.id, q, how) for e, q in zip(rows, quads, strict=True)]


def _runs_backwards(picture: Upright, quads: np.ndarray, rows: Sequence[Row]) -> bool:
    """The tones fall along the strip where the table's exposures rise, or the other way round."""
    middles = quads.mean(axis=1)
    tone = np.array([_middle_light(picture, q, m) for q, m in zip(quads, middles, strict=True)])
    seconds = np.array([r.seconds for r in rows])
    rank = np.argsort(np.argsort(seconds)) - (len(seconds) - 1) / 2
    return bool((rank * (tone - tone.mean())).sum() > 0)


def _middle_light(picture: Upright, quad: np.ndarray, middle: np.ndarray) -> float:
    corners = middle + 0.3 * (quad - middle)
    low = np.floor(corners.min(axis=0)).astype(int)
    high = np.ceil(corners.max(axis=0)).astype(int) + 1
    crop = picture.pixels[max(low[1], 0) : high[1], max(low[0], 0) : high[0]]
    return float(median(crop.reshape(-1, 3), axis=0).mean())


# ---- on the mat, without the names of the cells ----------------------------------------------------------------


def _in_order_on_mat(picture: Upright, mat: FoundMat, strips: Strips) -> tuple[list[Outline], list[Refusal]]:
    """Strips of the table in the mat's filled cells, in the mat's order; a step strip in the cell for steps."""
    filled = [c.name for c in mat.layout.cells if _is_filled(picture, mat, c.name)]
    if not filled:
        return _loose(picture, strips)
    if len(filled) != len(strips):
        return [], _all(
            strips,
            f"the table names {len(strips)} strips for this picture, but strips lie in {len(filled)} cells of the mat",
            "Write the cell of each strip into the column “box” (A1 to B6, steps), or lay one strip into each cell.",
        )
    of_steps = [name for name, rows in strips.items() if rows[0].row.is_step]
    if len(of_steps) == 1 and "steps" in filled:
        filled.remove("steps")
        places = {of_steps[0]: "steps"}
    else:
        places = {}
    rest = iter(filled)
    outlines: list[Outline] = []
    refusals: list[Refusal] = []
    lying: dict[str, _Lying] = {}
    for name, rows in strips.items():
        found, refusal = _in_cell(picture, mat, places.get(name) or next(rest), rows, lying)
        outlines += found
        if refusal:
            refusals.append(Refusal(rows[0].row.picture, name, *refusal))
    return _without_halves(strips, outlines, refusals, lying)


def _is_filled(picture: Upright, mat: FoundMat, place: str) -> bool:
    corners = cell_corners(mat.layout, place)
    if _outside(picture, mat.to_pixels(corners)):
        return False
    return lane_in_cell(picture, mat, light_in_cell(picture, mat.layout.cell(place)), corners) is not None


# ---- loose strips ----------------------------------------------------------------------------------------------


def _loose(picture: Upright, strips: Strips) -> tuple[list[Outline], list[Refusal]]:
    steps = max((len(rows) for rows in strips.values() if rows[0].row.is_step), default=None)
    found = find_strips(picture, len(strips), steps)
    cut = [s for s in found if s.touches_frame]
    if len(found) != len(strips):
        return [], _all(
            strips,
            f"the table names {len(strips)} strips for this picture, but {len(found)} were found in it"
            + (f" ({len(cut)} of them cut by the edge of the picture)" if cut else ""),
            "Lay the strips apart on an even ground, all of them wholly in the frame, or fill the column “box”.",
        )
    outlines: list[Outline] = []
    refusals: list[Refusal] = []
    for (name, rows), strip in zip(strips.items(), found, strict=True):
        if strip.touches_frame:
            refusals.append(
                Refusal(rows[0].row.picture, name, "the strip lies half out of the picture",
                        "Take the picture again with the whole strip in the frame."))  # fmt: skip
            continue
        patches, refusal = along_strip(picture, strip.outline, rows, "found")
        outlines += patches
        if refusal:
            refusals.append(Refusal(rows[0].row.picture, name, *refusal))
    return outlines, refusals
