"""The demonstration: an invented tester's two UV campaigns on half plates, with faults planted.

Products, values, lamp and faults are invented so that they hang together; none is a measurement of anything.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from fairpanel.rehearsal.camera import draw_phone, draw_scanner
from fairpanel.rehearsal.campaigns import FULL, MadeCampaign, TableForm, generator
from fairpanel.rehearsal.curves import curve
from fairpanel.rehearsal.encoding import FileForm
from fairpanel.rehearsal.exposure import Exposure, Lamp, Patch, draw_film
from fairpanel.rehearsal.making import Names, product_patches
from fairpanel.rehearsal.paper import (
    Paper,
    Sheet,
    another_lot,
    cut_places,
    draw_paper,
    draw_sheet,
    steps_place,
)
from fairpanel.rehearsal.scenes import MadePicture, Shot, on_mat
from fairpanel.rehearsal.strips import MadeStrip, StripPlan, make_strip


@dataclass(frozen=True)
class Item:
    """A product or reference of the demonstration.

    Parameters
    ----------
    code, name, kind : str
    blocked : float
        By its nominal film, paper-weighted. [%]
    mass_cv, uneven : float
        Film mass between plates; unevenness along a plate. [1]
    seconds : tuple of float
        One exposure, or a bracket on one strip. [s]
    half_plate : bool
        On one half of a plate, the other glass only.
    """

    code: str
    name: str
    kind: str
    blocked: float
    mass_cv: float = 0.18
    uneven: float = 0.03
    seconds: tuple[float, ...] = (90.0,)
    half_plate: bool = True

    @property
    def role(self) -> str:
        """As the table names it."""
        return "reference" if self.code[0] in "RC" else "product"


BRACKET = (60.0, 240.0)
ITEMS = (
    Item("P01", "Paste wax A", "paste wax", 0.5),
    Item("P02", "Natural paste wax B", "natural paste wax", 0.3),
    Item("P03", "Liquid wax C", "synthetic wax", 1.5),
    Item("P04", "Sealant D", "sealant", 1.3),
    Item("P05", "Sealant D, two coats", "layering arm", 1.9),
    Item("P06", "Spray wax E", "spray wax", 0.1),
    Item("P07", "Rinse-on sealant F", "rinse-on sealant", 0.3),
    Item("P08", "Silica spray G", "silica spray", 3.7),
    Item("D2", "Code D2", "silica spray", 3.7),
    Item("P09", "Tinted silica spray H", "carbon-tinted spray", 3.2),
    Item("P10", "Consumer coating J", "consumer coating", 9.3),
    Item("P11", "Silazane coating K", "silazane coating", 16.3),
    Item("P12", "Silazane coating K with topper L", "coating + topper", 17.5),
    Item("P13", "Sealant M, sold for sun", "sealant sold for sun", 15.5),
    Item("P14", "Budget paste wax N", "budget paste wax", 0.7),
    Item("C1", "Carrier-wiped plate", "process control", 0.2, 0.0, 0.0),
    Item("R1", "2K clear coat panel-film", "reference", 80.0, 0.04, 0.0, BRACKET, False),
    Item("R2", "Clear lacquer, no absorber", "negative reference", 4.5, 0.0, 0.0),
    Item("R3", "Sunscreen lotion", "sunscreen", 69.8, 0.15, 0.20, BRACKET, False),
    Item("R4", "Sunscreen spray", "sunscreen", 46.3, 0.18, 0.40, BRACKET, False),
    Item("R5", "Paint film, TPU", "reference", 82.9, 0.02, 0.0, BRACKET, False),
    Item("R6", "Woven mesh, 50 % open", "linearity check", 50.0, 0.0, 0.0, half_plate=False),
)
STEPS = (0.0, 8.0, 15.0, 25.0, 40.0, 60.0, 90.0, 150.0)
PLATES_PER_CAMPAIGN, SHEETS_PER_CAMPAIGN = 3, 6
#: Bench places of four strips exposed together, about the foot of the lamp. [mm]
PLACES = ((-22.0, 0.0), (22.0, 0.0), (-66.0, 0.0), (66.0, 0.0))

#: What is planted, by its number in the list of faults.
FAULTS = {
    "1": "run 7 was started 7 min after the lamp was switched on",
    "2": "two strips of run 9 were cut from paper lot A7, the others from B1",
    "3": "two plates of Liquid wax C are of a sun-faded glass lot",
    "4": "the third plate of Consumer coating J was left unbuffed",
    "6": "the strips of run 12 were pictured 3 h after the rinse",
    "12": "run 4, with the mesh in it, was photographed in a mode that evens out light and dark areas",
}


@dataclass
class _Bench:
    lots: dict[str, Paper]
    lamp: Lamp
    names: Names
    plates: dict[str, int]


def demo_campaign(seed: int = 1) -> MadeCampaign:
    """The demonstration's pictures, table and truth; the same for the same seed."""
    rng = generator(seed, "demo", "bench")
    a7 = replace(draw_paper(rng, half_seconds=64.0, lot="A7"), curve=curve("stretched", (1.05,)), range_density=1.15)
    bench = _Bench(
        lots={"A7": a7, "B1": another_lot(a7, lot="B1", slower=1.117)},
        lamp=Lamp(name="L2", axis_mm=(-7.0, 0.0)),
        names=Names(generator(seed, "demo", "names")),
        plates={},
    )
    pictures = []
    for campaign in (1, 2):
        sheets = _blocks(generator(seed, "demo", "blocks", campaign), campaign)
        for i, items in enumerate(sheets):
            run = 6 * (campaign - 1) + i + 1
            pictures.append(_run(generator(seed, "demo", "run", run), bench, items, run=run))
    products = {item.name: item.blocked for item in ITEMS}
    return MadeCampaign("demo", seed, pictures, TableForm(FULL), products, {"faults": FAULTS})


