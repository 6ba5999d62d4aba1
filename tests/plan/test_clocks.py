"""Clocks from what was recorded: hand-worked runs."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fairpanel.plan.clocks import (
    Event,
    exposed_s,
    exposing,
    lamp_hours,
    lamp_on_s,
    lit_since,
    ready_at,
    rinsed_at,
    step_due,
    step_seconds,
    warm_at,
)

PLANNED = [0.0, 8.0, 15.0, 25.0]


def test_switching_off_restarts_the_warm_up():
    """Fifteen minutes from the last time it was switched on: common practice, no source."""
    on = [Event("lamp on", 0)]
    assert warm_at(on) == 900
    off = [*on, Event("lamp off", 800)]
    assert warm_at(off) is None and lit_since(off) is None
    assert warm_at([*off, Event("lamp on", 810)]) == 1710
    assert warm_at([*on, Event("lamp on", 400)]) == 900, "switching on what is on changes nothing"
    assert warm_at(on, warm_up_s=60) == 60


def test_an_exposure_by_switch_switches_the_lamp():
    """Begun by the switch, the lamp is cold at the start and off at the end."""
    events = [Event("begun", 10, "lamp switched"), Event("ended", 70, "lamp switched")]
    assert lit_since(events[:1]) == 10 and lit_since(events) is None
    assert lamp_on_s(events) == 0.0
    assert lamp_hours(events, since=0, now=100) == pytest.approx(60 / 3600)


def test_how_long_the_lamp_had_been_on():
    """At the beginning of the exposure; unknown where nobody recorded the lamp."""
    assert lamp_on_s([Event("lamp on", 0), Event("begun", 950, "card"), Event("lamp off", 2000)]) == 950
    assert lamp_on_s([Event("begun", 950, "card")]) is None
    assert lamp_on_s([]) is None


def test_late_steps_as_they_happened():
    """The card covered steps at 8, 17 and 25 s: the third got 17 s, not the 15 that were planned."""
    events = [Event("begun", 100, "card"), Event("step", 108, step=1), Event("step", 117, step=2),
              Event("step", 125, step=3), Event("ended", 130, "card")]  # fmt: skip
    assert step_seconds(events, planned=PLANNED, now=999) == [0, 8, 17, 25]


def test_the_longest_step_runs_to_the_end():
    """Where the card never reached it, it got all the light; a step in between that was not recorded is not known."""
    events = [Event("begun", 0, "card"), Event("step", 8, step=1), Event("ended", 27, "card")]
    assert step_seconds(events, planned=PLANNED, now=999) == [0, 8, None, 27]
    assert step_seconds(events[:2], planned=PLANNED, now=20) == [0, 8, None, None], "not over yet"


def test_a_card_that_uncovers():
    """Each step is exposed from then to the end."""
    events = [Event("begun", 0, "card"), Event("step", 0, step=3), Event("step", 10, step=2),
              Event("step", 17, step=1), Event("ended", 25, "card")]  # fmt: skip
    assert step_seconds(events, planned=PLANNED, now=99, uncovers=True) == [0, 8, 15, 25]
    assert step_due(PLANNED, uncovers=True) == [25, 17, 10, 0]


def test_an_interruption_does_not_count():
    """The lamp went off in the middle: no light fell in between; steps count light, not time."""
    events = [Event("begun", 0, "card"), Event("lamp off", 20), Event("lamp on", 60), Event("begun", 1000, "card"),
              Event("step", 1005, step=3), Event("ended", 1010, "card")]  # fmt: skip
    assert exposed_s(events, now=9999) == 30
    assert step_seconds(events, planned=PLANNED, now=9999)[3] == 25
    assert not exposing(events[:3]) and exposing(events[:4])


def test_rinse_and_dry_down():
    """Ready 24 h after the last rinse: common practice, no source."""
    events = [Event("rinsed", 50), Event("rinsed", 90, strips=("S2",))]
    assert rinsed_at(events, ["S1", "S2"]) == {"S1": 50, "S2": 90}
    assert rinsed_at([], ["S1"]) == {"S1": None}
    assert ready_at(50) == 86450


MOMENTS = st.integers(0, 1000)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])  # others share the machine
@given(st.lists(st.tuples(st.sampled_from(["begun", "ended", "lamp off"]), MOMENTS), max_size=8), MOMENTS)
def test_time_before_and_after_add_up(drawn, cut):
    """Whatever was recorded: light up to a moment and from it on are all the light."""
    events = [Event(kind, at) for kind, at in drawn]
    whole = exposed_s(events, now=2e3)
    assert whole == pytest.approx(exposed_s(events, now=2e3, until=cut) + exposed_s(events, now=2e3, since=cut))
    assert 0 <= whole <= 2e3
