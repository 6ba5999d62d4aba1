"""From a design to a made campaign: strips exposed and laid down picture by picture."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from fairpanel.rehearsal.camera import Camera, draw_hard_phone, draw_phone, draw_scanner
from fairpanel.rehearsal.campaigns import FULL, SHORT, MadeCampaign, draw_table_form, generator
from fairpanel.rehearsal.defects import DEFECTS
from fairpanel.rehearsal.designs import Design, blocked_values, exposure_times, step_times
from fairpanel.rehearsal.encoding import FileForm
from fairpanel.rehearsal.exposure import NO_FILM, Exposure, Lamp, Patch, draw_film
from fairpanel.rehearsal.lying import LooseLie
from fairpanel.rehearsal.paper import Paper, Sheet, cut_places, draw_paper, draw_sheet, steps_place
from fairpanel.rehearsal.scenes import MadePicture, Shot, loose, on_bed, on_mat
from fairpanel.rehearsal.strips import StripPlan, make_strip

_HANDLING_S = 75.0


@dataclass(frozen=True)
class Bench:
    """What is the same all through a made campaign."""

    paper: Paper
    lamp: Lamp
    seconds: tuple[float, ...]
    steps: tuple[float, ...]
    strip_mm: tuple[float, float]
    steps_mm: tuple[float, float]
    rim_mm: float
    light: str
    start: datetime


def draw_bench(rng: np.random.Generator, design: Design) -> Bench:
    """Paper, lamp and strips of a campaign at random."""
    seconds, half = exposure_times(rng, design)
    paper = draw_paper(
        rng,
        half_seconds=half,
        lot=f"lot {rng.integers(10, 99)}",
        brushed=design.brushed,
        odd=design.odd_curve,
        deep=design.deep_blue,
        uneven=design.uneven,
    )
    light = design.light
    if light == "drawn":
        light = "window" if rng.random() < 0.7 else "known"
    return Bench(
        paper=paper,
        lamp=Lamp(drift=design.drift),
        seconds=seconds,
        steps=step_times(design.steps, longest=max(seconds)),
        strip_mm=(float(rng.uniform(19.5, 22.5)), float(rng.uniform(54, 58.5))),
        steps_mm=(float(rng.uniform(19.5, 22.5)), float(rng.uniform(122, 156))),
        rim_mm=float(rng.choice([0.0, rng.uniform(1.5, 3.0)])),
        light=light,
        start=datetime(2026, int(rng.integers(1, 12)), int(rng.integers(1, 28)), int(rng.integers(8, 20))),
    )


class Sitting:
    """One sitting at the lamp: exposures one after another, each with its own drift."""

    def __init__(self, rng: np.random.Generator, bench: Bench, *, run: str, lamp_on_s: float | None = None) -> None:
        self.rng, self.lamp, self.run, self.light = rng, bench.lamp, run, bench.light
        self.output = float(np.exp(rng.normal(0, bench.lamp.run_sd)))
        self.clock_s = float(rng.uniform(1500, 4000)) if lamp_on_s is None else lamp_on_s

    def expose(self, seconds: float, *, long: bool = False, glass: float = 1.0) -> Exposure:
        """The next exposure. Long strips are drawn under the window unless the light is known everywhere."""
        windowed = self.light == "window" or (long and self.light == "unknown")
        place = (0.0, 0.0) if windowed or long else self._place()
        made = Exposure(
            run=self.run,
            output=self.output * float(np.exp(self.rng.normal(0, self.lamp.drift))),
            lamp_on_s=round(self.clock_s),
            place_mm=place,
            windowed=windowed,
            glass=glass,
            side_light=float(self.rng.uniform(0, 0.06)),
        )
        self.clock_s += seconds + _HANDLING_S
        return made

    def _place(self) -> tuple[float, float]:
        far, angle = 40 * np.sqrt(self.rng.random()), self.rng.uniform(0, 2 * np.pi)
        return float(round(far * np.cos(angle))), float(round(far * np.sin(angle)))


class Names:
    """Codes for strips and plates, without meaning and never twice."""

    def __init__(self, rng: np.random.Generator) -> None:
        letters = "abcdefghkmnpqrstuvwxyz"
        self._codes = iter([f"{letters[i % 22]}{letters[i // 22 % 22]}{i % 89 + 10}" for i in rng.permutation(22 * 22)])
        self._plates = iter(rng.permutation(np.arange(100, 900)).tolist())

    def strip(self) -> str:
        """The next strip's code."""
        return next(self._codes)

    def plate(self) -> str:
        """The next plate's code."""
        return f"g{next(self._plates)}"


