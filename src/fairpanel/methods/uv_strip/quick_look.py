"""One picture without a table: its strips, the step strip among them, and which exposure each strip equals.

Rows are made up for what is found and go through the same stages as those of a bench.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fairpanel.methods.contract import Entered, Mark, Outline, Reading, Refusal
from fairpanel.methods.uv_strip.advice import Advice, advice_on
from fairpanel.methods.uv_strip.calibration import Calibration
from fairpanel.methods.uv_strip.finding_outlines import along_strip, find
from fairpanel.methods.uv_strip.lying_strips import Lying, as_steps, lying_strips
from fairpanel.methods.uv_strip.marks import measure
from fairpanel.methods.uv_strip.readings import readings, steps_alone
from fairpanel.methods.uv_strip.results import blocked
from fairpanel.methods.uv_strip.row import Row
from fairpanel.methods.uv_strip.step_faults import fault_of_steps
from fairpanel.methods.uv_strip.strips import Steps, strips_of
from fairpanel.picture.finding_mat import MirroredPicture
from fairpanel.picture.upright import Upright

#: Suffix of the rows that ask what a patch blocks; the others ask which exposure it equals.
_AS_EXPOSED = " as exposed"


@dataclass(frozen=True)
class StepsSeen:
    """The step strip as read.

    Parameters
    ----------
    name : str
    seconds, densities : (k,) tuples of float
        In the order typed; densities are above the lightest white around. [s], [1]
    shown : int
        Steps that can be told apart by eye.
    flags : tuple of str
    """

    name: str
    seconds: tuple[float, ...]
    densities: tuple[float, ...]
    shown: int
    flags: tuple[str, ...]


@dataclass(frozen=True)
class PatchSeen:
    """One patch as read against the steps; a side that is open is None, and then there is no value.

    Parameters
    ----------
    strip : str
    patch : int or None
        Its number from the start of the strip, where the strip shows several.
    density : float
    seconds, seconds_low, seconds_high : float or None
        Exposure under glass only that darkens the paper as much, with its 95 % interval. [s]
    blocked, blocked_low, blocked_high : float or None
        With its 95 % interval; None where no exposure was given. [%]
    detection : float or None
        Smallest blocking that would rarely be missed on a strip like this. [%]
    flags : tuple of str
    """

    strip: str
    patch: int | None
    density: float
    seconds: float | None
    seconds_low: float | None
    seconds_high: float | None
    blocked: float | None = None
    blocked_low: float | None = None
    blocked_high: float | None = None
    detection: float | None = None
    flags: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """As shown: the strip, and the patch where there are several."""
        return self.strip if self.patch is None else f"{self.strip}.{self.patch}"


@dataclass(frozen=True)
class Look:
    """All that one picture shows.

    `outlines` are the measured patches by strip, (k, 4, 2) each; `problem` is the reason and the remedy where nothing
    could be read.
    """

    picture: str
    strips: tuple[Lying, ...]
    outlines: dict[str, np.ndarray]
    steps: StepsSeen | None = None
    patches: tuple[PatchSeen, ...] = ()
    refused: tuple[Refusal, ...] = ()
    advice: Advice | None = None
    remarks: tuple[str, ...] = ()
    problem: tuple[str, str] | None = None


def look(picture: Upright, seconds: Sequence[float], exposed_seconds: float | None = None) -> Look:
    """What the strips of a picture say, given the exposures of its step strip.

    Parameters
    ----------
    picture : Upright
    seconds : sequence of float
        Exposures of the steps in their order along the strip, rising or falling; which end they start from is told by
        the tones.
    exposed_seconds : float, optional
        Exposure of the other strips.
    """
    try:
        lying = lying_strips(picture, len(seconds))
    except MirroredPicture:
        return Look(picture.name, (), {}, problem=_MIRRORED)
    steps = as_steps(lying, len(seconds))
    if steps is None:
        return Look(picture.name, tuple(lying), {}, problem=_no_steps(lying, len(seconds)))
    entered = list(_rows(picture.name, lying, steps, seconds))
    outlines, refused = _outlined(picture, lying, entered)
    found = Look(picture.name, tuple(lying), _by_strip(outlines, entered), refused=tuple(refused))
    found = replace(found, remarks=tuple(_remarks(lying, steps, len(seconds))))
    if steps.name not in found.outlines:
        reason = next(((r.reason, r.what_to_do) for r in refused if r.strip == steps.name), None)
        return replace(found, problem=reason)
    marks = measure(picture, outlines, entered)
    return _read(found, steps, entered, marks, exposed_seconds)


# ---- rows and outlines -----------------------------------------------------------------------------------------


def _rows(picture: str, lying: Sequence[Lying], steps: Lying, seconds: Sequence[float]) -> Iterator[Entered]:
    """Made-up rows: the steps as typed, and for every other whole strip one for each patch it shows."""
    for one in lying:
        if not one.whole:
            continue
        box = one.cell.name if one.cell else None
        times = seconds if one is steps else [max(seconds)] * one.distinct
        role, product = ("step", None) if one is steps else ("product", one.name)
        for k, time in enumerate(times):
            yield Entered(f"{one.name}/{k}", Row(picture, one.name, role, time, product, box=box))


def _outlined(
    picture: Upright, lying: Sequence[Lying], entered: Sequence[Entered]
) -> tuple[list[Outline], list[Refusal]]:
    if any(e.row.box for e in entered):
        return find(picture, entered)
    outlines: list[Outline] = []
    refused: list[Refusal] = []
    for one in lying:
        own = [e for e in entered if e.row.strip == one.name]
        if not own:
            continue
        found, fault = along_strip(picture, one.strip.outline, own, "found")
        outlines += found
        if fault:
            refused.append(Refusal(picture.name, one.name, *fault))
    return outlines, refused


def _by_strip(outlines: Sequence[Outline], entered: Sequence[Entered]) -> dict[str, np.ndarray]:
    strip_of = {e.id: e.row.strip for e in entered}
    quads: dict[str, list[np.ndarray]] = {}
    for o in outlines:
        quads.setdefault(strip_of[o.row_id], []).append(o.polygon)
    return {name: np.array(own) for name, own in quads.items()}


# ---- reading ---------------------------------------------------------------------------------------------------


def _read(found: Look, steps: Lying, entered: list[Entered], marks: list[Mark], exposed_seconds: float | None) -> Look:
    by_id = {m.row_id: m for m in marks}
    step_rows = [e for e in entered if e.row.is_step]
    strip = next(s for s in strips_of(marks, step_rows))
    densities = tuple(s.mark.body["density"][0] for s in strip.spots)
    flags = _of_a_third([by_id[e.id] for e in step_rows])
    seen = StepsSeen(steps.name, tuple(e.row.seconds for e in step_rows), densities, steps.strip.patches, flags)
    found = replace(found, steps=seen)
    fault = fault_of_steps(Steps((strip,), ()))
    if fault:
        return replace(found, problem=fault)
    curve = steps_alone(strip)
    patches = _patches(step_rows, [e for e in entered if not e.row.is_step], by_id, exposed_seconds)
    area = float(np.median([by_id[e.id].body["area"] for e in entered if not e.row.is_step] or [0.3]))
    advice = advice_on(curve, exposed_seconds, area=area)
    remarks = (*found.remarks, *_on_halfway(curve, advice, seen))
    return replace(found, patches=tuple(patches), advice=advice, remarks=remarks)


def _of_a_third(marks: Sequence[Mark]) -> tuple[str, ...]:
    """Flags that at least a third of the patches carry."""
    names = dict.fromkeys(f for m in marks for f in m.flags)
    return tuple(n for n in names if 3 * sum(n in m.flags for m in marks) >= len(marks))


def _patches(
    step_rows: list[Entered], others: list[Entered], by_id: dict[str, Mark], exposed_seconds: float | None
) -> list[PatchSeen]:
    """Every patch read by itself: as a strip of its own, and once more with its exposure where that is known."""
    entered, marks = list(step_rows), [by_id[e.id] for e in step_rows]
    for e in others:
        if e.id not in by_id:
            continue
        ways = [("", e.row.seconds)] + ([(_AS_EXPOSED, exposed_seconds)] if exposed_seconds else [])
        for suffix, seconds in ways:
            name = e.id + suffix
            entered.append(Entered(name, replace(e.row, strip=name, product=name, seconds=seconds)))
            marks.append(replace(by_id[e.id], row_id=name))
    found = {r.strip: r for r in readings(marks, entered)[0]}
    several = {name for name in (e.row.strip for e in others) if sum(e.row.strip == name for e in others) > 1}
    return [
        _patch(e, k, found[e.id], found.get(e.id + _AS_EXPOSED), e.row.strip in several)
        for k, e in _numbered(others)
        if e.id in found
    ]


def _numbered(rows: Sequence[Entered]) -> Iterator[tuple[int, Entered]]:
    counts: dict[str, int] = {}
    for e in rows:
        counts[e.row.strip] = counts.get(e.row.strip, 0) + 1
        yield counts[e.row.strip], e


def _patch(e: Entered, number: int, equal: Reading, exposed: Reading | None, one_of_several: bool) -> PatchSeen:
    def seconds(x: float | None) -> float | None:
        return None if x is None else e.row.seconds * math.exp(x)

    def percent(x: float | None) -> float | None:
        return None if x is None else float(blocked(x))

    seen = PatchSeen(
        e.row.strip,
        number if one_of_several else None,
        equal.detail["densities"][0],
        None if equal.bounded else seconds(equal.measured.value),
        seconds(equal.low),
        seconds(equal.high),
        flags=tuple(f for f in equal.flags if f not in ("exposed too long", "exposed too short")),
    )
    if exposed is None:
        return seen
    detection = exposed.limits[1] if exposed.limits else -math.inf
    return replace(
        seen,
        blocked=None if exposed.bounded else percent(exposed.measured.value),
        blocked_low=percent(exposed.high),
        blocked_high=percent(exposed.low),
        detection=percent(detection) if math.isfinite(detection) else None,
        flags=exposed.flags,
    )


# ---- words -----------------------------------------------------------------------------------------------------

_MIRRORED = (
    "the picture is mirrored: the mat's markers are the wrong way round",
    "Switch mirroring off in the camera, or turn the picture over.",
)


def counted(n: int, noun: str) -> str:
    """“1 strip”, “3 strips”."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}{'es' if noun.endswith('ch') else 's'}"


