"""The paper's curve: shape, derivatives, reading backwards."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fairpanel.methods.uv_strip import curve


def theta(*, d0=0.1, d1=1.2, middle=4.0, slope=1.35, bend=0.0):
    """Parameters of a curve whose psi bends upward by `bend`."""
    x = curve.KNOTS
    return np.concatenate([[d0, d1, middle], curve.PSI_HALF + slope * x + bend * x**2])


@settings(max_examples=25, deadline=None)
@given(st.floats(0.8, 2.0), st.floats(-0.03, 0.03), st.floats(3.0, 6.0))
def test_density_rises_from_unexposed_to_full(slope, bend, middle):
    """Never falls with the exposure, and stays between its ends."""
    t = theta(slope=slope, bend=bend, middle=middle)
    d = curve.density(t, np.linspace(middle - 5, middle + 4, 300))
    assert np.all(np.diff(d) >= -1e-12) and d[0] >= 0.1 and d[-1] <= 1.2
    assert curve.density(t, np.array([-np.inf]))[0] == pytest.approx(0.1)


def test_half_way_is_half_of_the_range():
    """The dose called half-way gives the middle of the range of density."""
    t = theta(bend=0.02)
    assert curve.density(t, np.array([curve.halfway(t)]))[0] == pytest.approx(0.65, abs=1e-6)


def test_slope_is_the_difference_quotient():
    """Rise of density per unit of ln(dose), at doses between knots (central difference over a piece)."""
    t = theta()
    x = np.linspace(1.0, 6.0, 41) + 0.011
    h = 1e-4
    quotient = (curve.density(t, x + h) - curve.density(t, x - h)) / (2 * h)
    assert curve.slope(t, x) == pytest.approx(quotient, rel=2e-3)


def test_derivatives_by_the_parameters():
    """Against central differences, parameter by parameter."""
    t, x = theta(bend=0.01), np.array([-np.inf, 0.3, 2.7, 4.0, 5.9])
    j = curve.jacobian(t, x)
    for k in [*range(2), *range(3, curve.SIZE)]:
        step = np.zeros(curve.SIZE)
        step[k] = 1e-6
        quotient = (curve.density(t + step, x) - curve.density(t - step, x)) / 2e-6
        assert j[:, k] == pytest.approx(quotient, abs=1e-6)


def test_read_backwards():
    """The dose of a density is the dose that gave it; beyond the ends it is none or endless."""
    t = theta(bend=-0.01)
    x = np.linspace(1.5, 6.0, 30)
    assert curve.ln_dose(t, curve.density(t, x)) == pytest.approx(x, abs=1e-3)
    assert list(curve.ln_dose(t, np.array([0.05, 1.3]))) == [-np.inf, np.inf]


def test_many_curves_at_once():
    """Leading dimensions broadcast: the same numbers as one by one."""
    many = np.array([theta(slope=s) for s in (1.0, 1.4, 1.9)])
    x = np.linspace(2, 5, 7)
    assert curve.density(many, x) == pytest.approx(np.array([curve.density(t, x) for t in many]))
