"""Findings: what may be said of a result, and in which words."""

import math

import pytest

from fairpanel.findings.rules import (
    AT_LEAST,
    AT_MOST,
    NOT_DETECTED,
    SHOWN,
    UNDECIDED,
    budget_in_shown_units,
    finding_of,
    in_order,
    not_read,
    on_shown_scale,
    plates_needed,
)
from fairpanel.measured import Component, Measured
from fairpanel.methods import method_named
from fairpanel.methods.contract import Result

METHOD = method_named("uv_strip")


def ln_t(blocked):
    """ln(transmission) of a blocking. [%]"""
    return None if blocked is None else math.log(1 - blocked / 100)


def result(value, low, high, *, family=None, decision=3.0, plates=3):
    """A result given in % blocked; `family` is the family-wise lower limit."""
    measured = None if value is None else Measured(ln_t(value), (Component("patch", 0.01),))
    family_low = low if family is None else family
    return Result(
        "Wax", "uv_strip", "blocked", measured, ln_t(high), ln_t(low), ln_t(high), ln_t(family_low), plates, (),
        (ln_t(decision), ln_t(2 * decision)),
    )  # fmt: skip


@pytest.mark.parametrize(
    "made, finding, words",
    [
        (result(16.0, 12.1, 20.2), SHOWN, ["16.0 % (12.1 to 20.2)", "3 plates"]),
        (result(16.0, 1.0, 30.0, family=-2.0), UNDECIDED, ["cannot say yet", "(1.0 to 30.0)"]),
        (result(1.0, -2.0, 4.0), NOT_DETECTED, ["no blocking found", "under 4.0 %"]),
        (result(-3.0, -6.0, -0.5), NOT_DETECTED, ["no blocking found", "under 0.0 %"]),
        (result(4.0, -1.0, 9.0), UNDECIDED, ["cannot say yet"]),
        (result(None, 88.0, None), AT_LEAST, ["at least 88.0 %"]),
        (result(None, None, 25.0), AT_MOST, ["at most 25.0 %"]),
        (result(None, None, None), UNDECIDED, ["any amount"]),
        (result(None, None, 99.97), UNDECIDED, ["any amount"]),
        (result(16.0, 12.0, 20.0, plates=1), SHOWN, ["one plate, preliminary"]),
    ],
)
def test_each_case_has_its_finding_and_its_sentence(made, finding, words):
    """First rule that holds; numbers with their interval and the number of plates."""
    found = finding_of(made, METHOD)
    assert found.finding == finding
    assert all(w in found.sentence for w in words)


def test_an_interval_clear_of_nothing_is_not_enough_when_many_are_compared():
    """Alone 1.0 to 30.0 would do; with the family-wise limit below nothing it does not."""
    assert finding_of(result(16.0, 1.0, 30.0, family=-0.1), METHOD).finding == UNDECIDED
    assert finding_of(result(16.0, 1.0, 30.0, family=0.1), METHOD).finding == SHOWN


def test_no_sentence_ranks_or_praises():
    """Nothing is best, worst, better than or a winner; nothing protects skin."""
    made = [result(16.0, 12.1, 20.2), result(1.0, -2.0, 4.0), result(4.0, -1.0, 9.0), result(None, 88.0, None)]
    for r in made:
        sentence = finding_of(r, METHOD).sentence.lower()
        assert not any(w in sentence for w in ("best", "worst", "better", "winner", "rank", "skin", "protects"))


def test_plates_that_would_decide():
    """The error falls with the root of the number of plates: half way there takes four times as many."""
    s = on_shown_scale(result(4.0, -4.0, 12.0, plates=2), METHOD.quantity("blocked"))
    assert plates_needed(result(4.0, -4.0, 12.0, plates=2), s) == 8


def test_the_budget_is_in_points():
    """A hundredth of ln(transmission) at 16 % blocked is 0.84 points: the slope of 100 (1 - e^x) there."""
    (part,) = budget_in_shown_units(result(16.0, 12.0, 20.0), METHOD.quantity("blocked"))
    assert part == {"source": "patch", "points": pytest.approx(0.84, abs=1e-4)}


def test_the_order_is_by_finding_and_then_by_name():
    """Never by value."""
    made = [result(1.0, -2.0, 4.0), result(16.0, 12.0, 20.0), None]
    found = in_order([(r, finding_of(r, METHOD) if r else not_read("Z")) for r in made])
    assert [f.finding for _, f in found] == [SHOWN, NOT_DETECTED, "not_read"]