def _blocks(rng: np.random.Generator, campaign: int) -> list[list[Item]]:
    """The strips of each sheet: every item on three of six sheets, so that its plates are true replicates.

    In the first campaign the mesh lies on the fourth sheet, whose picture is taken in the wrong mode.
    """
    free = np.full(SHEETS_PER_CAMPAIGN, len(ITEMS) * PLATES_PER_CAMPAIGN // SHEETS_PER_CAMPAIGN)
    sheets: list[list[Item]] = [[] for _ in free]
    mesh_first = sorted(rng.permutation(len(ITEMS)), key=lambda i: ITEMS[i].code != "R6")
    for i in mesh_first:
        wanted = free + 0.5 * rng.random(len(free))
        if ITEMS[i].code == "R6" and campaign == 1:
            wanted[3] += 1
        for sheet in np.argsort(-wanted)[:PLATES_PER_CAMPAIGN]:
            sheets[sheet].append(ITEMS[i])
            free[sheet] -= 1
    return sheets


def _run(rng: np.random.Generator, bench: _Bench, items: list[Item], *, run: int) -> MadePicture:
    """One sitting at the lamp, its strips all from one sheet, and their picture."""
    lot = "A7" if run <= 6 else "B1"
    sheet = draw_sheet(rng, bench.lots[lot], name=f"{lot}-{run}")
    stray = draw_sheet(rng, bench.lots["A7"], name="A7-7") if run == 9 else None
    hours = 3.0 if run == 12 else round(float(rng.uniform(24, 30)), 1)
    aged = 0.93 if run == 12 else 1.0
    clock = 420.0 if run == 7 else float(rng.uniform(1200, 2400))
    output = float(np.exp(rng.normal(0, bench.lamp.run_sd)))
    corners, strips = iter(cut_places(rng)), []
    brackets = [item for item in items if len(item.seconds) > 1]
    halves = [item for item in items if len(item.seconds) == 1]
    strayed = iter([stray, stray] if stray else [])
    waiting = [*(halves[i] for i in rng.permutation(len(halves))), None, *brackets]
    for at in range(0, len(waiting), len(PLACES)):
        together = waiting[at : at + len(PLACES)]
        drifted = output * float(np.exp(rng.normal(0, bench.lamp.drift)))
        for item, place in zip(together, PLACES):
            exposure = Exposure(str(run), drifted, round(clock), place, windowed=False)
            own = next(strayed, sheet) if item and item.role == "product" else sheet
            plan = _plan(rng, bench, item, own, next(corners), exposure, run=run)
            strips.append((replace(plan, aged=aged), hours))
        clock += max(max(item.seconds) if item else 90.0 for item in together) + 75.0
    strips.append((replace(_steps_plan(rng, bench, sheet, output, clock, run), aged=aged), hours))
    made = [_made(rng, plan, bench, run=run, hours=h) for plan, h in strips]
    return on_mat(rng, made, stem=f"run_{run:02d}", shot=_shot(rng, run))


def _plan(rng, bench: _Bench, item: Item | None, sheet: Sheet, corner, exposure: Exposure, *, run: int) -> StripPlan:
    """A strip of an item, or a glass-only control where there is none."""
    faded, facts = 1.0, {"glass_lot": "G4"}
    if item is None:
        patches: tuple[Patch, ...] = (Patch("glass only", 90.0),)
    else:
        bench.plates[item.code] = number = bench.plates.get(item.code, 0) + 1
        if item.code == "P03" and number in (1, 3):
            faded, facts = 0.965, {"glass_lot": "G2"}
        mass = 4.1 if item.code == "P10" and number == 3 else 1.0
        film = draw_film(rng, blocked=item.blocked, mass_cv=item.mass_cv, uneven=item.uneven, mass=mass)
        patches = product_patches(
            rng,
            product=item.name,
            kind=item.kind,
            film=film,
            seconds=item.seconds,
            role=item.role,
            half_plate=item.half_plate,
        )
    return StripPlan(
        name=bench.names.strip(),
        plate=bench.names.plate(),
        patches=patches,
        sheet=sheet,
        corner_mm=corner,
        exposure=replace(exposure, glass=faded, side_light=float(rng.uniform(0, 0.04))),
        width_mm=21.5,
        length_mm=57.0,
        rim_mm=2.0,
        pencilled=True,
        facts=facts,
    )


def _steps_plan(rng, bench: _Bench, sheet: Sheet, output: float, clock: float, run: int) -> StripPlan:
    drifted = output * float(np.exp(rng.normal(0, bench.lamp.drift)))
    return StripPlan(
        name=bench.names.strip(),
        plate="",
        patches=tuple(Patch("step", t) for t in STEPS),
        sheet=sheet,
        corner_mm=steps_place(),
        turned=True,
        width_mm=21.5,
        length_mm=148.0,
        rim_mm=2.0,
        pencilled=True,
        exposure=Exposure(str(run), drifted, round(clock), bench.lamp.axis_mm, windowed=True),
        facts={"glass_lot": "G4"},
    )


def _made(rng, plan: StripPlan, bench: _Bench, *, run: int, hours: float) -> MadeStrip:
    """The strip made, with its times written down."""
    day = datetime(2026, 2, 2, 18, 0) if run <= 6 else datetime(2026, 6, 1, 18, 0)
    exposed = day + timedelta(days=2 * ((run - 1) % 6))
    facts = {
        "hours_since_rinse": f"{hours:g}",
        "campaign": "UV 1" if run <= 6 else "UV 2",
        "lamp": bench.lamp.name,
        "exposed_at": f"{exposed:%Y-%m-%d %H:%M}",
        "pictured_at": f"{exposed + timedelta(hours=hours, minutes=20):%Y-%m-%d %H:%M}",
        "method": "uv_strip",
    }
    return make_strip(rng, replace(plan, facts=plan.facts | facts), bench.lamp)


def _shot(rng: np.random.Generator, run: int) -> Shot:
    """Odd runs are scanned, even ones photographed; run 4 in an automatic mode."""
    if run % 2:
        return Shot(
            draw_scanner(rng),
            FileForm("jpeg", quality=95, full_colour=True, dpi=170.0),
            scanned=True,
            dpi=170.0,
        )
    camera = draw_phone(rng)
    if run == 4:
        camera = replace(camera, local_tone=0.4)
    turn = int(rng.choice([1, 6]))
    return Shot(camera, FileForm("jpeg", quality=93, orientation=turn, automatic=run == 4), scanned=False)
