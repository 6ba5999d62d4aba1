"""Made scenes: strips in the cells of the mat, on a scanner's bed, or lying loose, pictured and written down.

Every scene returns the picture's bytes, its rows of the table, the true outlines, and apart from these the
truth.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from fairpanel.mat.layout import layout
from fairpanel.rehearsal.camera import Camera, develop
from fairpanel.rehearsal.encoding import FileForm, picture_bytes
from fairpanel.rehearsal.fields import smooth_noise
from fairpanel.rehearsal.lying import (
    LooseLie,
    Placed,
    in_cell,
    pushed_out,
    pushed_together,
    reading_order,
    rows_of_strips,
)
from fairpanel.rehearsal.mat_page import page_with_greys
from fairpanel.rehearsal.strips import MadeStrip, rows_of
from fairpanel.rehearsal.view import Plane, View, phone_view, projected, scan_view


@dataclass(frozen=True)
class Shot:
    """How a scene is pictured.

    Parameters
    ----------
    camera : Camera
    form : FileForm
    scanned : bool
        By a scanner; else by a phone.
    dpi : float
        Of the scanner.
    megapixels : float
        Of the phone.
    tilt_deg, turn_deg : float
        Largest tilt and turn of the phone. [degrees]
    boxes : {"cells", "pixels", "empty"}
        What the table says of the place of each patch. Without a mat "cells" is not possible.
    box_error_px : float
        Largest error of each given corner. [px]
    print_scale : float
        Size of the printed mat relative to true, at most 1. [1]
    page : {"A4", "letter"}
    """

    camera: Camera
    form: FileForm
    scanned: bool = True
    dpi: float = 200.0
    megapixels: float = 3.0
    tilt_deg: float = 12.0
    turn_deg: float = 8.0
    boxes: str = "cells"
    box_error_px: float = 0.0
    print_scale: float = 1.0
    page: str = "A4"


@dataclass(frozen=True)
class MadePicture:
    """A made picture with what is known of it.

    Parameters
    ----------
    name : str
        File name.
    data : bytes
    size : (width, height)
        Of the upright picture. [px]
    rows : list of mappings
        Rows of the table, in the order the table needs.
    outlines : mapping (strip, index of patch) -> (4, 2) array
        True corners in pixels of the upright picture: start left, start right, end right, end left.
    papers : mapping strip -> (4, 2) array
        The same of the whole piece of paper.
    truth : list of mappings
        One per strip; not for the reader.
    """

    name: str
    data: bytes
    size: tuple[int, int]
    rows: list[dict[str, str]]
    outlines: dict[tuple[str, int], np.ndarray]
    papers: dict[str, np.ndarray]
    truth: list[dict] = field(default_factory=list)


def on_mat(
    rng: np.random.Generator, strips: list[MadeStrip], *, stem: str, shot: Shot, steps_turned: bool = False
) -> MadePicture:
    """Strips in the cells of the printed mat; a step strip longer than 64 mm goes to the cell for steps.

    Parameters
    ----------
    strips : list of MadeStrip
        At most twelve for the strip cells and one for the cell of the step strip.
    steps_turned : bool
        The step strip lies the wrong way round.

    Raises
    ------
    ValueError
        There are more strips than cells.
    """
    mat = layout(shot.page)
    free = [c for c in mat.cells if c.kind == "strip"]
    in_order = shot.boxes == "empty"
    cells = iter(free if in_order else [free[i] for i in rng.permutation(len(free))])
    lying = []
    for strip in strips:
        long = strip.plan.length_mm > 64
        cell = mat.cell("steps") if long else next(cells, None)
        if cell is None:
            raise ValueError("the mat has twelve cells for strips; lay the others on another mat")
        lying.append(in_cell(rng, strip, cell, mat, shot.print_scale, turned=steps_turned and strip.plan.is_steps))
    plane = _page(rng, mat, shot, _scale_of_view(mat, shot))
    corners = np.array([[0, 0], [mat.width, 0], [mat.width, mat.height], [0, mat.height]])
    view = _view(rng, corners, shot)
    return _pictured(rng, plane, view, lying, stem=stem, shot=shot, surround=_surround(rng, shot))


def _scale_of_view(mat, shot: Shot) -> float:
    """Pixels per millimetre at which the plane is drawn, about those of the picture."""
    if shot.scanned:
        return shot.dpi / 25.4
    return np.sqrt(shot.megapixels * 1e6 * 4 / 3) * 0.92 / mat.height


def _page(rng, mat, shot: Shot, px_per_mm: float) -> Plane:
    """The printed page, perhaps printed smaller about its middle."""
    scale = round(px_per_mm * 4) / 4
    light = page_with_greys(rng, page=shot.page, px_per_mm=scale * shot.print_scale)
    full = (round(mat.height * scale), round(mat.width * scale))
    if shot.print_scale != 1.0:
        spare = np.array(full) - light.shape
        before = spare // 2
        light = np.pad(light, [(b, s - b) for b, s in zip(before, spare)], constant_values=1.0)
    white = rng.uniform(0.84, 0.93) * np.array([1.0, rng.uniform(0.985, 1.01), rng.uniform(0.93, 1.03)])
    return Plane(light[..., None] * white.astype(np.float32), scale)


def _view(rng, corners_mm: np.ndarray, shot: Shot) -> View:
    if shot.scanned:
        return scan_view(rng, corners_mm=corners_mm, dpi=shot.dpi, margin_mm=float(rng.uniform(1, 6)))
    portrait = np.ptp(corners_mm[:, 1]) >= np.ptp(corners_mm[:, 0])
    return phone_view(
        rng,
        corners_mm=corners_mm,
        megapixels=shot.megapixels,
        tilt_deg=shot.tilt_deg,
        turn_deg=shot.turn_deg,
        portrait=bool(portrait),
    )


_DESKS = (
    (0.10, 0.06, 0.035),
    (0.32, 0.22, 0.13),
    (0.45, 0.43, 0.40),
    (0.06, 0.06, 0.065),
    (0.60, 0.55, 0.48),
)
_LIDS = ((0.88, 0.88, 0.87), (0.02, 0.02, 0.022))


def _surround(rng, shot: Shot) -> np.ndarray:
    options = _LIDS if shot.scanned else _DESKS
    return np.array(options[rng.integers(len(options))])


def on_bed(rng: np.random.Generator, strips: list[MadeStrip], *, stem: str, shot: Shot) -> MadePicture:
    """Strips side by side on a scanner's bed, without the mat; their outlines are known in pixels."""
    lying, size = rows_of_strips(rng, strips, gap_mm=5.0, turn_deg=1.5, jitter_mm=1.0)
    surround = _surround(rng, shot)
    scale = round(shot.dpi / 25.4 * 4) / 4
    light = np.full((round(size[1] * scale), round(size[0] * scale), 3), surround, dtype=np.float32)
    corners = np.array([[0, 0], [size[0], 0], [size[0], size[1]], [0, size[1]]])
    view = scan_view(rng, corners_mm=corners, dpi=shot.dpi, turn_deg=0.3, margin_mm=2.0)
    return _pictured(rng, Plane(light, scale), view, lying, stem=stem, shot=shot, surround=surround)


