"""The whole campaign at once: curves from steps and glass-only patches, and from them each strip's transmission."""

from __future__ import annotations

import math
import os
from collections import defaultdict
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from fairpanel.methods.contract import Entered, Mark, Reading, Refusal
from fairpanel.methods.uv_strip import calibration as calibrating
from fairpanel.methods.uv_strip import curve
from fairpanel.methods.uv_strip import starting_values as taken
from fairpanel.methods.uv_strip.calibration import Calibration, Offset, Patch
from fairpanel.methods.uv_strip.charts import drawn_curve, points
from fairpanel.methods.uv_strip.doses import places_given
from fairpanel.methods.uv_strip.groups import Group, groups_of, noise_of
from fairpanel.methods.uv_strip.judging_strips import strip_flags
from fairpanel.methods.uv_strip.results import blocked
from fairpanel.methods.uv_strip.step_faults import fault_of_steps
from fairpanel.methods.uv_strip.strips import Steps, Strip, strips_of
from fairpanel.methods.uv_strip.transmission import Transmission, transmission
from fairpanel.methods.uv_strip.unrest import Inputs, Unrest, unrest_of

#: Groups read at the same time.
WORKERS = min(os.cpu_count() or 1, 4)


def readings(marks: Sequence[Mark], entered: Sequence[Entered]) -> tuple[list[Reading], list[Refusal]]:
    """Transmission of every strip with a product.

    Parameters
    ----------
    marks : sequence of Mark
    entered : sequence of Entered
        All rows of the campaign.

    Returns
    -------
    readings, refusals
    """
    groups, refusals = groups_of(strips_of(marks, entered), places_given=places_given([e.row for e in entered]))
    sound: list[Group] = []
    for g in groups:
        refusal = fault_of_steps(g.steps)
        if refusal is None:
            sound.append(g)
        else:
            refusals += [Refusal(g.picture, s.name, *refusal) for s in g.film]
    with ThreadPoolExecutor(WORKERS) as pool:  # one group's curve at a time in each: memory does not grow
        seen = _unrest(sound, list(pool.map(_first_fit, sound)))
        sound = [replace(g, restless=seen.restless) for g in sound]
        found = [r for own in pool.map(partial(_readings_of, seen=seen), sound) for r in own]
    return _two_pictures_of_one_strip(found), refusals


def _readings_of(g: Group, seen: Unrest) -> list[Reading]:
    """Readings of the strips of one group, with a curve of their own."""
    c = replace(_calibrate(g, seen.noise_ratio), noise_dof=seen.dof)
    either = _either_glass(g, c)
    return [_reading(g, c, s, either) for s in g.film]


def steps_alone(strip: Strip) -> Calibration:
    """The curve of one step strip, fitted without regard to anything else in its picture.

    Parameters
    ----------
    strip : Strip
        Without a fault of its steps.
    """
    noises = {strip.picture: noise_of([strip])}
    alone = Group(strip.picture, Steps((strip,), ()), noises=noises)
    seen = _unrest([alone], [_first_fit(alone)])
    return replace(_calibrate(replace(alone, restless=seen.restless), seen.noise_ratio), noise_dof=seen.dof)


# ---- the fit ---------------------------------------------------------------------------------------------------


def _first_fit(g: Group) -> Calibration:
    """The curve with the starting values."""
    return _calibrate(g, taken.NOISE_RATIO, draw=False)


def _unrest(groups: Sequence[Group], fitted: Sequence[Calibration]) -> Unrest:
    def inputs(g: Group) -> Inputs:
        return lambda restless: _inputs(replace(g, restless=restless))

    return unrest_of([(c, inputs(g)) for g, c in zip(groups, fitted, strict=True)])


def _inputs(g: Group) -> tuple[list[Patch], dict[str, Offset]]:
    """Steps and glass-only patches of a group, and what sets them apart."""
    patches: list[Patch] = []
    offsets: dict[str, Offset] = {}
    for steps in g.steps.strips:
        own = g.offsets_of_steps(steps)
        offsets |= own
        patches += [g.patch(s, steps, tuple(own)) for s in steps.spots]
    for strip in (*g.controls, *g.film):
        own = g.offsets_of(strip)
        offsets |= own
        patches += [g.patch(s, strip, tuple(own)) for s in strip.glass]
    return patches, offsets


def _calibrate(g: Group, ratio: float, *, draw: bool = True) -> Calibration:
    patches, offsets = _inputs(g)
    return calibrating.fit(g.key, patches, offsets, g.noise, noise_ratio=ratio, draw=draw)


