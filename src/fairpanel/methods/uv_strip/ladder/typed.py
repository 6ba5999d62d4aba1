"""The ladder and the old scores as the tester types them; every fault at once, in their words."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from fairpanel.methods.columns import CellError, Fault, column, duration, moment, number, one_of, text
from fairpanel.methods.uv_strip.ladder.rungs import NO, NOT_KNOWN, YES, Ladder

# ---- cells -----------------------------------------------------------------------------------------------------


def minutes(cell: str) -> float:
    """A length of time in minutes, or with a unit; in seconds.

    >>> minutes("4"), minutes("4 min"), minutes("90 s"), minutes("0,5")
    (240.0, 240.0, 90.0, 30.0)
    """
    try:
        plain = number(cell)
    except CellError:
        try:
            return duration(cell)
        except CellError:
            raise CellError(f"“{cell}” is not a time; write minutes (4) or a unit (4 min, 240 s)") from None
    if plain < 0:
        raise CellError(f"“{cell}” is a time below zero")
    return 60.0 * plain


_RANGE = re.compile(r"\s*([+\-−]?[\d.,]+)\s*(?:-|–|—|to)\s*([\d.,]+)\s*", re.IGNORECASE)


def score(cell: str) -> tuple[float, float]:
    """A score, or a range of scores.

    >>> score("2"), score("0-2"), score("0 to 2"), score("0,5 – 1")
    ((2.0, 2.0), (0.0, 2.0), (0.0, 2.0), (0.5, 1.0))
    """
    try:
        ends = _RANGE.fullmatch(cell)
        if ends:
            return number(ends[1]), number(ends[2])
        return number(cell), number(cell)
    except CellError:
        raise CellError(
            f"“{cell}” is not a score; write a number (2) or a range (0 to 2; a spreadsheet may turn 1-2 into a date)"
        ) from None


def day(cell: str) -> str:
    """A date as far as it is known: year, month, day or moment; kept as written.

    >>> day("2023"), day("2023-05"), day("2023-05-14")
    ('2023', '2023-05', '2023-05-14')
    """
    packed = cell.strip()
    if re.fullmatch(r"[12]\d{3}(-(0[1-9]|1[0-2]))?", packed):
        return packed
    try:
        whole = moment(packed)
    except CellError:
        raise CellError(f"“{cell}” is not a date; write 2023-05-14, or 2023-05, or 2023") from None
    return packed if len(packed) == len("2023-05-14") else whole


# ---- rows ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class RungRow:
    """One line of the ladder's table."""

    score: float = column(number, required=True, help="the score this step was given", example="")
    minutes: float | None = column(minutes, unit="min", help="the exposure of the step: minutes, or with a unit")
    seconds: float | None = column(duration, unit="s", help="the same in seconds, or with a unit; one of the two")

    @property
    def exposure_s(self) -> float | None:
        """Exposure of the step, whichever column holds it. [s]"""
        return self.minutes if self.seconds is None else self.seconds


@dataclass(frozen=True)
class ScoreRow:
    """One line of the table of old scores."""

    product: str = column(text, required=True, identity=True, help="the product", example="Paste wax A")
    score: tuple[float, float] = column(
        score, required=True, help="the score, or a range of scores (0-2)", example="0-2")  # fmt: skip
    date: str | None = column(day, help="when it was scored, as far as is known", example="2023-05")
    note: str | None = column(text, help="anything; it carries no meaning", example="")


# ---- how it was used -------------------------------------------------------------------------------------------

EXPOSED, GLASS, HALF_SCORES, HALFWAY = "--exposed", "--steps-under-glass", "--half-scores", "--halfway"

_GLASS = {"yes": YES, "y": YES, "no": NO, "n": NO, "not known": NOT_KNOWN, "unknown": NOT_KNOWN}


@dataclass(frozen=True)
class Use:
    """How the ladder was used; None where it was not said or could not be understood."""

    exposed_s: float | None
    glass: str
    half_scores: bool | None
    halfway_s: float | None