_GROUNDS = {"light": (0.62, 0.60, 0.56), "dark": (0.045, 0.043, 0.04), "middling": (0.24, 0.19, 0.14)}


def loose(rng: np.random.Generator, strips: list[MadeStrip], *, stem: str, shot: Shot, lie: LooseLie) -> MadePicture:
    """Strips lying about on a plain ground, with boxes empty or in pixels; rows in reading order.

    Raises
    ------
    ValueError
        The shot asks for cells.
    """
    if shot.boxes == "cells":
        raise ValueError("loose strips have no cells; ask for empty boxes or boxes in pixels")
    lying, size = rows_of_strips(rng, strips, gap_mm=9.0, turn_deg=lie.turn_deg, jitter_mm=2.0)
    if lie.touching:
        lying = pushed_together(lying)
    if lie.cut_off:
        lying = pushed_out(rng, lying, size)
    frame = np.array([[0, 0], [size[0], 0], [size[0], size[1]], [0, size[1]]])
    view = _clear_view(rng, frame, lying, shot, any_way_up=lie.any_way_up)
    plane, surround = _ground(rng, view, lie.ground)
    return _pictured(rng, plane, view, lying, stem=stem, shot=shot, surround=surround)


def _clear_view(rng, frame, lying, shot: Shot, *, any_way_up: bool) -> View:
    """A view in which the reading order is plain."""
    for attempt in range(60):
        turn = rng.uniform(0, 360) if any_way_up and attempt < 50 else 0.0
        c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        turned = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
        view = _view(rng, projected(turned, frame), shot)
        view = View(view.matrix @ turned, view.size, view.bulge)
        if reading_order([view.to_pixels(p.corners_mm) for p in lying])[1] > 0.12:
            return view
    raise ValueError("these strips cannot be laid so that their reading order is plain; use fewer strips")


