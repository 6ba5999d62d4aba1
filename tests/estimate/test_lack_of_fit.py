"""Tests of a fit, against scipy and by hand."""

import numpy as np
import pytest

from fairpanel.estimate.lack_of_fit import by_repeats, by_uncertainty


def test_chi_square_of_known_noise():
    """Chi-square tables (from memory): 5 % points 3.841, 5.991, 7.815 for 1, 2, 3 degrees of freedom."""
    found = by_uncertainty(np.array([3.841, 5.991, 7.815]), np.array([1, 2, 3]))
    assert found.p_value == pytest.approx([0.05] * 3, abs=0.0001)


def test_nothing_left_to_test_has_no_p_value():
    """As many parameters as readings: NaN, not 1."""
    assert np.isnan(by_uncertainty(0.0, 0).p_value)


def test_repeats_against_a_right_and_a_wrong_curve():
    """Three repeats at five points of a parabola, against its own heights and against a line."""
    rng = np.random.default_rng(1)
    x = np.arange(5.0)
    groups = [x_i**2 + 0.3 * rng.standard_normal(3) for x_i in x]
    means = np.array([g.mean() for g in groups])
    parabola, line = np.polyval(np.polyfit(x, means, 2), x), np.polyval(np.polyfit(x, means, 1), x)
    assert by_repeats(groups, parabola, parameters=3).p_value > 0.01
    wrong = by_repeats(groups, line, parameters=2)
    assert wrong.dof == (3, 10)
    assert wrong.p_value < 1e-6


def test_no_repeats_no_test():
    """Without repeats the F test has nothing to hold the misfit against."""
    with pytest.raises(ValueError, match="repeated readings"):
        by_repeats([[1.0], [2.0], [3.0]], [1.0, 2.0, 3.0], parameters=2)