def use_of(*, exposed: str, glass: str, half_scores: str, halfway: str) -> tuple[Use, list[Fault]]:
    """What was typed after the options, or their faults."""
    faults: list[Fault] = []

    def understood(read: Any, option: str, typed: str) -> Any:
        if not typed.strip():
            return None
        try:
            return read(typed)
        except CellError as problem:
            faults.append(Fault(None, option, str(problem)))
            return None

    exposed_s = understood(_some_time, EXPOSED, exposed)
    if not exposed.strip():
        faults.append(Fault(None, EXPOSED, "is missing: how long the strips lay under the lamp, as 4min"))
    use = Use(
        exposed_s,
        understood(_glass, GLASS, glass) or NOT_KNOWN,
        understood(_yes_or_no, HALF_SCORES, half_scores),
        understood(_some_time, HALFWAY, halfway),
    )
    return use, faults


def _some_time(cell: str) -> float:
    seconds = duration(cell)
    if seconds == 0:
        raise CellError(f"“{cell}” is no time; write seconds (240) or a unit (4min)")
    return seconds


def _glass(cell: str) -> str:
    found = _GLASS.get(one_of(cell))
    if found is None:
        raise CellError(f"“{cell}” is not one of: yes, no, not known")
    return found


def _yes_or_no(cell: str) -> bool:
    found = {"yes": True, "y": True, "no": False, "n": False}.get(one_of(cell))
    if found is None:
        raise CellError(f"“{cell}” is not one of: yes, no")
    return found


# ---- rules -----------------------------------------------------------------------------------------------------

Rungs = Sequence[tuple[int, RungRow]]

#: Times the longest step may exceed the exposure, or fall short of it, before a unit is thought missing. [1]
_FAR = 10.0


def ladder_of(rungs: Rungs, scores: Sequence[ScoreRow], use: Use) -> tuple[Ladder | None, list[Fault]]:
    """The ladder, from the longest exposure to the shortest, or what is wrong with it.

    Half scores count as given where the option says nothing and any score lies half-way between rungs.

    Parameters
    ----------
    rungs : sequence of (line, RungRow)
    scores : sequence of ScoreRow
    use : Use
    """
    faults = [f for rule in (_one_exposure, _enough, _no_rung_twice) for f in rule(rungs)]
    if not faults:
        faults += _in_order(rungs) + (_far_from_exposure(rungs, use.exposed_s) if use.exposed_s else [])
    if faults or use.exposed_s is None:
        return None, faults
    ordered = sorted((row for _, row in rungs), key=lambda r: -_exposure(r))
    typed = tuple(r.score for r in ordered)
    half = use.half_scores
    seconds = tuple(_exposure(r) for r in ordered)
    finer = Ladder(typed, seconds, use.exposed_s, use.glass, True, use.halfway_s)
    if half is None:
        rung_grades = set(range(0, len(finer.grades), 2))
        half = any(finer.grade_of(s) not in rung_grades | {None} for row in scores for s in row.score)
    return Ladder(typed, seconds, use.exposed_s, use.glass, half, use.halfway_s), []


def _exposure(row: RungRow) -> float:
    assert row.exposure_s is not None  # `_one_exposure` has seen to it
    return row.exposure_s


def _one_exposure(rungs: Rungs) -> list[Fault]:
    faults = []
    for line, row in rungs:
        if row.minutes is None and row.seconds is None:
            faults.append(Fault(line, "minutes", "is empty. Write the exposure of the step that has this score: 4 min"))
        elif row.minutes is not None and row.seconds is not None:
            faults.append(Fault(line, "seconds", "stands beside minutes; write the exposure once"))
    return faults


def _enough(rungs: Rungs) -> list[Fault]:
    if len(rungs) >= 2:
        return []
    return [Fault(None, None, "has fewer than two rungs; write one line for each step the strips were held against")]


