"""Rising steps and monotone curves, against base R's example and scipy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from fairpanel.estimate.monotone import MonotoneCurve, rising


def test_rising_order_of_the_base_r_example():
    """Example of base R's isoreg page: 1,0,4,3,3,5,4,2,0 gives 0.5, 0.5 and seven times 3."""
    assert rising([1, 0, 4, 3, 3, 5, 4, 2, 0]) == pytest.approx([0.5, 0.5, *[3.0] * 7])


@given(arrays(float, (3, 8), elements=st.floats(-5, 5)), arrays(float, 8, elements=st.floats(0.1, 10)))
def test_rising_is_scipys_isotonic_regression(values, weights):
    """scipy.optimize.isotonic_regression as referee, with weights, several series at once."""
    from scipy.optimize import isotonic_regression

    expected = [isotonic_regression(v, weights=weights).x for v in values]
    assert rising(values, weights=weights) == pytest.approx(np.array(expected), abs=1e-9)


def steps():
    rng = np.random.default_rng(1)
    return np.array([0.0, 0.5, 1.0, 2.0, 4.0, 8.0]), np.sort(rng.random((5, 6)), axis=-1)


def test_curve_is_scipys_pchip():
    """scipy.interpolate.PchipInterpolator as referee."""
    from scipy.interpolate import PchipInterpolator

    x, y = steps()
    fine = np.linspace(0, 8, 101)
    assert MonotoneCurve(x, y).at(fine) == pytest.approx(PchipInterpolator(x, y, axis=-1)(fine), abs=1e-12)
    two = MonotoneCurve(x[:2], y[:, :2])
    assert two.at([0.25])[:, 0] == pytest.approx(y[:, :2].mean(-1))


def test_inverse_undoes_the_curve():
    """There and back, for many curves at once."""
    x, y = steps()
    curve = MonotoneCurve(x, y)
    for where in np.linspace(0.1, 7.9, 27):
        assert curve.inverse(curve.at(where)[:, 0]) == pytest.approx(where, abs=1e-6)


def test_beyond_the_ends_there_is_no_number():
    """Lighter than the first step or darker than the last: -inf and inf, never a guess."""
    curve = MonotoneCurve(np.array([0.0, 1.0, 2.0]), np.array([0.1, 0.6, 0.9]))
    assert curve.inverse([0.05, 0.95]).tolist() == [-np.inf, np.inf]
    assert curve.inverse([0.1, 0.9]) == pytest.approx([0.0, 2.0], abs=1e-12)
    assert np.isnan(curve.inverse(np.nan))


def test_on_a_level_stretch_the_middle_is_taken():
    """Two steps that do not differ give the dose half way between them."""
    curve = MonotoneCurve(np.array([0.0, 1.0, 3.0, 4.0]), np.array([0.1, 0.5, 0.5, 0.9]))
    assert curve.inverse(0.5) == pytest.approx(2.0)
    assert curve.inverse(0.5 - 1e-9) <= 1.0
    assert curve.inverse(0.5 + 1e-9) >= 3.0


def test_curve_never_turns_back():
    """Between rising steps the curve rises."""
    x, y = steps()
    assert np.all(np.diff(MonotoneCurve(x, y).at(np.linspace(0, 8, 500)), axis=-1) >= -1e-15)


def test_falling_heights_are_refused():
    """The caller must say how steps in disorder are to be set right."""
    with pytest.raises(ValueError, match="must not fall"):
        MonotoneCurve(np.array([0.0, 1.0]), np.array([1.0, 0.9]))
    with pytest.raises(ValueError, match="further along"):
        MonotoneCurve(np.array([0.0, 0.0]), np.array([0.0, 0.9]))