def product_patches(
    rng: np.random.Generator,
    *,
    product: str,
    film,
    seconds: tuple[float, ...],
    half_plate: bool,
    kind: str = "",
    role: str = "product",
) -> tuple[Patch, ...]:
    """The patches of a product's strip, from its start; which half is coated is left to chance."""
    if half_plate:
        share = float(rng.uniform(0.42, 0.58))
        coated = [Patch(role, t, product, kind, film, share / len(seconds)) for t in seconds]
        glass = [Patch("glass only", t, film=NO_FILM, length=(1 - share) / len(seconds)) for t in seconds]
        return tuple(coated + glass if rng.random() < 0.5 else glass + coated)
    patches = [Patch(role, t, product, kind, film) for t in seconds]
    if len(patches) > 2:  # a card drawn along the strip: in order
        return tuple(patches if rng.random() < 0.5 else patches[::-1])
    return tuple(patches[i] for i in rng.permutation(len(patches)))


def groups_of_products(design: Design, seed: int, name: str) -> list[dict[str, float]]:
    """Products of each group, with what their nominal film blocks. [%]"""
    if design.products:
        n = design.per_picture
        return [dict(design.products[i : i + n]) for i in range(0, len(design.products), n)]
    rng = generator(seed, name, "products")
    numbers = iter(rng.permutation(np.arange(1, 1 + design.groups * design.per_picture)))
    return [
        {f"Product {next(numbers):02d}": float(b) for b in blocked_values(rng, design)} for _ in range(design.groups)
    ]


def make_campaign(name: str, design: Design, seed: int) -> MadeCampaign:
    """The campaign of a design: the same for the same name, design and seed."""
    rng = generator(seed, name, "bench")
    bench = draw_bench(rng, design)
    names = Names(generator(seed, name, "names"))
    groups = groups_of_products(design, seed, name)
    taken: list[tuple[MadePicture, Camera]] = []
    number = 0
    for products in groups:
        for sheet in range(design.sheets):
            number += 1
            times = design.plates_on_sheet(sheet)
            on_sheet = [(product, blocked) for product, blocked in products.items() for _ in range(times)]
            taken += _sheet_of_strips(design, bench, on_sheet, names, seed, name, number)
    return MadeCampaign(
        name,
        seed,
        [made for made, _ in taken],
        draw_table_form(rng, columns=_columns(rng, design, bench)),
        {product: blocked for group in groups for product, blocked in group.items()},
        {
            "paper": _paper_facts(bench),
            "cameras": {made.name: asdict(camera) for made, camera in taken},
            "light": bench.light,
            "design": asdict(design),
        },
    )


def _columns(rng, design: Design, bench: Bench) -> tuple[str, ...]:
    """Columns of the table: all, or only as many as this design needs."""
    if design.table == "full" or (design.table == "drawn" and rng.random() < 0.5):
        return FULL
    more = ("plate", "paper_sheet") if design.sheets > 1 or design.plates > 1 else ()
    return (*SHORT, *more, *(("relative_light",) if bench.light == "known" else ()))


def _paper_facts(bench: Bench) -> dict:
    curve = bench.paper.curve
    return {
        "half_seconds": bench.paper.half_seconds,
        "family": curve.family,
        "parameters": list(curve.parameters),
        "contrast": curve.contrast,
        "range_density": bench.paper.range_density,
        "seconds": list(bench.seconds),
    }


