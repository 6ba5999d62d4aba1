"""The chart of a curve: where steps and strips stand on it, and what is kept out of it."""

import json
import math
from itertools import pairwise

import pytest

from fairpanel.measured import Component, Measured
from fairpanel.methods.contract import Reading
from fairpanel.methods.uv_strip.charts import charts, spread_out


def _reading(strip, *, blocked, steps="secret name.png:Z1", dose=90.0):
    ln_t = math.log(1 - blocked / 100)
    density = 0.2 + 0.1 * (math.log(dose) + ln_t)
    curve = {
        "strips": [["secret name.png", "Z1"]],
        "role": "step",
        "steps": [[0.0, 0.05], [10.0, 0.43], [100.0, 0.66]],
        "from": math.log(10) - 1,
        "to": math.log(100) + 0.5,
        "densities": [0.2 + 0.1 * (math.log(10) - 1 + i * (math.log(10) + 1.5) / 39) for i in range(40)],
    }
    detail = {"curve": curve, "steps": steps, "film_points": [[dose, density]], "glass_points": [[dose, 0.65]]}
    number = Measured(ln_t, (Component("patch", 0.02),))
    return Reading(
        (strip,), f"Wax {strip}", "P", "secret name.png", strip, "blocked", number, None, None, detail=detail
    )


def _values(spec):
    return [layer["data"]["values"] for layer in spec["layer"]]


def test_a_strip_stands_at_the_light_its_film_let_through():
    """Half of 90 s for a film that blocks half; a steps' curve straight in ln(dose) then passes through it."""
    (chart,) = charts([_reading("S1", blocked=50.0), _reading("S2", blocked=0.0)], [])
    points = {v["strip"]: v for values in _values(chart.spec) for v in values if "strip" in v}
    assert points["S1"]["x"] == pytest.approx(math.log(45.0)) and points["S2"]["x"] == pytest.approx(math.log(90.0))
    line = _values(chart.spec)[0]
    rise = (line[-1]["density"] - line[0]["density"]) / (line[-1]["x"] - line[0]["x"])
    for p in points.values():
        assert p["density"] == pytest.approx(line[0]["density"] + rise * (p["x"] - line[0]["x"]), abs=1e-6)


def test_no_exposure_has_its_own_place():
    """A dose of zero stands left of all others, not at minus infinity."""
    (chart,) = charts([_reading("S1", blocked=20.0)], [])
    x = chart.spec["layer"][0]["encoding"]["x"]
    steps = next(v for v in _values(chart.spec) if len(v) == 3)
    assert steps[0]["x"] == x["scale"]["domain"][0] < min(s["x"] for s in steps[1:])
    assert x["axis"]["values"][0] == steps[0]["x"]


def test_names_of_pictures_stay_out_of_charts():
    """What is drawn and said names strips and products only; the step strip's picture is told apart for the page."""
    (chart,) = charts([_reading("S1", blocked=20.0)], [])
    assert chart.strips == (("secret name.png", "Z1"),)
    assert "secret" not in json.dumps([chart.title, chart.words, chart.spec, chart.key])
    assert chart.key == (("S1", "Wax S1"),)


def test_one_chart_for_each_set_of_steps():
    """Strips of one picture read against two sets of steps are drawn apart."""
    strips = [_reading("S1", blocked=5.0), _reading("S2", blocked=5.0, steps="other"), _reading("S3", blocked=5.0)]
    found = charts(strips, [])
    assert [[label for label, _ in c.key] for c in found] == [["S1", "S3"], ["S2"]]


@pytest.mark.parametrize("wanted", [[0.0] * 7, [3.0, 1.0, 1.1, 1.2, 9.0], [5.0, 5.1, 4.9, 0.0, 0.2, 10.0]])
def test_labels_keep_their_distance_and_order(wanted):
    """And run no further from their points than they must: the mean of a crowd stays."""
    places = spread_out(wanted, 1.0)
    order = sorted(range(len(wanted)), key=lambda i: (wanted[i], places[i]))
    gaps = [places[b] - places[a] for a, b in pairwise(order)]
    assert min(gaps) >= 1.0 - 1e-9
    assert sum(places) == pytest.approx(sum(wanted))
