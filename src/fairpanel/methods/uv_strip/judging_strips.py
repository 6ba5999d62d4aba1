"""Flags of a strip: from its patches, its steps, its record, and from what the reading shows."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fairpanel.estimate.lack_of_fit import by_uncertainty
from fairpanel.methods.uv_strip import curve
from fairpanel.methods.uv_strip import starting_values as taken
from fairpanel.methods.uv_strip.calibration import Calibration, Patch
from fairpanel.methods.uv_strip.doses import dose_of
from fairpanel.methods.uv_strip.groups import Group
from fairpanel.methods.uv_strip.step_faults import in_shadow
from fairpanel.methods.uv_strip.strips import Steps, Strip
from fairpanel.methods.uv_strip.transmission import Transmission

#: Spread at no blocking against the best exposure's, from which an exposure counts as too long or too short.
WASTE = 1.5


def strip_flags(strip: Strip, group: Group, c: Calibration, t: Transmission, film: Sequence[Patch]) -> tuple[str, ...]:
    """All flags of one strip, each once: its own, its steps', the record's and the reading's."""
    steps, colours = group.steps_for(strip), group.colours
    patches = (*strip.film, *strip.glass)
    own = [f for s in patches for f in s.mark.flags]
    if colours is not None and any(colours.disagree(s.mark.body["density"]) for s in patches):
        own.append("colours disagree")
    of_steps = _shared_picture_flags(steps)
    return tuple(
        dict.fromkeys(
            [
                *own,
                *of_steps,
                *_steps(steps, c),
                *_record(strip, steps),
                *_reading(strip, c, t, film),
                *_advice(strip, group, c, film),
            ]
        )
    )


def _shared_picture_flags(steps: Steps) -> list[str]:
    """Flags of the steps' patches count where at least a third of the steps carry them."""
    spots = [s for strip in steps.strips for s in strip.spots]
    names = {f for s in spots for f in s.mark.flags}
    return sorted(n for n in names if sum(n in s.mark.flags for s in spots) * 3 >= len(spots))


def _steps(steps: Steps, c: Calibration) -> list[str]:
    flags = []
    if steps.elsewhere:
        flags.append("steps from elsewhere")
    if any(in_shadow(s) for s in steps.strips):
        flags.append("shadow edge")
    patches = sorted((p for p in c.patches if math.isfinite(p.ln_dose)), key=lambda p: p.ln_dose)
    densities = np.array([p.density for p in patches])
    if _distinct(c, patches) < 4:
        flags.append("steps indistinct")
    d0, d1 = c.paper[0], c.paper[1]
    if len(densities) and (densities.min() - d0) > 0.75 * (d1 - d0):
        flags.append("steps saturated")
    if not c.converged or (c.dof > 0.5 and by_uncertainty(c.misfit, c.dof).p_value < 0.002):
        flags.append("curve in doubt")
    sd_glass = math.sqrt(np.linalg.inv(c.information)[curve.SIZE :, curve.SIZE :].diagonal().max()) if c.names else 0.0
    if "no glass" in c.names and sd_glass > 0.03:
        flags.append("steps without glass")
    if "unknown glass" in c.names and sd_glass > 0.03:
        flags.append("steps' glass not known")
    return flags


def _distinct(c: Calibration, patches: Sequence[Patch]) -> int:
    """Number of steps each of which is surely darker than the one counted before it."""
    count, last = 0, -math.inf
    for p in patches:
        sd = math.sqrt(2 * float(c.patch_variance([p], np.array([p.density]))[0]))
        if p.density > last + 2 * sd:
            count, last = count + 1, p.density
    return count


def _record(strip: Strip, steps: Steps) -> list[str]:
    flags = []
    age, steps_age = strip.first("hours_since_rinse"), steps.strips[0].first("hours_since_rinse")
    if age is not None and float(age) < taken.FULL_AGE_H:
        flags.append("strip under age")
    if (
        age is not None
        and steps_age is not None
        and abs(float(age) - float(steps_age)) > 6
        and min(float(age), float(steps_age)) < 48
    ):
        flags.append("ages differ")
    if "paper_lot" in steps.elsewhere:
        flags.append("paper lots mixed")
    warm = [dose_of(s.row, places_given=False).warm for s in strip.film]
    if min(warm) < 0.97:
        flags.append("lamp cold")
    lots = {s.first("glass_lot") for s in steps.strips} - {None}
    if strip.first("glass_lot") is not None and lots and strip.first("glass_lot") not in lots:
        flags.append("glass lots mixed")
    return flags


def _reading(strip: Strip, c: Calibration, t: Transmission, film: Sequence[Patch]) -> list[str]:
    flags = []
    if t.outside:
        flags.append("outside the steps")
    if t.disagreement < 0.002:
        flags.append("patches disagree")
    if _uneven(strip, c):
        flags.append("uneven film")
    return flags


def _uneven(strip: Strip, c: Calibration) -> bool:
    """The film patch's blocks scatter more than the paper of this picture does at that density."""
    body = strip.film[0].mark.body
    seen, parts = body["scatter"][-1][0], body["parts"][-1]
    expected = c.noise.variance(body["density"][0], body["area"] / parts)
    return bool(parts > 8 and seen / max(float(expected), 1e-9) > 4.0)


def _advice(strip: Strip, group: Group, c: Calibration, film: Sequence[Patch]) -> list[str]:
    flags = []
    if not strip.glass and not any(s.glass for s in (*group.controls, *group.film)):
        flags.append("no glass-only strip")
    waste = min(waste_of(c, p) for p in film)
    if waste > WASTE:
        longest = max(p.ln_dose for p in film)
        flags.append("exposed too long" if longest > curve.halfway(c.paper) else "exposed too short")
    if sum(len(s.spots) for s in group.steps.strips) < 5:
        flags.append("few steps")
    return flags


def waste_of(c: Calibration, patch: Patch) -> float:
    """Spread of ln(transmission) of a film that blocks nothing, against that at the best exposure. [1]"""
    middle = curve.halfway(c.paper)
    x = np.linspace(middle - 2.5, middle + 3.0, 80)
    x = np.append(x, patch.ln_dose)
    d, s = curve.density(c.paper, x), np.maximum(curve.slope(c.paper, x), 1e-6)
    spread = np.sqrt(c.patch_variance([patch] * len(x), d) / s**2 + patch.shared**2)
    return float(spread[-1] / spread[:-1].min())