def _sheet_of_strips(design, bench, on_sheet, names, seed, name, number) -> list[tuple[MadePicture, Camera]]:
    """The picture of one paper sheet's strips, and perhaps a second one with the steps alone."""
    rng = generator(seed, name, "sheet", number)
    sheet = draw_sheet(rng, bench.paper, name=f"s{number}")
    sitting = Sitting(rng, bench, run=str(number))
    facts = _facts(rng, bench, number)
    corners = iter(cut_places(rng))
    plans = [
        _product_plan(rng, design, bench, sheet, next(corners), sitting, names, product, b) | {"facts": facts}
        for product, b in on_sheet
    ]
    for role in ["glass only"] * design.controls + ["no glass"] * design.no_glass:
        patches = (Patch(role, max(bench.seconds)),)
        plans.append(_plan(rng, bench, sheet, next(corners), sitting, names, patches) | {"facts": facts})
    plans = [plans[i] for i in rng.permutation(len(plans))]
    strips = [make_strip(rng, StripPlan(**plan), bench.lamp) for plan in plans]
    steps = _steps(rng, design, bench, sheet, sitting, names, facts, number)
    scanned = design.camera == "scan" or (design.camera == "either" and rng.random() < 0.5)
    stem = f"{'scan' if scanned else 'photo'}_{number:02d}"
    if design.steps_from in ("other picture", "elsewhere"):
        together = [(strips, stem), ([steps], stem + "_steps")]
    else:
        together = [([*strips, steps], stem)]
    return [_taken(rng, design, lying, name, scanned=scanned) for lying, name in together]


def _facts(rng, bench: Bench, number: int) -> dict[str, str]:
    exposed = bench.start + timedelta(days=2 * number)
    hours = float(rng.uniform(24, 40))
    return {
        "hours_since_rinse": f"{hours:.0f}",
        "campaign": f"{bench.start:%Y} UV",
        "lamp": bench.lamp.name,
        "glass_lot": "G1",
        "exposed_at": f"{exposed:%Y-%m-%d %H:%M}",
        "pictured_at": f"{exposed + timedelta(hours=hours):%Y-%m-%d %H:%M}",
        "method": "uv_strip",
    } | ({"relative_light": "", "place_x_mm": "", "place_y_mm": ""} if bench.light == "unknown" else {})


def _plan(rng, bench: Bench, sheet: Sheet, corner, sitting: Sitting, names: Names, patches, marks=()) -> dict:
    """The parts of a strip's plan that products and controls share."""
    return {
        "name": names.strip(),
        "plate": names.plate(),
        "patches": patches,
        "sheet": sheet,
        "corner_mm": corner,
        "exposure": sitting.expose(max(p.seconds for p in patches)),
        "width_mm": bench.strip_mm[0] + float(rng.uniform(-0.4, 0.4)),
        "length_mm": bench.strip_mm[1] + float(rng.uniform(-0.4, 0.4)),
        "rim_mm": bench.rim_mm,
        "marks": marks,
        "pencilled": bool(rng.random() < 0.6),
    }


def _product_plan(rng, design, bench, sheet, corner, sitting, names, product, blocked) -> dict:
    film = draw_film(rng, blocked=blocked, mass_cv=design.film_cv, uneven=float(rng.uniform(0, design.film_uneven)))
    patches = product_patches(rng, product=product, film=film, seconds=bench.seconds, half_plate=design.half_plates)
    marks: tuple[str, ...] = ()
    if rng.random() < design.marked:
        marks = tuple(str(m) for m in rng.choice(DEFECTS, size=int(rng.integers(1, 3)), replace=False))
    return _plan(rng, bench, sheet, corner, sitting, names, patches, marks)


