"""Decision and detection limits against Currie, ISO 11843-2 and DIN 32645."""

import json
from pathlib import Path

import numpy as np
import pytest

from fairpanel.estimate.limits import (
    from_readings,
    known_noise,
    noncentrality,
    simulated,
    straight_calibration,
    twice_the_decision,
)
from fairpanel.estimate.lines import straight_line

DIN = json.loads((Path(__file__).parent / "sources" / "inverse_prediction.json").read_text())["din32645"]


def test_currie_limits_of_known_noise():
    """L. A. Currie, Anal. Chem. 40, 586 (1968): 1.645 and 3.29 s0; 2.33 and 4.65 times the blank's sd."""
    assert known_noise(1.0) == pytest.approx((1.644854, 3.289707), abs=1e-6)
    assert known_noise(np.sqrt(2.0)) == pytest.approx((2.33, 4.65), abs=0.005)


@pytest.mark.parametrize(
    ("dof", "delta"),
    [(5, 3.869942), (8, 3.617127), (10, 3.543041), (20, 3.408324), (50, 3.335356), (np.inf, 3.289707)],
)
def test_noncentrality_of_iso_11843(dof, delta):
    """delta(nu; 0.05; 0.05) of ISO 11843-2, recomputed from the noncentral t: 1e-6."""
    assert noncentrality(dof) == pytest.approx(delta, abs=1e-6)


def test_noncentrality_is_that_of_the_noncentral_t():
    """scipy.stats.nct as referee: 5 % of that distribution lie below Student's limit."""
    from scipy import stats

    for dof, alpha, beta in ((8, 0.05, 0.05), (3, 0.01, 0.10)):
        shift = noncentrality(dof, alpha=alpha, beta=beta)
        assert stats.nct.cdf(stats.t.ppf(1 - alpha, dof), dof, shift) == pytest.approx(beta, abs=1e-6)


def test_din_32645_example():
    """DIN 32645:1994: decision limit 0.07 (0.0698), detection limit 0.14 at 1 %."""
    found = twice_the_decision(straight_line(DIN["x"], DIN["y"]), alpha=0.01)
    assert abs(found.decision - 0.0698) <= 0.00005
    assert abs(found.detection - 0.14) <= 0.005
    assert found.detection == pytest.approx(DIN["full"]["detection_limit_twice"], rel=1e-9)


def test_iso_11843_limits_of_the_din_data():
    """ISO 11843-2 at 5 % on the same data: critical 0.0448203, minimum detectable 0.0871828."""
    found = straight_calibration(straight_line(DIN["x"], DIN["y"]))
    assert found.decision == pytest.approx(DIN["full"]["iso11843_critical_alpha_0.05"], rel=1e-9)
    assert found.detection == pytest.approx(DIN["full"]["iso11843_min_detectable_delta"], rel=1e-6)


def test_simulated_limits_find_curries():
    """A linear reading of known noise, simulated: Currie's limits to 1 %, the scatter of 100,000."""

    def read(true_values, rng):
        return true_values[:, None] + 2.0 * rng.standard_normal((len(true_values), 100_000))

    found = simulated(read, true_values=np.linspace(0, 12, 13), seed=1)
    assert found.decision == pytest.approx(2 * 1.644854, rel=0.01)
    assert found.detection == pytest.approx(2 * 3.289707, rel=0.01)


def test_simulated_limits_of_a_reading_whose_noise_shrinks():
    """Noise s in ln T alone, blocked = 1 - T: x_c = 1 - exp(-1.645 s), x_d = 1 - exp(-3.29 s), by algebra."""
    s = 0.1

    def read(blocked, rng):
        return 1 - (1 - blocked)[:, None] * np.exp(s * rng.standard_normal((len(blocked), 100_000)))

    found = simulated(read, true_values=np.linspace(0, 0.6, 25), seed=2)
    assert found.decision == pytest.approx(1 - np.exp(-1.644854 * s), abs=0.002)
    assert found.detection == pytest.approx(1 - np.exp(-3.289707 * s), abs=0.002)


def test_limits_of_several_readings_at_once():
    """Leading axes are other strips, each with its own noise."""
    rng = np.random.default_rng(3)
    true_values = np.linspace(0, 20, 21)
    noise = np.array([1.0, 3.0])[:, None, None] * rng.standard_normal((2, 21, 40_000))
    found = from_readings(true_values, true_values[:, None] + noise)
    assert found.decision == pytest.approx([1.645, 4.935], rel=0.03)
    assert found.detection == pytest.approx([3.290, 9.869], rel=0.03)


def test_what_is_never_seen_has_no_detection_limit():
    """A reading that hardly moves: the detection limit is infinite, not the last true value."""
    rng = np.random.default_rng(4)
    true_values = np.linspace(0, 1, 5)
    found = from_readings(true_values, 0.1 * true_values[:, None] + rng.standard_normal((5, 20_000)))
    assert found.detection == np.inf


def test_readings_beyond_the_curve_are_legal():
    """A share of 3 % of the readings at -inf (beyond the curve's end) leaves a finite limit."""
    rng = np.random.default_rng(5)
    true_values = np.linspace(0, 8, 17)
    readings = true_values[:, None] + rng.standard_normal((17, 50_000))
    readings[:, :1500] = -np.inf
    found = from_readings(true_values, readings)
    assert found.decision == pytest.approx(1.63, abs=0.05)
    assert 3.3 < found.detection < 4.2


def test_true_values_must_begin_with_the_blank_and_rise():
    """Otherwise no limit."""
    with pytest.raises(ValueError, match="must rise"):
        from_readings([0.0, 0.0], np.zeros((2, 10)))
