"""Drawn to scale: places on the one axis."""

from itertools import pairwise

import pytest

from fairpanel.findings.rules import Shown
from fairpanel.methods.contract import Quantity
from fairpanel.publication.axis import axis_for, bar_of

BLOCKED = Quantity("blocked", "%", "linear", "higher", 1)


def _shown(value, low, high, decision=2.0):
    return Shown(value, low, high, low, high, decision, 2 * decision if decision is not None else None)


def test_equal_differences_are_drawn_equally_long():
    """The law of a scale, for ticks, values and intervals alike."""
    some = [_shown(10.0, 5.0, 15.0), _shown(60.0, 50.0, 70.0)]
    axis = axis_for(some, [], BLOCKED)
    bars = [bar_of(s, axis) for s in some]
    per_unit = (bars[1].value - bars[0].value) / 50
    assert bars[0].high - bars[0].low == pytest.approx(10 * per_unit, abs=0.002)
    assert axis.at(0.0) == pytest.approx(bars[0].value - 10 * per_unit, abs=0.002)
    for a, b in pairwise(axis.ticks):
        assert b.at - a.at == pytest.approx((float(b.text) - float(a.text)) * per_unit, abs=0.01)


@pytest.mark.parametrize("value", [-30.0, -0.4, 0.0, 0.0003, 7.0, 93.0, 4e5])
def test_blank_value_and_what_is_called_real_lie_on_the_axis(value):
    """However large or small; with three to eight numbers along it."""
    s = _shown(value, value - abs(value) / 2, value + abs(value) / 2, decision=0.0)
    axis = axis_for([s], [value], BLOCKED)
    assert axis.low < min(value, 0) and axis.high > max(value, 0)
    assert 3 <= len(axis.ticks) <= 8
    assert len({t.text for t in axis.ticks}) == len(axis.ticks)


def test_a_wide_interval_does_not_squeeze_the_others():
    """It is cut at the axis with an arrow; its other end is drawn where it is."""
    good = [_shown(x, x - 2, x + 2) for x in (4.0, 12.0, 20.0)]
    wild = _shown(8.0, -900.0, 30.0)
    axis = axis_for([*good, wild], [], BLOCKED)
    bar = bar_of(wild, axis)
    assert bar.goes_on_low and not bar.goes_on_high and bar.low == 0.0
    assert bar_of(good[0], axis).high - bar_of(good[0], axis).low > 5
    assert not any(bar_of(s, axis).goes_on_low for s in good)


def test_a_bound_runs_to_the_end_of_the_axis():
    """At least and at most have no dot; the known end is drawn to scale."""
    least, most = Shown(None, 90.0, None, 90.0, None, 3.0, 6.0), Shown(None, None, 5.0, None, 5.0, 3.0, 6.0)
    axis = axis_for([least, most], [], BLOCKED)
    bar = bar_of(least, axis)
    assert (bar.value, bar.low, bar.high) == (None, axis.at(90.0), 100.0)
    assert bar.goes_on_high and not bar.goes_on_low
    assert (bar_of(most, axis).low, bar_of(most, axis).high) == (0.0, axis.at(5.0))


def test_nothing_at_all_still_has_an_axis():
    """No product read: the blank stands in the middle."""
    axis = axis_for([], [], BLOCKED)
    assert axis.at(0.0) == 50.0


def test_what_holds_for_all_is_never_drawn_shorter_than_the_interval():
    """Of a single product the limits for all at once are one-sided and lie inside its interval."""
    one = Shown(2.0, -1.0, 5.0, -0.5, 4.5, 3.0, 6.0)
    bar = bar_of(one, axis_for([one], [], BLOCKED))
    assert bar.family == (bar.low, bar.high)