def _steps(rng, design, bench, sheet, sitting, names, facts, number):
    """The step strip, from where the design says."""
    if design.steps_from in ("sheet", "elsewhere"):
        sheet = draw_sheet(rng, bench.paper, name=f"s{number + 50}")
    if design.steps_from in ("run", "elsewhere"):
        sitting = Sitting(rng, bench, run=str(number + 50))
    hidden = design.step_role == "step unknown" and bool(rng.random() < 0.5)
    patches = tuple(Patch(design.step_role, t, hidden_no_glass=hidden) for t in bench.steps)
    plan = StripPlan(
        name=names.strip(),
        plate="",
        patches=patches,
        sheet=sheet,
        corner_mm=steps_place(),
        turned=True,
        exposure=sitting.expose(max(bench.steps), long=True),
        width_mm=bench.steps_mm[0],
        length_mm=bench.steps_mm[1],
        rim_mm=bench.rim_mm,
        pencilled=bool(rng.random() < 0.4),
        facts=facts,
    )
    return make_strip(rng, plan, bench.lamp)


def _taken(rng, design: Design, strips, stem: str, *, scanned: bool) -> tuple[MadePicture, Camera]:
    """The strips laid down and pictured as the design says."""
    shot = draw_shot(rng, scanned=scanned, hard=design.camera == "hard phone")
    if design.dpi and scanned:
        shot = replace(shot, dpi=design.dpi, form=replace(shot.form, dpi=design.dpi))
    shot = replace(shot, megapixels=design.megapixels or shot.megapixels)
    if design.scene == "bed":
        made = on_bed(rng, strips, stem=stem, shot=replace(shot, boxes="pixels", box_error_px=3.0))
    elif design.scene == "loose":
        made = loose(rng, strips, stem=stem, shot=replace(shot, boxes="empty"), lie=_lie(rng, design))
    else:
        made = on_mat(rng, strips, stem=stem, shot=shot, steps_turned=bool(rng.random() < 0.3))
    return made, shot.camera


def draw_shot(rng: np.random.Generator, *, scanned: bool, hard: bool = False) -> Shot:
    """Camera, file and mat of a picture at random."""
    page = "letter" if rng.random() < 0.1 else "A4"
    scale = float(rng.choice([1.0, 0.985, 0.95], p=[0.75, 0.13, 0.12]))
    if scanned:
        kind = str(rng.choice(["png", "png 16", "tiff", "tiff 16", "jpeg"], p=[0.5, 0.06, 0.1, 0.14, 0.2]))
        camera = draw_scanner(rng, bits=16 if kind.endswith("16") else 8)
        dpi = float(rng.choice([150, 200, 300], p=[0.15, 0.8, 0.05]))
        form = FileForm(
            kind.split()[0],
            quality=90,
            full_colour=bool(rng.random() < 0.5),
            dpi=dpi,
            tagged=bool(rng.random() < 0.8),
        )
        return Shot(camera, form, scanned=True, dpi=dpi, print_scale=scale, page=page)
    camera = draw_hard_phone(rng) if hard else draw_phone(rng)
    form = FileForm(
        "jpeg",
        quality=int(rng.integers(85, 96)),
        full_colour=bool(rng.random() < 0.3),
        orientation=int(rng.choice([1, 3, 6, 8], p=[0.4, 0.1, 0.4, 0.1])),
        tagged=bool(rng.random() < 0.85),
    )
    size = float(rng.choice([3.0, 4.0, 8.0, 12.0], p=[0.75, 0.17, 0.05, 0.03]))
    return Shot(camera, form, scanned=False, megapixels=size, print_scale=scale, page=page)


def _lie(rng, design: Design) -> LooseLie:
    kind = design.lie
    if kind == "drawn":
        kind = str(rng.choice(["plain", "touching", "any way up"], p=[0.6, 0.2, 0.2]))
    return LooseLie(
        ground=str(rng.choice(["light", "dark", "middling"], p=[0.3, 0.45, 0.25])),
        turn_deg=float(rng.uniform(2, 18)),
        any_way_up=kind == "any way up",
        touching=kind == "touching",
        cut_off=kind == "cut off",
    )
