"""Named suites: kinds of campaigns to judge a reader with, each made anew for every seed.

The exposures are in half-way exposures of the paper: 3.9 is the practitioner's four minutes, 1.4 the useful
one.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from fairpanel.rehearsal.campaigns import MadeCampaign, generator
from fairpanel.rehearsal.designs import Design
from fairpanel.rehearsal.making import make_campaign

FOUR_MINUTES = Design(relative=(3.9,), seconds=(240.0,))
USEFUL = Design(relative=(1.4,))
BRACKET = Design(relative=(0.97, 3.9), seconds=(60.0, 240.0), steps="geometric")
STEPPED = Design(relative=(0.25, 0.5, 1.0, 1.6, 2.5), steps="geometric")

#: Suites without faults, the four that the goals are stated for first.
FAULTLESS = {
    "scan_4min_linear": replace(FOUR_MINUTES, camera="scan"),
    "scan_4min_geometric": replace(FOUR_MINUTES, camera="scan", steps="geometric"),
    "phone_4min_linear": replace(FOUR_MINUTES, camera="phone"),
    "phone_4min_geometric": replace(FOUR_MINUTES, camera="phone", steps="geometric"),
    "scan_useful_linear": replace(USEFUL, camera="scan"),
    "scan_useful_geometric": replace(USEFUL, camera="scan", steps="geometric"),
    "phone_useful_linear": replace(USEFUL, camera="phone"),
    "phone_useful_geometric": replace(USEFUL, camera="phone", steps="geometric"),
    "scan_bracket": replace(BRACKET, camera="scan"),
    "phone_bracket": replace(BRACKET, camera="phone"),
    "scan_half": replace(USEFUL, camera="scan", steps="geometric", half_plates=True),
    "phone_half": replace(USEFUL, camera="phone", steps="geometric", half_plates=True),
    "scan_half_4min": replace(FOUR_MINUTES, camera="scan", steps="geometric", half_plates=True),
    "phone_half_4min": replace(FOUR_MINUTES, camera="phone", steps="geometric", half_plates=True),
    "scan_controls": replace(USEFUL, camera="scan", steps="geometric", controls=3, per_picture=9),
    "scan_stepped": replace(STEPPED, camera="scan"),
    "scan_bed": replace(USEFUL, camera="scan", scene="bed", steps="geometric"),
    "scan_bed_4min": replace(FOUR_MINUTES, camera="scan", scene="bed"),
}

#: Film mass does not differ between the plates here, so that the product has one true value.
THREE_SHEETS = {
    f"{camera}_three_sheets": replace(
        USEFUL,
        camera=camera,
        steps="geometric",
        half_plates=True,
        sheets=3,
        film_cv=0.0,
        groups=6,
        table="full",
    )
    for camera in ("scan", "phone")
}

LOOSE = {
    "scan_loose": replace(USEFUL, camera="scan", scene="loose", steps="geometric", per_picture=8),
    "phone_loose": replace(USEFUL, camera="phone", scene="loose", steps="geometric", per_picture=6),
    "phone_loose_cut_off": replace(USEFUL, camera="phone", scene="loose", per_picture=6, lie="cut off"),
}

#: Paper, lamp or picture break what a reader may hope for.
HARD = {
    "scan_brushed": replace(FOUR_MINUTES, camera="scan", steps="geometric", brushed=True),
    "phone_brushed": replace(FOUR_MINUTES, camera="phone", steps="geometric", brushed=True),
    "scan_brushed_useful": replace(USEFUL, camera="scan", steps="geometric", brushed=True),
    "phone_hard": replace(FOUR_MINUTES, camera="hard phone", steps="geometric", marked=1 / 3),
    "phone_hard_useful": replace(USEFUL, camera="hard phone", steps="geometric", marked=1 / 3),
    "broken": replace(
        FOUR_MINUTES,
        camera="either",
        steps="geometric",
        drift=0.03,
        uneven=2.5,
        odd_curve=True,
        light="unknown",
    ),
    "broken_useful": replace(
        USEFUL, camera="either", steps="geometric", drift=0.03, uneven=2.5, odd_curve=True, light="unknown"
    ),
    "broken_half": replace(
        USEFUL,
        camera="either",
        steps="geometric",
        half_plates=True,
        drift=0.03,
        uneven=2.5,
        odd_curve=True,
        light="unknown",
    ),
    "phone_deep_blue": replace(FOUR_MINUTES, camera="phone", steps="geometric", deep_blue=True),
    "steps_no_glass": replace(FOUR_MINUTES, camera="either", steps="geometric", step_role="step no glass"),
    "steps_unknown_glass": replace(FOUR_MINUTES, camera="either", steps="geometric", step_role="step unknown"),
    "steps_other_sheet": replace(FOUR_MINUTES, camera="either", steps="geometric", steps_from="sheet", table="full"),
    "steps_other_run": replace(FOUR_MINUTES, camera="either", steps="geometric", steps_from="run", table="full"),
    "steps_other_picture": replace(
        FOUR_MINUTES, camera="either", steps="geometric", steps_from="other picture", table="full"
    ),
    "steps_elsewhere": replace(FOUR_MINUTES, camera="phone", steps="geometric", steps_from="elsewhere", table="full"),
}

#: Nothing that blocks, or what the caller says: for false findings and for detection limits.
KNOWN_TRUTH = {
    "inert": replace(USEFUL, camera="either", steps="geometric", blocked=(0.0,)),
    "inert_4min": replace(FOUR_MINUTES, camera="either", blocked=(0.0,)),
    "inert_half": replace(USEFUL, camera="either", steps="geometric", half_plates=True, blocked=(0.0,)),
    "inert_three_sheets": replace(
        USEFUL, camera="either", steps="geometric", half_plates=True, sheets=3, blocked=(0.0,), table="full"
    ),
    "at": replace(USEFUL, camera="either", steps="geometric", blocked=(14.0,)),
    "at_half": replace(USEFUL, camera="either", steps="geometric", half_plates=True, blocked=(8.0,)),
}

SUITES: dict[str, Design] = FAULTLESS | THREE_SHEETS | LOOSE | HARD | KNOWN_TRUTH


def make_suite(name: str, seed: int, **changes: Any) -> MadeCampaign:
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
    changes: dict[str, Any] = {
        "film_cv": float(rng.uniform(0.08, 0.18)),
        "film_uneven": float(rng.uniform(0.0, 0.05)),
    }
    if rng.random() < 0.25:
        controls, no_glass = int(rng.integers(1, 4)), int(rng.random() < 0.3)
        changes |= {"controls": controls, "no_glass": no_glass, "per_picture": 12 - controls - no_glass}
    return replace(design, **changes)
