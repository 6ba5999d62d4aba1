"""Made strips: a piece of paper with what was exposed on it, drawn true to the millimetre.

A strip's own co-ordinates are x across and y along from its start, in millimetres; its picture has rows
along it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from fairpanel.rehearsal import defects
from fairpanel.rehearsal.exposure import Exposure, Lamp, Patch, dose
from fairpanel.rehearsal.paper import Sheet

PX_PER_MM = 4.0


@dataclass(frozen=True)
class StripPlan:
    """A strip to be made.

    Parameters
    ----------
    name, plate : str
        As the tester writes them; a step strip has no plate.
    patches : tuple of Patch
        From the start of the strip.
    sheet : Sheet
    corner_mm : (x, y)
        Where on the sheet it is cut. [mm]
    turned : bool
        Its length runs along the sheet's x.
    exposure : Exposure
    width_mm, length_mm, rim_mm : float
        The rim is unexposed, on all sides. [mm]
    aged : float
        Share of the final image density when pictured; below 1 for strips pictured too soon. [1]
    marks : tuple of str
        Names of defects.
    pencilled : bool
    facts : mapping
        Further columns of the table, the same for all patches.
    """

    name: str
    plate: str
    patches: tuple[Patch, ...]
    sheet: Sheet
    corner_mm: tuple[float, float]
    exposure: Exposure
    turned: bool = False
    width_mm: float = 22.0
    length_mm: float = 60.0
    rim_mm: float = 0.0
    aged: float = 1.0
    marks: tuple[str, ...] = ()
    pencilled: bool = False
    facts: dict[str, str] = field(default_factory=dict)

    @property
    def is_steps(self) -> bool:
        """Whether it is a step strip."""
        return self.patches[0].role.startswith("step")


@dataclass(frozen=True)
class MadeStrip:
    """A strip as it can be laid down and pictured.

    Parameters
    ----------
    plan : StripPlan
    reflectance : (rows, columns, 3) float32 array
        Linear light given back, working space; a perfect white is 1.
    polygons_mm : tuple of (4, 2) arrays
        Corners of each patch: start left, start right, end right, end left. [mm]
    light : tuple of float
        Relative light of each patch by the lamp's formula. [1]
    transmission : tuple of float
        True transmission of each patch's film. [1]
    """

    plan: StripPlan
    reflectance: np.ndarray
    polygons_mm: tuple[np.ndarray, ...]
    light: tuple[float, ...]
    transmission: tuple[float, ...]

    @property
    def outline_mm(self) -> np.ndarray:
        """(4, 2) corners of the piece of paper, in the same order as those of a patch. [mm]"""
        return _rectangle(0.0, 0.0, self.plan.width_mm, self.plan.length_mm)


def _rectangle(x0: float, y0: float, x1: float, y1: float) -> np.ndarray:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def make_strip(rng: np.random.Generator, plan: StripPlan, lamp: Lamp) -> MadeStrip:
    """Expose, rinse and dry one strip."""
    shape = (round(plan.length_mm * PX_PER_MM), round(plan.width_mm * PX_PER_MM))
    weight, speed = plan.sheet.piece(
        rng, corner_mm=plan.corner_mm, turned=plan.turned, shape=shape, px_per_mm=PX_PER_MM
    )
    received = dose(
        rng,
        plan.patches,
        lamp=lamp,
        exposure=plan.exposure,
        shape=shape,
        px_per_mm=PX_PER_MM,
        rim_mm=plan.rim_mm,
    )
    density = plan.aged * weight * plan.sheet.paper.image_density(received.seconds * speed)
    rim = plan.rim_mm
    polygons = tuple(_rectangle(rim, a / PX_PER_MM, plan.width_mm - rim, b / PX_PER_MM) for a, b in received.bounds)
    return MadeStrip(plan, _pictured(rng, plan, density), polygons, received.light, received.transmission)


def _pictured(rng: np.random.Generator, plan: StripPlan, density: np.ndarray) -> np.ndarray:
    """Light given back by the strip, with its marks."""
    shape = density.shape
    if "bubbles" in plan.marks:
        density = density * defects.bubbles(rng, shape, px_per_mm=PX_PER_MM)
    if "scratch" in plan.marks:
        density = density * defects.scratches(rng, shape, px_per_mm=PX_PER_MM)
    light = plan.sheet.paper.reflectance(density)
    light *= (1 + 0.004 * rng.standard_normal((*shape, 1))).astype(np.float32)
    if "stain" in plan.marks:
        light *= defects.stain(rng, shape, px_per_mm=PX_PER_MM)
    if "curl" in plan.marks:
        light *= defects.curl(rng, shape)[..., None]
    if plan.pencilled:
        text = plan.name[-4:]
        mark = defects.pencil(rng, shape, text=text, px_per_mm=PX_PER_MM, margin_mm=plan.rim_mm)
        light *= mark[..., None]
    return np.ascontiguousarray(light, dtype=np.float32)


def rows_of(strip: MadeStrip) -> list[dict[str, str]]:
    """The strip's rows of the table, one per patch, without picture and box."""
    plan = strip.plan
    rows = []
    for patch, light in zip(plan.patches, strip.light):
        row = {
            "strip": plan.name,
            "role": patch.role,
            "seconds": f"{patch.seconds:g}",
            "product": patch.product,
            "kind": patch.kind,
            "plate": plan.plate,
            "paper_sheet": plan.sheet.name,
            "paper_lot": plan.sheet.paper.lot,
            "run": plan.exposure.run,
            "place_x_mm": f"{plan.exposure.place_mm[0]:.0f}",
            "place_y_mm": f"{plan.exposure.place_mm[1]:.0f}",
            "relative_light": f"{light:.3f}",
            "lamp_on_s": f"{plan.exposure.lamp_on_s:.0f}",
        }
        rows.append(row | plan.facts)
    return rows
