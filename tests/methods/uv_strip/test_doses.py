"""From what a row says to a dose."""

import math

import numpy as np
import pytest

from fairpanel.methods.uv_strip import METHOD
from fairpanel.methods.uv_strip import starting_values as taken
from fairpanel.methods.uv_strip.doses import dose_of


def row(**more):
    """A product's row."""
    return METHOD.Row(**{"picture": "p", "strip": "s", "role": "product", "seconds": 60.0, "product": "A"} | more)


def test_a_dose_is_time_times_light():
    """ln of seconds, less for a place with less light."""
    assert dose_of(row(), places_given=False).ln == pytest.approx(math.log(60))
    assert dose_of(row(relative_light=0.9), places_given=True).ln == pytest.approx(math.log(54))


def test_a_cold_lamp_gives_less_by_the_integral_of_its_rise():
    """Against the exponential approach to full light, added up second by second."""
    found = dose_of(row(lamp_on_s=120.0, seconds=240.0), places_given=False)
    t = np.arange(120, 360, 0.01) + 0.005
    assert math.exp(found.ln) == pytest.approx(np.sum(1 - np.exp(-t / taken.WARM_UP_S)) * 0.01, rel=1e-4)
    assert found.shared > dose_of(row(seconds=240.0), places_given=False).shared


def test_after_a_quarter_of_an_hour_the_lamp_is_warm():
    """15 minutes of warm-up (common practice, no source): less than 3 % is missing by then."""
    assert dose_of(row(lamp_on_s=900.0), places_given=False).warm > 0.97


def test_a_short_exposure_is_timed_badly():
    """Half a second matters a tenth at 5 s, a hundredth at 50 s."""
    assert dose_of(row(seconds=5.0), places_given=False).timing == pytest.approx(0.1)
    assert dose_of(row(seconds=50.0), places_given=False).timing == pytest.approx(0.01)


def test_a_place_not_told_costs_where_others_are_told():
    """No error, but a wider interval."""
    unknown, known = (dose_of(row(relative_light=x), places_given=True).shared for x in (None, 1.0))
    assert unknown > known


def test_no_exposure_is_no_dose():
    """The first step."""
    assert dose_of(row(seconds=0.0), places_given=False).ln == -math.inf
