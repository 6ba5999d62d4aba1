"""Numbers of plates against base R's power.t.test."""

import numpy as np
import pytest

from fairpanel.estimate.max_t import greatest_t
from fairpanel.estimate.power import chance_of_finding, plates_needed, two_group_power


def test_power_of_twenty_a_side():
    """Example of base R's power.t.test page: n 20, difference of one sd: 0.8689528."""
    assert two_group_power(1.0, plates=20) == pytest.approx(0.8689528, abs=1e-6)


@pytest.mark.parametrize(
    ("difference", "for_80", "for_90"),
    [
        (0.5, 63.7658, 85.0313),
        (0.8, 25.5246, 33.8256),
        (1.0, 16.7148, 22.0211),
        (2.0, 5.0900, 6.3868),
        (3.0, 3.0700, 3.6248),
    ],
)
def test_plates_for_a_difference(difference, for_80, for_90):
    """Base R's power.t.test, two-sided 5 %: 1e-4."""
    assert plates_needed(difference) == pytest.approx(for_80, abs=1e-4)
    assert plates_needed(difference, power=0.9) == pytest.approx(for_90, abs=1e-4)


def test_one_sided():
    """Example of base R's power.t.test page: power 0.90, one-sided: 17.84713."""
    assert plates_needed(1.0, power=0.9, two_sided=False) == pytest.approx(17.84713, abs=1e-5)


@pytest.mark.parametrize(
    ("plates", "expected"),
    [(2, (0.0913, 0.2180, 0.3874)), (3, (0.1572, 0.4626, 0.7826)), (4, (0.2225, 0.6569, 0.9389))],
)
def test_power_of_few_plates(plates, expected):
    """Noncentral t, the other tail left out (recomputed, 1e-4): three plates find three sd in 78 %."""
    assert two_group_power([1.0, 2.0, 3.0], plates=plates) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(
    ("products", "plates", "expected"),
    [(3, 5, (0.188559, 0.711210, 0.976619)), (9, 4, (0.091540, 0.499066, 0.907194))],
)
def test_power_among_several_products(products, plates, expected):
    """Noncentral t at Dunnett's critical value (recomputed by quadrature, 1e-5): one product that differs.

    These figures count findings on the wrong side too.
    """
    dof = (products + 1) * (plates - 1)
    critical = float(greatest_t(0.5 * np.eye(products) + 0.5, seed=1).critical(dof=dof))
    shift = np.array([1.0, 2.0, 3.0]) * np.sqrt(plates / 2)
    either_side = sum(chance_of_finding(side * shift, dof=dof, critical=critical) for side in (1, -1))
    assert either_side == pytest.approx(expected, abs=1e-5)


def test_what_cannot_be_found_takes_no_finite_number():
    """A difference of a thousandth of an sd."""
    assert plates_needed(0.001) == np.inf