def _either_glass(g: Group, c: Calibration) -> dict[str, tuple[Group, Calibration]]:
    """Where nobody knows whether the steps lay under glass: the curve for either case."""
    if g.steps_role != "step unknown":
        return {}
    found = {}
    for words, role in (("under glass", "step"), ("without glass", "step no glass")):
        assumed = replace(g, steps_role=role)
        found[words] = (assumed, replace(_calibrate(assumed, c.noise_ratio), noise_dof=c.noise_dof))
    return found


# ---- one strip -------------------------------------------------------------------------------------------------


def _transmission(g: Group, c: Calibration, s: Strip) -> tuple[Transmission, list[Patch], list[Patch]]:
    offsets = tuple(g.offsets_of(s))
    film = [g.patch(p, s, offsets) for p in s.film]
    glass = [g.patch(p, s, offsets) for p in s.glass]
    here = c if g.noises[s.picture] == c.noise else replace(c, noise=g.noises[s.picture])
    return transmission(here, film, glass), film, glass


def _reading(g: Group, c: Calibration, s: Strip, either: dict[str, tuple[Group, Calibration]]) -> Reading:
    t, film, glass = _transmission(g, c, s)
    flags = strip_flags(s, g, c, t, film)
    return Reading(
        row_ids=tuple(p.id for p in s.spots),
        product=s.product,
        specimen=s.specimen,
        picture=s.picture,
        strip=s.name,
        quantity="blocked",
        measured=replace(t.measured, flags=flags),
        low=t.low,
        high=t.high,
        bounded=t.low is None or t.high is None,
        limits=(t.decision, t.detection),
        flags=flags,
        detail=_detail(g, c, s, t, film, glass) | _both_cases(either, s),
    )


def _both_cases(either: dict[str, tuple[Group, Calibration]], s: Strip) -> dict[str, Any]:
    """What the strip reads in either case of the steps' glass [% blocked], and the remark that says so."""
    if not either:
        return {}
    found = []
    for words, (g, c) in either.items():
        t, _, _ = _transmission(g, c, s)
        low, high = (None if x is None else float(blocked(x)) for x in (t.high, t.low))
        value = None if low is None or high is None else float(blocked(t.measured.value))
        found.append({"steps": words, "blocked": value, "low": low, "high": high})
    told = [f"{_percent(one)} if the steps lay {one['steps']}" for one in found]
    return {"both_readings": found, "remark": ", ".join(told)}


def _percent(one: dict[str, Any]) -> str:
    if one["blocked"] is not None:
        return f"{one['blocked']:.1f} %"
    return f"at least {one['low']:.1f} %" if one["low"] is not None else f"at most {one['high']:.1f} %"


def _detail(
    g: Group, c: Calibration, s: Strip, t: Transmission, film: Sequence[Patch], glass: Sequence[Patch]
) -> dict[str, Any]:
    return {
        "steps": g.steps.key,
        "role": s.film[0].row.role,
        "kind": s.first("kind"),
        "plate": s.first("plate") or "",
        "sheet": s.first("paper_sheet"),
        "run": s.first("run"),
        "lamp": s.first("lamp"),
        "seconds": [p.row.seconds for p in s.film],
        "densities": [p.density for p in film],
        "glass_densities": [p.density for p in glass],
        "equivalent_seconds": math.exp(t.dose) if math.isfinite(t.dose) else None,
        "curve": drawn_curve(c, g.steps),
        "film_points": points(film),
        "glass_points": points(glass),
        "halfway_seconds": math.exp(curve.halfway(c.paper)),
        "half_plate": bool(glass),
        "patches_agree": t.disagreement,
        "spread_at": np.round(t.spread_at, 5).tolist(),
        "range": s.film[0].mark.body["range"],
    }


def _two_pictures_of_one_strip(found: list[Reading]) -> list[Reading]:
    """Flag readings of one piece of paper in two pictures that disagree beyond what is theirs alone."""
    same: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for i, r in enumerate(found):
        same[r.product, r.specimen, r.strip].append(i)
    for group in same.values():
        if len({found[i].picture for i in group}) < 2:
            continue
        values = [found[i].measured.value for i in group]
        spread = max(math.hypot(*(found[i].measured.standard_uncertainty for i in group)), 0.01)
        if max(values) - min(values) > 2.6 * spread:
            for i in group:
                flags = (*found[i].flags, "pictures disagree")
                found[i] = replace(found[i], flags=flags, measured=replace(found[i].measured, flags=flags))
    return found
