"""The whole campaign at once: curves from steps and glass-only patches, and from them each strip's transmission."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from fairpanel.methods.contract import Entered, Mark, Reading, Refusal
from fairpanel.methods.uv_strip import calibration as calibrating
from fairpanel.methods.uv_strip import curve
from fairpanel.methods.uv_strip import starting_values as taken
from fairpanel.methods.uv_strip.calibration import Calibration, Offset, Patch
from fairpanel.methods.uv_strip.charts import drawn_curve, points
from fairpanel.methods.uv_strip.colours import Colours, colours_of
from fairpanel.methods.uv_strip.doses import Dose, dose_of, places_given
from fairpanel.methods.uv_strip.judging_strips import strip_flags
from fairpanel.methods.uv_strip.noise import Noise, fit_noise
from fairpanel.methods.uv_strip.step_faults import fault_of_steps
from fairpanel.methods.uv_strip.strips import Spot, Steps, Strip, by_picture, choose_steps, strips_of
from fairpanel.methods.uv_strip.transmission import Transmission, transmission

#: The channel read: wide-space red, where Prussian blue shows most.
RED, GREEN = 0, 1


@dataclass(frozen=True)
class _Group:
    """Strips of one picture that are read against the same steps."""

    picture: str
    steps: Steps
    film: tuple[Strip, ...]
    controls: tuple[Strip, ...]

    @property
    def key(self) -> str:
        return f"{self.picture} < {self.steps.key}"

    @cached_property
    def colours(self) -> Colours | None:
        """How the colours of exposed paper go together in this picture, from its own steps."""
        return None if "picture" in self.steps.elsewhere else colours_of(self.steps)


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
    strips = strips_of(marks, entered)
    groups, refusals = _groups(strips)
    given = places_given([e.row for e in entered])
    noises = {picture: _noise_of(inside) for picture, inside in by_picture(strips).items()}
    sound: list[_Group] = []
    for g in groups:
        refusal = fault_of_steps(g.steps)
        if refusal is None:
            sound.append(g)
        else:
            refusals += [Refusal(g.picture, s.name, *refusal) for s in g.film]
    calibrations = _calibrations(sound, noises, given)
    found = [_reading(g, c, s, noises, given) for g, c in zip(sound, calibrations, strict=True) for s in g.film]
    return _two_pictures_of_one_strip(found), refusals


def _groups(strips: Sequence[Strip]) -> tuple[list[_Group], list[Refusal]]:
    steps = [s for s in strips if s.is_steps]
    together: dict[tuple[str, str], tuple[Steps, list[Strip], list[Strip]]] = {}
    refusals = []
    for s in strips:
        if s.is_steps or not (s.film or s.glass):
            continue
        chosen = choose_steps(s, steps)
        if chosen is None:
            if s.film:
                refusals.append(Refusal(s.picture, s.name, *_NO_STEPS))
            continue
        _, film, controls = together.setdefault((s.picture, chosen.key), (chosen, [], []))
        (film if s.film else controls).append(s)
    return [_Group(p, c, tuple(f), tuple(k)) for (p, _), (c, f, k) in together.items()], refusals


_NO_STEPS = (
    "there is no step strip to read it against",
    "Lay a step strip, cut from the same paper sheet and exposed under glass in the same run, into the same picture, "
    "and write its steps into the table with the role “step”.",
)


def _noise_of(strips: Sequence[Strip]) -> Noise:
    """Noise of the paper in one picture; from steps and glass-only patches where there are enough, since film may be
    uneven by itself."""
    plain = [s.mark.body for strip in strips for s in strip.spots if not s.row.is_product]
    return fit_noise(plain if len(plain) >= 4 else [s.mark.body for strip in strips for s in strip.spots], RED)


def steps_alone(strip: Strip) -> Calibration:
    """The curve of one step strip, fitted without regard to anything else in its picture.

    Parameters
    ----------
    strip : Strip
        Without a fault of its steps.
    """
    group = _Group(strip.picture, Steps((strip,), ()), (), ())
    return _calibrations([group], {strip.picture: _noise_of([strip])}, given=False)[0]


# ---- the fit ---------------------------------------------------------------------------------------------------


def _calibrations(groups: Sequence[_Group], noises: dict[str, Noise], given: bool) -> list[Calibration]:
    """Fit every group twice: the first round tells how far patch noise exceeds what the blocks foretell."""
    first = [_calibrate(g, noises, given, taken.NOISE_RATIO, draw=False) for g in groups]
    dof = sum(c.dof for c in first)
    misfit = sum(c.misfit for c in first)
    held = taken.NOISE_DOF
    ratio = taken.NOISE_RATIO * (held + misfit) / (held + dof)
    return [replace(_calibrate(g, noises, given, ratio), noise_dof=held + dof) for g in groups]


def _calibrate(g: _Group, noises: dict[str, Noise], given: bool, ratio: float, draw: bool = True) -> Calibration:
    patches, offsets = [], {}
    for steps in g.steps.strips:
        name = f"steps {steps.picture}:{steps.name}"
        offsets[name] = Offset(0.0, math.hypot(taken.LAMP, 0.5 * taken.PAPER), "lamp", name)
        more, own = _apart_from_glass(steps)
        offsets |= own
        patches += [_patch(s, steps, g, given, (name, *more), shared=0.0) for s in steps.spots]
    for strip in (*g.controls, *g.film):
        if not strip.glass:
            continue
        more, own = _apart_from_steps(strip, g.steps)
        offsets |= own
        patches += [_patch(s, strip, g, given, more) for s in strip.glass]
    for strip in g.film:
        offsets |= _apart_from_steps(strip, g.steps)[1]
    return calibrating.fit(g.key, patches, offsets, noises[g.steps.strips[0].picture], noise_ratio=ratio, draw=draw)


def _patch(
    spot: Spot, strip: Strip, g: _Group, given: bool, offsets: tuple[str, ...], shared: float | None = None
) -> Patch:
    d: Dose = dose_of(spot.row, places_given=given)
    body = spot.mark.body
    extra = body["light_error"] / math.log(10)
    if strip.picture != g.steps.strips[0].picture:
        extra = math.hypot(extra, _other_picture(body, g))
    if "paper_sheet" in g.steps.elsewhere and not strip.is_steps:
        extra = math.hypot(extra, taken.SHEET_RANGE)
    if not strip.is_steps and g.colours is not None:
        extra = math.hypot(extra, g.colours.doubt(body["density"]))
    own = math.hypot(d.shared, taken.PAPER) if shared is None else shared
    exposure = spot.id if strip.is_steps else f"{strip.picture}:{strip.name}:{spot.row.seconds}"
    return Patch(body["density"][RED], body["area"], d.ln, d.timing, exposure, strip.name, own, offsets, extra)


def _other_picture(body: dict[str, Any], g: _Group) -> float:
    both = [body, g.steps.strips[0].spots[0].mark.body]
    scans = all(not b["facts"]["lossy"] for b in both)
    return taken.OTHER_SCAN if scans else taken.OTHER_PHOTO


def _apart_from_glass(steps: Strip) -> tuple[tuple[str, ...], dict[str, Offset]]:
    role = steps.spots[0].row.role
    if role == "step no glass":
        return ("no glass",), {"no glass": Offset(-taken.GLASS, 3 * taken.GLASS_SPREAD, "steps without glass", "glass")}
    if role == "step unknown":
        half = -taken.GLASS / 2
        return ("unknown glass",), {
            "unknown glass": Offset(half, math.hypot(half, taken.GLASS_SPREAD), "steps' glass not known", "glass")
        }
    return (), {}


def _apart_from_steps(strip: Strip, steps: Steps) -> tuple[tuple[str, ...], dict[str, Offset]]:
    """Offsets for what sets a strip apart from its steps; strips that share the cause share the offset."""
    offsets = {}
    for column, spread in (("paper_lot", taken.LOT), ("paper_sheet", taken.SHEET), ("run", taken.RUN)):
        if column in steps.elsewhere:
            name = f"{column} {strip.first(column)}"
            offsets[name] = Offset(0.0, spread, column.replace("_", " "), name)
    return tuple(offsets), offsets


# ---- one strip -------------------------------------------------------------------------------------------------


def _reading(g: _Group, c: Calibration, s: Strip, noises: dict[str, Noise], given: bool) -> Reading:
    offsets, _ = _apart_from_steps(s, g.steps)
    film = [_patch(p, s, g, given, offsets) for p in s.film]
    glass = [_patch(p, s, g, given, offsets) for p in s.glass]
    t = transmission(replace(c, noise=noises[s.picture]), film, glass)
    flags = strip_flags(s, g.steps, c, t, film, g.colours)
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
        detail=_detail(g, c, s, t, film, glass),
    )


def _detail(
    g: _Group, c: Calibration, s: Strip, t: Transmission, film: Sequence[Patch], glass: Sequence[Patch]
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