def _ground(rng, view: View, kind: str) -> tuple[Plane, np.ndarray]:
    """A plain but not perfectly even ground, as large as the picture sees."""
    colour = np.array(_GROUNDS[kind]) * np.exp(rng.normal(0, 0.08, 3))
    width, height = view.size
    seen = view.to_millimetres(np.array([[0, 0], [width, 0], [width, height], [0, height]]))
    low, high = seen.min(axis=0) - 2.0, seen.max(axis=0) + 2.0
    scale = view.px_per_mm(seen.mean(axis=0))
    columns, rows = np.ceil((high - low) * scale / 2).astype(int)
    grain = 1 + 0.06 * smooth_noise(rng, (rows, columns), sigma_px=float(rng.uniform(0.8, 3)))
    broad = cv2.resize(rng.standard_normal((6, 6)).astype(np.float32), (columns, rows), interpolation=cv2.INTER_CUBIC)
    fine = cv2.resize((grain * (1 + 0.05 * broad)).astype(np.float32), None, fx=2, fy=2)
    return Plane(fine[..., None] * colour.astype(np.float32), scale, (float(low[0]), float(low[1]))), colour


def _pictured(rng, plane: Plane, view: View, lying: list[Placed], *, stem, shot: Shot, surround) -> MadePicture:
    """Lay the strips, take the picture, and write down what is known."""
    towards = rng.normal(0, 0.4, 2)
    for item in lying:
        plane.lay(item.strip, item.corners_mm, shadow=0.05 if shot.scanned else 0.15, shadow_mm=tuple(towards))
    light = view.pictured(plane, surround=surround)
    middle = np.mean([p.corners_mm.mean(axis=0) for p in lying], axis=0)
    codes = develop(rng, light, shot.camera, px_per_mm=view.px_per_mm(middle))
    name = stem + shot.form.ending
    outlines = {
        (p.strip.plan.name, i): view.to_pixels(p.on_plane(polygon))
        for p in lying
        for i, polygon in enumerate(p.strip.polygons_mm)
    }
    papers = {p.strip.plan.name: view.to_pixels(p.corners_mm) for p in lying}
    rows = _table_rows(rng, lying, outlines, papers, name=name, shot=shot)
    truth = [_truth(p.strip, name, papers[p.strip.plan.name], view.size) for p in lying]
    data = picture_bytes(codes, space=shot.camera.space, form=shot.form)
    return MadePicture(name, data, view.size, rows, outlines, papers, truth)


def _table_rows(rng, lying, outlines, papers, *, name: str, shot: Shot) -> list[dict[str, str]]:
    """Rows of the table: in reading order where boxes are empty."""
    if shot.boxes == "empty":
        order, _ = reading_order([papers[p.strip.plan.name] for p in lying])
        lying = [lying[i] for i in order]
    rows = []
    for item in lying:
        for i, row in enumerate(rows_of(item.strip)):
            box = item.cell
            if shot.boxes != "cells":
                box = _box(rng, outlines[row["strip"], i], shot) if shot.boxes == "pixels" else ""
            rows.append({"picture": name} | row | {"box": box})
    return rows


def _box(rng, polygon: np.ndarray, shot: Shot) -> str:
    moved = polygon + rng.uniform(-shot.box_error_px, shot.box_error_px, (4, 2))
    return " ".join(f"{v:.0f}" for v in moved.ravel())


def _truth(strip: MadeStrip, picture: str, paper: np.ndarray, size: tuple[int, int]) -> dict:
    """What is true of a strip: the light its film lets through, and what was planted."""
    plan = strip.plan
    under = [(p, t) for p, t in zip(plan.patches, strip.transmission) if p.product]
    outside = bool((paper < -0.5).any() or (paper > np.array(size) - 0.5).any())
    known = {
        "picture": picture,
        "strip": plan.name,
        "plate": plan.plate,
        "steps": plan.is_steps,
        "under_glass": all(p.under_glass for p in plan.patches),
        "paper_sheet": plan.sheet.name,
        "run": plan.exposure.run,
        "marks": list(plan.marks),
        "cut_off": outside,
    }
    if under:
        transmission = float(np.mean([t for _, t in under]))
        along = under[0][0].film.transmission(np.linspace(0, 1, 101))
        known |= {
            "product": under[0][0].product,
            "transmission": transmission,
            "blocked": 100 * (1 - transmission),
            "blocked_lowest": float(100 * (1 - along.max())),
            "blocked_highest": float(100 * (1 - along.min())),
        }
    return known
