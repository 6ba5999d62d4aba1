"""Reading curves backwards, against published calibrations and against what must hold."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import special

from fairpanel.estimate.fitting import fit
from fairpanel.estimate.inverse import (
    delta_method,
    fieller,
    limits_by_test,
    limits_of,
    numeric_inverse,
    read_back,
)
from fairpanel.estimate.lines import pooled_with, straight_line

PUBLISHED = json.loads((Path(__file__).parent / "sources" / "inverse_prediction.json").read_text())
CASES = [
    (name, case)
    for name in ("thermostat", "reaction_chamber", "crystal", "arsenic")
    for case in PUBLISHED[name]["cases"]
]

#: A logistic curve: foot, height, log dose half way, width.
LOGISTIC = np.array([0.1, 1.1, 1.8, 0.3])


def logistic(x, p):
    return p[..., 0] + p[..., 1] / (1 + np.exp(-(x - p[..., 2]) / p[..., 3]))


def logistic_inverse(y, p):
    share = (y - p[..., 0]) / p[..., 1]
    inside = p[..., 2] + p[..., 3] * np.log(share / (1 - share))
    return np.where(share <= 0, -np.inf, np.where(share >= 1, np.inf, inside))


@pytest.mark.parametrize(("name", "case"), CASES, ids=[f"{n}-{c['y0']}-{c['level']}" for n, c in CASES])
def test_straight_calibrations_read_backwards(name, case):
    """Graybill and Iyer 1994; Greenwell and Schubert Kabban 2014: printed decimals; full values to 1e-6."""
    line = straight_line(PUBLISHED[name]["x"], PUBLISHED[name]["y"])
    y = np.array(case["y0"], float)
    s, dof = pooled_with(line, y)
    found = fieller(
        [y.mean()],
        intercept=line.intercept,
        slope=line.slope,
        covariance=line.covariance * (s / line.residual_sd) ** 2,
        uncertainty=0.0 if case["kind"] == "mean response" else s / np.sqrt(len(y)),
        quantile=special.stdtrit(dof, 0.5 + case["level"] / 2),
    )
    full = case["full"]
    assert found.value[0] == pytest.approx(full["x0"], rel=1e-6)
    assert found.low[0] == pytest.approx(full["lower"], rel=1e-6)
    assert found.high[0] == pytest.approx(full["upper"], rel=1e-6)
    for printed, got in (("x0", found.value), ("lower", found.low), ("upper", found.high)):
        if case["published"] and printed in case["published"]:
            number = case["published"][printed]
            half_last_digit = 0.5 * 10.0 ** -len(str(number).split(".")[1])
            assert abs(got[0] - number) <= 1.01 * half_last_digit


def nasturtium():
    """Curve and fit of A. Racine-Poon, JASA 83, 650 (1988)."""
    data = PUBLISHED["nasturtium"]
    x, y = np.array(data["x"], float), np.array(data["y"], float)

    def curve(x, p):
        with np.errstate(divide="ignore"):
            return p[..., 0] / (1 + np.exp(p[..., 1] + p[..., 2] * np.log(x)))

    found = fit(lambda p: curve(x, p[..., None, :]), [900.0, -0.6, 1.3], y)
    return curve, found, data


def test_nasturtium_curve_is_fitted():
    """Greenwell and Schubert Kabban 2014: parameters, standard errors and residual sd, 1e-6."""
    _, found, data = nasturtium()
    full = data["fit_full"]
    assert found.parameters == pytest.approx([full["t1"], full["t2"], full["t3"]], rel=1e-6)
    assert found.standard_errors == pytest.approx(full["se"], rel=1e-6)
    assert found.residual_sd == pytest.approx(full["residual_sd"], rel=1e-6)


def test_nasturtium_curve_read_backwards():
    """Greenwell and Schubert Kabban 2014: 2.2639 (1.7722, 2.9694), four decimals.

    Convention: residual variance of the curve (39 degrees of freedom), Student t on n - p + m - 1 = 41.
    """
    curve, found, data = nasturtium()
    read = limits_by_test(
        [np.mean(data["y0"])],
        curve=curve,
        parameters=found.parameters,
        covariance=found.covariance,
        uncertainty=found.residual_sd / np.sqrt(3),
        quantile=special.stdtrit(41, 0.975),
        low=1e-3,
        high=10.0,
    )
    published = data["published"]
    assert abs(read.value[0] - published["x0"]) <= 0.00005
    assert abs(read.low[0] - published["inversion_lower"]) <= 0.00005
    assert abs(read.high[0] - published["inversion_upper"]) <= 0.00005
    parts = delta_method(
        read.value,
        curve=curve,
        parameters=found.parameters,
        covariance=found.covariance,
        uncertainty=found.residual_sd / np.sqrt(3),
    )
    assert np.hypot(*parts)[0] == pytest.approx(published["delta_method_se"], abs=0.00000005 * 10)


@pytest.mark.parametrize("way", ["closed form", "numeric"])
def test_monte_carlo_reading_agrees_with_the_test(way):
    """The same curve through `read_back`: limits within 0.02 of 1.7722 and 2.9694, a tenth of their distance.

    Not the same construction (draws of the parameters, not a test), so not the same digits.
    """
    curve, found, data = nasturtium()
    rng = np.random.default_rng(11)

    def closed(y, p):
        ratio = p[..., 0] / y - 1
        with np.errstate(all="ignore"):
            x = np.exp((np.log(ratio) - p[..., 1]) / p[..., 2])
        return np.where(y <= 0, np.inf, np.where(ratio <= 0, -np.inf, x))

    inverse, count = (
        (closed, 100_000) if way == "closed form" else (numeric_inverse(curve, low=1e-4, high=50.0), 20_000)
    )
    read = read_back(
        [np.mean(data["y0"])],
        inverse=inverse,
        best=found.parameters,
        parameters=found.draws(count, rng=rng),
        uncertainty=found.residual_sd / np.sqrt(3),
        dof=41,
        rng=rng,
    )
    assert read.value[0] == pytest.approx(2.263851, abs=1e-6)
    assert read.low[0] == pytest.approx(1.7722, abs=0.02)
    assert read.high[0] == pytest.approx(2.9694, abs=0.04)


def test_an_interval_is_open_where_the_reading_leaves_the_curve():
    """Near the foot "at most", near the shoulder "at least", in the middle both; beyond the end no value.

    Far beyond the end not even a bound: the reading contradicts the curve.
    """
    rng = np.random.default_rng(12)
    parameters = np.tile(LOGISTIC, (4000, 1))
    read = read_back(
        [0.11, 0.65, 1.19, 1.22, 1.3],
        inverse=logistic_inverse,
        best=LOGISTIC,
        parameters=parameters,
        uncertainty=0.02,
        rng=rng,
    )
    assert read.open_low.tolist() == [True, False, False, False, False]
    assert read.open_high.tolist() == [False, False, True, True, True]
    assert read.off_curve.tolist() == [False, False, False, False, True]
    assert np.isfinite(read.high[0])
    assert np.isfinite(read.low[3])
    assert np.isfinite(read.value[:3]).all()
    assert np.isnan(read.value[3:]).all()


def test_an_end_opens_at_the_tail_probability():
    """With the foot 1.96 sd below the reading 2.5 % of the draws lie beyond; any nearer and it opens."""
    parameters = np.tile(LOGISTIC, (100_000, 1))
    for distance, opens in ((1.90, True), (2.02, False)):
        read = read_back(
            [0.1 + distance * 0.01],
            inverse=logistic_inverse,
            best=LOGISTIC,
            parameters=parameters,
            uncertainty=0.01,
            rng=np.random.default_rng(13),
        )
        assert bool(read.open_low[0]) is opens


def test_few_degrees_of_freedom_widen_as_students_t():
    """A straight curve known exactly: the limits are those of t with 4 degrees of freedom, 2.776."""
    read = read_back(
        [0.0],
        inverse=lambda y, p: y * p[..., 0],
        best=[1.0],
        parameters=np.ones((200_000, 1)),
        uncertainty=1.0,
        dof=4,
        rng=np.random.default_rng(14),
    )
    assert read.low[0] == pytest.approx(-2.776, abs=0.03)
    assert read.high[0] == pytest.approx(2.776, abs=0.03)


def test_intervals_cover_what_they_should():
    """400 curves fitted to noisy steps, each reading one strip: 95 % intervals cover 93 to 97 %."""
    rng = np.random.default_rng(15)
    steps, sd = np.linspace(0.8, 2.6, 8), 0.01
    y_steps = logistic(steps, LOGISTIC) + rng.normal(0, sd, (400, 8))
    truth = rng.uniform(1.3, 2.2, 400)
    y = logistic(truth, LOGISTIC) + rng.normal(0, sd, 400)
    found = fit(lambda p: logistic(steps, p[..., None, :]), LOGISTIC, y_steps, uncertainty=np.full(8, sd))
    read = read_back(
        y,
        inverse=logistic_inverse,
        best=found.parameters,
        parameters=found.draws(2000, rng=rng),
        uncertainty=sd,
        rng=rng,
    )
    covered = np.mean((read.low <= truth) & (truth <= read.high))
    assert 0.95 - 0.022 <= covered <= 0.95 + 0.022  # two standard errors of 400 intervals


def test_numeric_inverse_undoes_any_monotone_curve():
    """Rising and falling; infinite beyond the ends, on the right side."""
    p = np.array([[0.1, 1.1, 1.8, 0.3], [1.2, -1.1, 1.8, 0.3]])
    inverse = numeric_inverse(logistic, low=0.0, high=4.0)
    x = np.array([[0.5], [1.8], [3.0]])
    assert inverse(logistic(x, p), p) == pytest.approx(np.broadcast_to(x, (3, 2)), abs=1e-6)
    assert inverse(np.array(0.05), p).tolist() == [-np.inf, np.inf]


def test_a_level_line_gives_no_finite_interval():
    """Fieller with g of at least 1: both ends open, never a made-up interval."""
    line = straight_line([0.0, 1.0, 2.0, 3.0], [1.0, 1.3, 0.8, 1.1])
    read = fieller(
        [1.2],
        intercept=line.intercept,
        slope=line.slope,
        covariance=line.covariance,
        uncertainty=line.residual_sd,
        quantile=special.stdtrit(line.dof, 0.975),
    )
    assert read.open_low.all()
    assert read.open_high.all()


def test_limits_by_test_open_where_the_curve_ends():
    """A reading whose test still holds at the last x has no upper limit."""
    read = limits_by_test(
        [1.19],
        curve=logistic,
        parameters=LOGISTIC,
        covariance=np.diag([1e-4, 1e-4, 1e-4, 1e-5]),
        uncertainty=0.02,
        quantile=1.96,
        low=0.0,
        high=6.0,
    )
    assert read.open_high[0]
    assert np.isfinite(read.low[0])


def test_limits_of_infinite_and_missing_draws():
    """Draws beyond the curve keep their side; a missing draw makes the limits missing, not narrower."""
    draws = np.r_[np.full(30, -np.inf), np.arange(970.0)]
    low, high = limits_of(draws)
    assert low == -np.inf
    assert high == 944.0
    draws[500] = np.nan
    assert np.isnan(limits_of(draws)).all()