def _no_steps(lying: Sequence[Lying], n: int) -> tuple[str, str]:
    if not lying:
        return (
            "no strips were found in the picture",
            "Lay the strips apart on an even ground that is lighter or darker than their paper, wholly in the frame, "
            "and take the picture from straight above, large and sharp.",
        )
    longest = max(lying, key=lambda one: one.strip.length_px)
    reason = f"{counted(len(lying), 'strip')}, none with {n} patches; the longest shows {longest.strip.patches}"
    if not longest.whole:
        reason += " and is cut by the edge of the picture"
    return (
        reason,
        "Type the exposure of every step in --steps, the unexposed one too, and check that the whole step strip lies "
        "in the frame and that each of its steps can be seen. --save draws what was found.",
    )


def _remarks(lying: Sequence[Lying], steps: Lying, n: int) -> Iterator[str]:
    longest = max((one for one in lying if one.whole), key=lambda one: one.strip.length_px)
    if longest is not steps and longest.strip.length_px > 1.05 * steps.strip.length_px:
        yield (
            f"The longest strip, {longest.name}, shows {counted(longest.strip.patches, 'patch')}, not {n}; strip "
            f"{steps.name} was taken as the step strip."
        )
    if steps.strip.patches != n:
        yield (
            f"{steps.strip.patches} of the {n} steps can be told apart; edges that cannot be seen were placed evenly."
        )
    cut = [one.name for one in lying if not one.whole]
    if cut:
        yield f"Cut by the edge of the picture and not read: {', '.join(cut)}."


def _on_halfway(curve: Calibration, advice: Advice, steps: StepsSeen) -> Iterator[str]:
    """Whether the half-way time lies within the steps, or is only known from the curve's usual shape."""
    exposed = [s for s in steps.seconds if s > 0]
    if advice.halfway_seconds > max(exposed):
        yield "The darkest step is less than half-way to the darkest this paper may get; the half-way time is a guess."
    elif advice.halfway_seconds < 0.7 * min(exposed):
        yield "Even the first exposed step is past half-way; a shorter step would say where half-way lies."
