"""The pinned form of results as data: keys and their order, units, and what stands where there is no number."""

import json
import math

import pytest

from fairpanel.jobs.showing import LastRead, Told, as_json
from fairpanel.measured import Component, Measured
from fairpanel.methods.contract import Reading, Refusal, Result
from fairpanel.methods.uv_strip import METHOD

RESULT_KEYS = [
    "product", "method", "quantity", "unit", "value", "low", "high", "plates", "decision_limit", "detection_limit",
    "finding", "sentence", "flags", "budget",
]  # fmt: skip
STRIP_KEYS = [
    "picture", "strip", "product", "plate", "blocked", "low", "high", "transmission", "standard_uncertainty", "flags",
]  # fmt: skip
REFUSED_KEYS = ["picture", "strip", "reason", "what_to_do"]


def _number(transmission, share):
    return Measured(math.log(transmission), (Component("patch", share),))


def _reading(strip, *, plate, transmission=0.8, low=0.76, high=0.84):
    ends = [None if x is None else math.log(x) for x in (low, high)]
    return Reading(
        ("r1",), "Wax A", plate or f"Wax A / {strip}", "scan.png", strip, "blocked",
        _number(transmission, 0.025), *ends,
        bounded=None in ends, limits=(math.log(0.95), math.log(0.9)), flags=("few steps",), detail={"plate": plate},
    )  # fmt: skip


@pytest.fixture
def told():
    """A small read as data, through JSON and back."""
    result = Result(
        "Wax A", "uv_strip", "blocked", _number(0.8, 0.025), math.log(0.76), math.log(0.84), math.log(0.75),
        math.log(0.85), 2, (0, 1), (math.log(0.95), math.log(0.9)), ("few steps",),
    )  # fmt: skip
    read = LastRead(
        "id",
        (Told(METHOD, "Wax A", "blocked", result, "shown", "Wax A blocks UV."),),
        (
            (METHOD, _reading("S1", plate="P1")),
            (METHOD, _reading("S2", plate="")),
            (METHOD, _reading("S3", plate="P2", low=None, high=0.1, transmission=0.1)),
        ),
        (Refusal("scan.png", "S4", "the light was off", "Switch it on."),),
    )
    return json.loads(json.dumps(as_json(read), allow_nan=False))


def test_keys_stand_in_the_pinned_order(told):
    """Programs outside rely on the names; people read them in this order."""
    assert list(told) == ["results", "strips", "refused"]
    assert list(told["results"][0]) == RESULT_KEYS
    assert all(list(one) == STRIP_KEYS for one in told["strips"])
    assert list(told["refused"][0]) == REFUSED_KEYS
    assert all(list(part) == ["source", "points"] for part in told["results"][0]["budget"])


def test_a_strip_gives_percent_points_and_a_share(told):
    """Blocked in per cent, transmission a share, standard uncertainty in points: 100 T u(ln T)."""
    strip = told["strips"][0]
    assert [round(strip[k], 9) for k in ("blocked", "low", "high", "transmission")] == [20, 16, 24, 0.8]
    assert strip["standard_uncertainty"] == pytest.approx(100 * 0.8 * 0.025)


def test_a_plate_is_named_as_in_the_table(told):
    """Where the table names none, nothing is made up."""
    assert [one["plate"] for one in told["strips"]] == ["P1", "", "P2"]


def test_a_bounded_strip_has_one_end_and_no_number(told):
    """Neither a value nor an uncertainty is claimed of what is only bounded."""
    strip = told["strips"][2]
    assert strip["low"] == pytest.approx(90.0)
    assert [strip[k] for k in ("blocked", "high", "transmission", "standard_uncertainty")] == [None] * 4
