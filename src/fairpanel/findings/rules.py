"""The rule table: from results to findings. Every word that is published about a result comes through here.

Positive effects only: each quantity has a blank ("nothing there") and a direction that is better. What the evidence
does not carry is not said.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fairpanel.methods.contract import Method, Quantity, Reading, Result, Words

SHOWN, NOT_DETECTED, UNDECIDED = "shown", "not_detected", "undecided"
AT_LEAST, AT_MOST, NOT_READ = "at_least", "at_most", "not_read"

#: Order in which findings are listed, and their headings.
HEADINGS = {
    SHOWN: "Shown",
    AT_LEAST: "At least",
    UNDECIDED: "Cannot say yet",
    AT_MOST: "At most",
    NOT_DETECTED: "None found",
    NOT_READ: "Not read",
}


@dataclass(frozen=True)
class Shown:
    """A result on its shown scale, limits in rising order."""

    value: float | None
    low: float | None
    high: float | None
    family_low: float | None
    family_high: float | None
    decision: float | None
    detection: float | None


@dataclass(frozen=True)
class Finding:
    """What may be said of one result."""

    finding: str
    sentence: str


def on_shown_scale(result: Result, quantity: Quantity) -> Shown:
    """Value, limits and decision limits as shown; a falling scale swaps low and high."""

    def shown(x: float | None) -> float | None:
        return None if x is None else float(quantity.shown(x))

    falls = float(quantity.shown(0.1)) < float(quantity.shown(0.0))
    low, high, fl, fh = (shown(x) for x in (result.low, result.high, result.family_low, result.family_high))
    if falls:
        low, high, fl, fh = high, low, fh, fl
    decision, detection = (shown(x) for x in result.limits) if result.limits else (None, None)
    value = None if result.measured is None else shown(result.measured.value)
    return Shown(value, low, high, fl, fh, decision, detection)


def finding_of(result: Result, method: Method) -> Finding:
    """The finding for a result, and its sentence.

    Rules, first that holds: nothing readable; open on one side; family-wise limit beyond the blank; at or below the
    decision limit; else undecided.
    """
    quantity = method.quantity(result.quantity)
    s = on_shown_scale(result, quantity)
    words = method.words(result)
    kind = _kind(result, s, quantity)
    return Finding(kind, _SENTENCES[kind](result, s, quantity, words))


def not_read(product: str) -> Finding:
    """The finding for a product of which nothing could be read."""
    return Finding(NOT_READ, f"{product}: nothing could be read; see what was refused and why.")


def _kind(result: Result, s: Shown, quantity: Quantity) -> str:
    if s.value is None:
        if not _bounds(s, quantity):
            return UNDECIDED
        return AT_LEAST if s.low is not None else AT_MOST
    blank = float(quantity.shown(quantity.blank))
    if s.family_low is not None and s.family_low > blank:
        return SHOWN
    if s.decision is not None and s.value <= s.decision:
        return NOT_DETECTED
    return UNDECIDED


def _bounds(s: Shown, quantity: Quantity) -> bool:
    """Whether the one end that is known says more than the quantity's own ends do."""
    least, most = quantity.ends
    by_low = s.low is not None and (least is None or round(s.low, quantity.decimals) > least)
    by_high = s.high is not None and (most is None or round(s.high, quantity.decimals) < most)
    return by_low or by_high


def number(x: float, quantity: Quantity) -> str:
    """A number as printed: rounded half to even, a true minus sign, no minus before zero."""
    text = f"{x:.{quantity.decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def with_unit(x: float, quantity: Quantity) -> str:
    """A number with its unit."""
    unit = f" {quantity.unit}" if quantity.unit else ""
    return f"{number(x, quantity)}{unit}"


def interval(s: Shown, quantity: Quantity) -> str:
    """“16.0 % (12.1 to 20.2)”, or the bound where one side is open."""
    if s.value is not None and s.low is not None and s.high is not None:
        return f"{with_unit(s.value, quantity)} ({number(s.low, quantity)} to {number(s.high, quantity)})"
    if s.low is not None:
        return f"at least {with_unit(s.low, quantity)}"
    if s.high is not None:
        return f"at most {with_unit(s.high, quantity)}"
    return "no value"


def _plates(result: Result) -> str:
    return "one plate, preliminary" if result.plates == 1 else f"{result.plates} plates"


def _say_shown(r: Result, s: Shown, q: Quantity, w: Words) -> str:
    return f"{r.product} {w.does}: {interval(s, q)} {w.amount} ({_plates(r)})."


def _say_none(r: Result, s: Shown, q: Quantity, w: Words) -> str:
    upper = f"; if there is any, it is under {with_unit(max(s.high, 0.0), q)}" if s.high is not None else ""
    return f"{r.product}: {w.none_found}{upper} {w.amount} ({_plates(r)})."


def _say_undecided(r: Result, s: Shown, q: Quantity, w: Words) -> str:
    if s.value is None:
        return f"{r.product}: cannot say; read like this, any amount {w.amount} would fit ({_plates(r)})."
    text = f"{r.product}: cannot say yet; {interval(s, q)} {w.amount} ({_plates(r)})."
    need = plates_needed(r, s)
    if need is None:
        return text
    return f"{text} About {need} plates in all, read like these, would decide."


def plates_needed(r: Result, s: Shown) -> int | None:
    """Plates that would bring the family-wise limit to the blank, were the value right; None if too many."""
    if s.value is None or s.family_low is None or s.value <= 0:
        return None
    short = (s.value - s.family_low) / s.value
    need = math.ceil(r.plates * short**2)
    return need if r.plates < need <= 30 else None


def _say_at_least(r: Result, s: Shown, q: Quantity, w: Words) -> str:
    return f"{r.product} {w.does}: {interval(s, q)} {w.amount} ({_plates(r)})."


def _say_at_most(r: Result, s: Shown, q: Quantity, w: Words) -> str:
    return f"{r.product}: {interval(s, q)} {w.amount} ({_plates(r)}); how little cannot be said."


_SENTENCES = {
    SHOWN: _say_shown,
    NOT_DETECTED: _say_none,
    UNDECIDED: _say_undecided,
    AT_LEAST: _say_at_least,
    AT_MOST: _say_at_most,
}


def budget_in_shown_units(result: Result, quantity: Quantity) -> list[dict[str, float | str]]:
    """The error budget, biggest first, in units of the shown scale (its slope at the value)."""
    if result.measured is None:
        return []
    x, h = result.measured.value, 1e-5
    slope = abs(float(quantity.shown(x + h)) - float(quantity.shown(x - h))) / (2 * h)
    return [{"source": source, "points": slope * size} for source, size in result.measured.budget()]


def reading_on_shown_scale(reading: Reading, quantity: Quantity) -> Shown:
    """A single reading as shown; where it is bounded there is no value and only the known end."""
    falls = float(quantity.shown(0.1)) < float(quantity.shown(0.0))

    def shown(x: float | None) -> float | None:
        return None if x is None else float(quantity.shown(x))

    low, high = shown(reading.low), shown(reading.high)
    if falls:
        low, high = high, low
    decision, detection = (shown(x) for x in reading.limits) if reading.limits else (None, None)
    value = None if reading.bounded else shown(reading.measured.value)
    return Shown(value, low, high, None, None, decision, detection)


def in_order(findings: Sequence[tuple[Result | None, Finding]]) -> list[tuple[Result | None, Finding]]:
    """By finding, not by rank; within a finding by name."""
    place = {name: i for i, name in enumerate(HEADINGS)}
    return sorted(findings, key=lambda x: (place[x[1].finding], x[0].product.casefold() if x[0] else ""))
