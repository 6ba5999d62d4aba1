"""When steps cannot serve: too few, no change, in disorder. Refused with a reason, never read in spite of it."""

from __future__ import annotations

import math

import numpy as np

from fairpanel.methods.uv_strip.strips import Steps, Strip

#: Least rise of density from the lightest to the darkest step.
LEAST_RANGE = 0.12
#: A later step may be lighter than an earlier one by this much before the steps count as out of order. [density]
SLACK = 0.05


def fault_of_steps(steps: Steps) -> tuple[str, str] | None:
    """Reason and remedy where a set of steps cannot be read against, else None."""
    for strip in steps.strips:
        fault = _too_few(strip) or _no_change(strip) or _disorder(strip)
        if fault:
            return fault
    return None


def _doses(strip: Strip) -> tuple[np.ndarray, np.ndarray]:
    order = np.argsort([s.row.seconds for s in strip.spots], kind="stable")
    seconds = np.array([strip.spots[i].row.seconds for i in order])
    density = np.array([strip.spots[i].mark.body["density"][0] for i in order])
    return seconds, density


def _too_few(strip: Strip) -> tuple[str, str] | None:
    seconds, _ = _doses(strip)
    if len(set(seconds)) >= 3:
        return None
    return (
        f"its step strip {strip.name} has only {len(set(seconds))} different exposures",
        "A curve needs at least three steps, better eight; check that every step has its row in the table.",
    )


def _no_change(strip: Strip) -> tuple[str, str] | None:
    _, density = _doses(strip)
    if np.ptp(density) >= LEAST_RANGE:
        return None
    return (
        f"the steps of strip {strip.name} hardly differ: density {density.min():.2f} to {density.max():.2f}",
        "Check that the outline lies on the step strip and that the strip was exposed and rinsed.",
    )


def _disorder(strip: Strip) -> tuple[str, str] | None:
    found = _out_of_order(strip, but_for=_jumps_of_light(strip))
    if found is None:
        return None
    (late, lighter), (early, darker) = found
    return (
        f"the steps of strip {strip.name} are out of order: {late:g} s (density {lighter:.2f}) is lighter than "
        f"{early:g} s (density {darker:.2f})",
        "Check the order of the steps in the table, which end of the strip is its start, and that the picture is not "
        "mirrored.",
    )


def in_shadow(strip: Strip) -> bool:
    """Whether steps are out of order, but by no more than the light jumps along them."""
    return _out_of_order(strip) is not None and _disorder(strip) is None


def _jumps_of_light(strip: Strip) -> float:
    """Density by which the light around the steps jumps from patch to patch, taken together."""
    return sum(s.mark.body["light_step"] for s in strip.spots) / math.log(10)


def _out_of_order(strip: Strip, *, but_for: float = 0.0) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Seconds and density of a later step that is lighter than an earlier one, and of that one."""
    seconds, density = _doses(strip)
    scatter = np.array([s.mark.body["spread"][0] for s in strip.spots]).mean()
    slack = max(SLACK, 1.5 * scatter) + 0.03 * np.ptp(density) + but_for
    for i in range(len(seconds)):
        for j in range(i + 1, len(seconds)):
            if seconds[j] > seconds[i] and density[j] < density[i] - slack:
                return (seconds[j], density[j]), (seconds[i], density[i])
    return None
