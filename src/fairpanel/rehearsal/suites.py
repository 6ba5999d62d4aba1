"""Named suites: kinds of campaigns to judge a reader with, each made anew for every seed.

The exposures are in half-way exposures of the paper: 3.9 is the practitioner's four minutes, 1.4 the useful
one.
"""

from __future__ import annotations

from dataclasses import replace

from fairpanel.rehearsal.campaigns import MadeCampaign, generator
from fairpanel.rehearsal.designs import Design
from fairpanel.rehearsal.making import make_campaign

FOUR_MINUTES = {"relative": (3.9,), "seconds": (240.0,)}
USEFUL = {"relative": (1.4,)}
BRACKET = {"relative": (0.97, 3.9), "seconds": (60.0, 240.0), "steps": "geometric"}

#: Suites without faults, the four that the goals are stated for first.
FAULTLESS = {
    "scan_4min_linear": Design(camera="scan", **FOUR_MINUTES),
    "scan_4min_geometric": Design(camera="scan", steps="geometric", **FOUR_MINUTES),
    "phone_4min_linear": Design(camera="phone", **FOUR_MINUTES),
    "phone_4min_geometric": Design(camera="phone", steps="geometric", **FOUR_MINUTES),
    "scan_useful_linear": Design(camera="scan", **USEFUL),
    "scan_useful_geometric": Design(camera="scan", steps="geometric", **USEFUL),
    "phone_useful_linear": Design(camera="phone", **USEFUL),
    "phone_useful_geometric": Design(camera="phone", steps="geometric", **USEFUL),
    "scan_bracket": Design(camera="scan", **BRACKET),
    "phone_bracket": Design(camera="phone", **BRACKET),
    "scan_half": Design(camera="scan", steps="geometric", half_plates=True, **USEFUL),
    "phone_half": Design(camera="phone", steps="geometric", half_plates=True, **USEFUL),
    "scan_half_4min": Design(camera="scan", steps="geometric", half_plates=True, **FOUR_MINUTES),
    "phone_half_4min": Design(camera="phone", steps="geometric", half_plates=True, **FOUR_MINUTES),
    "scan_controls": Design(camera="scan", steps="geometric", controls=3, per_picture=9, **USEFUL),
    "scan_bed": Design(camera="scan", scene="bed", steps="geometric", **USEFUL),
    "scan_bed_4min": Design(camera="scan", scene="bed", **FOUR_MINUTES),
}

#: Film mass does not differ between the plates here, so that the product has one true value.
THREE_SHEETS = {
    f"{camera}_three_sheets": Design(
        camera=camera,
        steps="geometric",
        half_plates=True,
        sheets=3,
        film_cv=0.0,
        groups=6,
        table="full",
        **USEFUL,
    )
    for camera in ("scan", "phone")
}

LOOSE = {
    "scan_loose": Design(camera="scan", scene="loose", steps="geometric", per_picture=8, **USEFUL),
    "phone_loose": Design(camera="phone", scene="loose", steps="geometric", per_picture=6, **USEFUL),
    "phone_loose_cut_off": Design(camera="phone", scene="loose", per_picture=6, lie="cut off", **USEFUL),
}

#: Paper, lamp or picture break what a reader may hope for.
HARD = {
    "scan_brushed": Design(camera="scan", steps="geometric", brushed=True, **FOUR_MINUTES),
    "phone_brushed": Design(camera="phone", steps="geometric", brushed=True, **FOUR_MINUTES),
    "scan_brushed_useful": Design(camera="scan", steps="geometric", brushed=True, **USEFUL),
    "phone_hard": Design(camera="hard phone", steps="geometric", marked=1 / 3, **FOUR_MINUTES),
    "phone_hard_useful": Design(camera="hard phone", steps="geometric", marked=1 / 3, **USEFUL),
    "broken": Design(
        camera="either",
        steps="geometric",
        drift=0.03,
        uneven=2.5,
        odd_curve=True,
        light="unknown",
        **FOUR_MINUTES,
    ),
    "broken_useful": Design(
        camera="either", steps="geometric", drift=0.03, uneven=2.5, odd_curve=True, light="unknown", **USEFUL
    ),
    "steps_other_sheet": Design(
        camera="either", steps="geometric", steps_from="sheet", table="full", **FOUR_MINUTES
    ),
    "steps_other_run": Design(
        camera="either", steps="geometric", steps_from="run", table="full", **FOUR_MINUTES
    ),
    "steps_other_picture": Design(
        camera="either", steps="geometric", steps_from="other picture", table="full", **FOUR_MINUTES
    ),
    "steps_elsewhere": Design(
        camera="phone", steps="geometric", steps_from="elsewhere", table="full", **FOUR_MINUTES
    ),
}

#: Nothing that blocks, or what the caller says: for false findings and for detection limits.
KNOWN_TRUTH = {
    "inert": Design(camera="either", steps="geometric", blocked=(0.0,), **USEFUL),
    "inert_4min": Design(camera="either", blocked=(0.0,), **FOUR_MINUTES),
    "inert_half": Design(camera="either", steps="geometric", half_plates=True, blocked=(0.0,), **USEFUL),
    "inert_three_sheets": Design(
        camera="either", steps="geometric", half_plates=True, sheets=3, blocked=(0.0,), table="full", **USEFUL
    ),
    "at": Design(camera="either", steps="geometric", blocked=(14.0,), **USEFUL),
    "at_half": Design(camera="either", steps="geometric", half_plates=True, blocked=(8.0,), **USEFUL),
}

SUITES: dict[str, Design] = FAULTLESS | THREE_SHEETS | LOOSE | HARD | KNOWN_TRUTH


def make_suite(name: str, seed: int, **changes) -> MadeCampaign:
    """A campaign of the named suite; the same for the same name, seed and changes.

    Parameters
    ----------
    name : str
        One of `SUITES`, or "mixed": a suite without faults, drawn by the seed.
    seed : int
    changes
        Fields of `Design` to be changed, for example `blocked=(12.0,)`, `groups=2`, `camera="phone"`.

    Raises
    ------
    ValueError
        No such suite; the message names them all.
    """
    if name == "mixed":
        return make_campaign(name, replace(_mixed(seed), **changes), seed)
    if name not in SUITES:
        raise ValueError(f"There is no suite “{name}”. Suites: mixed, {', '.join(SUITES)}.")
    return make_campaign(name, replace(SUITES[name], **changes), seed)


def _mixed(seed: int) -> Design:
    """A faultless design at random, with its smaller matters varied too."""
    rng = generator(seed, "mixed", "design")
    design = FAULTLESS[sorted(FAULTLESS)[rng.integers(len(FAULTLESS))]]
    changes = {"film_cv": float(rng.uniform(0.08, 0.18)), "film_uneven": float(rng.uniform(0.0, 0.05))}
    if rng.random() < 0.25:
        controls = int(rng.integers(1, 4))
        changes |= {"controls": controls, "per_picture": 12 - controls}
    return replace(design, **changes)