def _no_rung_twice(rungs: Rungs) -> list[Fault]:
    faults: list[Fault] = []
    by_score: dict[float, int] = {}
    by_time: dict[float | None, int] = {}
    for line, row in rungs:
        if row.score in by_score:
            faults.append(Fault(line, "score", f"{row.score:g} stands in row {by_score[row.score]} too"))
        elif row.exposure_s is not None and row.exposure_s in by_time:
            faults.append(
                Fault(line, "minutes", f"row {by_time[row.exposure_s]} has the same exposure with another score")
            )
        by_score.setdefault(row.score, line)
        by_time.setdefault(row.exposure_s, line)
    return faults


def _in_order(rungs: Rungs) -> list[Fault]:
    """Scores rise, or fall, all the way as exposures get shorter."""
    by_time = sorted(rungs, key=lambda x: -_exposure(x[1]))
    rises = by_time[-1][1].score > by_time[0][1].score
    for (_, before), (line, row) in pairwise(by_time):
        if (row.score > before.score) != rises:
            direction = "rise" if rises else "fall"
            return [
                Fault(line, "score", f"{row.score:g} is out of order: from the longest exposure to the shortest the "
                                     f"scores {direction}, but {before.score:g} comes before it")
            ]  # fmt: skip
    return []


def _far_from_exposure(rungs: Rungs, exposed_s: float) -> list[Fault]:
    longest = max(_exposure(row) for _, row in rungs)
    if longest == 0 or exposed_s / _FAR <= longest <= exposed_s * _FAR:
        return []
    return [
        Fault(None, None, f"has {longest:g} s as its longest step, but the strips were exposed {exposed_s:g} s "
                          f"({EXPOSED}). Is a unit missing? Write 4 min or 240 s")
    ]  # fmt: skip


def scores_on_ladder(scores: Sequence[tuple[int, ScoreRow]], ladder: Ladder) -> list[Fault]:
    """Faults of scores that the ladder does not have."""
    halves = Ladder(ladder.scores, ladder.seconds, ladder.exposed_s, ladder.glass, True)
    faults = []
    for line, row in scores:
        for value in dict.fromkeys(row.score):
            if ladder.grade_of(value) is not None:
                continue
            if halves.grade_of(value) is not None:
                faults.append(
                    Fault(line, "score", f"{value:g} lies half-way between two rungs, but half scores were not given "
                                         f"({HALF_SCORES} no). Write {HALF_SCORES} yes, or a range"))  # fmt: skip
                continue
            at_hand = ", ".join(f"{s:g}" for s in sorted(halves.grades))
            faults.append(
                Fault(line, "score", f"{value:g} is not on the ladder, nor half-way between two rungs ({at_hand}). "
                                     "Write a range, or add the rung it stands for"))  # fmt: skip
    faults += _no_score_twice(scores)
    return faults


def _no_score_twice(scores: Sequence[tuple[int, ScoreRow]]) -> list[Fault]:
    faults: list[Fault] = []
    seen: dict[tuple[object, ...], int] = {}
    for line, row in scores:
        key = (row.product, row.score, row.date, row.note)
        if key in seen:
            faults.append(
                Fault(
                    line,
                    "product",
                    f"repeats row {seen[key]}. Take one out or, if two strips were scored, tell them apart in the note",
                )
            )
        seen.setdefault(key, line)
    return faults


def graded(row: ScoreRow, ladder: Ladder) -> tuple[int, int]:
    """Grades of the ends of a score, the one that blocks less first.

    Raises
    ------
    ValueError
        The ladder has no such score.
    """
    grades = [ladder.grade_of(value) for value in row.score]
    if any(g is None for g in grades):
        raise ValueError(f"the ladder has no score {row.score}")
    first, last = sorted(g for g in grades if g is not None)
    return first, last


def printed_score(value: tuple[float, float]) -> str:
    """As the tester would write it.

    >>> printed_score((0.0, 2.0)), printed_score((0.5, 0.5))
    ('0-2', '0.5')
    """
    low, high = value
    return f"{low:g}" if math.isclose(low, high) else f"{low:g}-{high:g}"
