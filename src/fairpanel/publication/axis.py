"""One common axis for all products of a quantity, and each product's place on it, in per cent of its length."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import median

from fairpanel.findings.rules import Shown, number
from fairpanel.methods.contract import Quantity

#: About how many numbers stand on an axis.
TICKS = 5

#: Room left at each end, as a share of the axis.
ROOM = 0.03


@dataclass(frozen=True)
class Tick:
    """A number on the axis and its place. [%]"""

    at: float
    text: str


@dataclass(frozen=True)
class Axis:
    """From `low` to `high` on the shown scale; `blank` is where nothing is there."""

    low: float
    high: float
    blank: float
    ticks: tuple[Tick, ...]

    def at(self, x: float) -> float:
        """Place of a number, kept on the axis. [%]"""
        return round(100 * min(max((x - self.low) / (self.high - self.low), 0.0), 1.0), 3)


@dataclass(frozen=True)
class Bar:
    """A result drawn to scale; places in per cent of the axis.

    Parameters
    ----------
    value, real : float or None
        The value, and the smallest amount called real.
    low, high : float
        95 % interval; at an end of the axis where that side goes on.
    family : (float, float) or None
        Limits that hold for all products together.
    goes_on_low, goes_on_high : bool
        That side is open, or lies beyond the axis.
    each : tuple of float
        The single readings that have a value.
    """

    value: float | None
    real: float | None
    low: float
    high: float
    family: tuple[float, float] | None
    goes_on_low: bool
    goes_on_high: bool
    each: tuple[float, ...] = ()


def axis_for(shown: Sequence[Shown], each: Iterable[float | None], quantity: Quantity) -> Axis:
    """An axis for all products of a quantity; the whole scale where both its ends are known.

    It holds the blank and every value and bound. Intervals are held too, but none makes the axis longer than three
    times what the rest needs; what goes on beyond is drawn with an arrow.

    Parameters
    ----------
    shown : sequence of Shown
    each : iterable of float or None
        Values of single readings.
    quantity : Quantity

    Examples
    --------
    >>> twelve = Shown(12.0, 9.0, 15.0, 8.0, 16.0, 4.0, 8.0)
    >>> [t.text for t in axis_for([twelve], [11.0], Quantity("blocked", "%", "log", "higher", 1)).ticks]
    ['0', '5', '10', '15']
    """
    blank = float(quantity.shown(quantity.blank))
    core = _finite([blank, *each, *(x for s in shown for x in _must_show(s))]) + _finite(quantity.ends, both=True)
    ends = _finite([x for s in shown for x in (s.low, s.high, s.family_low, s.family_high)])
    low, high = min(core), max(core)
    reach = max(high - low, _middle([s.high - s.low for s in shown if s.low is not None and s.high is not None]))
    low, high = max(min([low, *ends]), low - reach), min(max([high, *ends]), high + reach)
    if high <= low:
        low, high = low - 1.0, high + 1.0
    room = ROOM * (high - low)
    return _with_ticks(Axis(low - room, high + room, blank, ()))


def _must_show(s: Shown) -> list[float | None]:
    """What of a result the axis must hold: its value, or the one end that is known, and what is called real."""
    return [s.value, s.decision] if s.value is not None else [s.low, s.high, s.decision]


def _finite(numbers: Iterable[float | None], *, both: bool = False) -> list[float]:
    """Those that are numbers; if `both`, all or none."""
    numbers = list(numbers)
    found = [x for x in numbers if x is not None and math.isfinite(x)]
    return [] if both and len(found) < len(numbers) else found


def _middle(lengths: Sequence[float]) -> float:
    known = [x for x in lengths if math.isfinite(x)]
    return median(known) if known else 0.0


def _with_ticks(axis: Axis) -> Axis:
    step = _step((axis.high - axis.low) / TICKS)
    first, last = math.ceil(axis.low / step - 1e-9), math.floor(axis.high / step + 1e-9)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    ticks = tuple(Tick(axis.at(i * step), _text(i * step, decimals)) for i in range(first, last + 1))
    return replace(axis, ticks=ticks)


def bar_of(s: Shown, axis: Axis, each: Iterable[float | None] = ()) -> Bar:
    """Where a result lies on the axis."""
    lows = [x for x in (s.low, s.family_low) if x is not None]
    highs = [x for x in (s.high, s.family_high) if x is not None]
    family = None
    if s.family_low is not None and s.family_high is not None:
        # Of few products the limits for all at once, one-sided, lie inside the interval, which holds as well.
        family = (axis.at(min(lows)), axis.at(max(highs)))
    real = s.decision if s.decision is not None and math.isfinite(s.decision) else None
    return Bar(
        None if s.value is None else axis.at(s.value),
        None if real is None else axis.at(real),
        0.0 if s.low is None else axis.at(s.low),
        100.0 if s.high is None else axis.at(s.high),
        family,
        s.low is None or min(lows) < axis.low,
        s.high is None or max(highs) > axis.high,
        tuple(axis.at(x) for x in each if x is not None),
    )


def _step(wanted: float) -> float:
    """A 1, 2 or 5 times a power of ten that is not much below."""
    power = 10.0 ** math.floor(math.log10(wanted))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= 0.75 * wanted)


def _text(x: float, decimals: int) -> str:
    return number(x, Quantity("", "", "linear", "neither", decimals))
