"""Reading curves backwards, against published calibrations and against what must hold."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import special

from fairpanel.estimate.fitting import fit
from fairpanel.estimate.inverse import delta_method, fieller, kept, read_back
from fairpanel.estimate.lines import pooled_with, straight_line

PUBLISHED = json.loads((Path(__file__).parent / "sources" / "inverse_prediction.json").read_text())
CASES = [
    (name, case)
    for name in ("thermostat", "reaction_chamber", "crystal", "arsenic")
    for case in PUBLISHED[name]["cases"]
]

#: A logistic curve: foot, height, log dose half way, width.
LOGISTIC = np.array([0.1, 1.1, 1.8, 0.3])


#: Where the logistic curve is looked at.
GRID = np.linspace(0, 4, 801)


def logistic(x, p):
    foot, height, middle, width = (p[..., i, None] for i in range(4))
    return foot + height / (1 + np.exp(-(x - middle) / width))


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
        height, start, fall = (p[..., i, None] for i in range(3))
        with np.errstate(divide="ignore"):
            return height / (1 + np.exp(start + fall * np.log(x)))

    return curve, fit(lambda p: curve(x, p), [900.0, -0.6, 1.3], y), data


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
    uncertainty = found.residual_sd / np.sqrt(3)
    read = read_back(
        [np.mean(data["y0"])],
        curve=curve,
        x=np.linspace(1e-3, 10.0, 5000),
        best=found.parameters,
        covariance=found.covariance,
        uncertainty=uncertainty,
        dof=41,
    )
    published = data["published"]
    assert abs(read.value[0] - published["x0"]) <= 0.00005
    assert abs(read.low[0] - published["inversion_lower"]) <= 0.00005
    assert abs(read.high[0] - published["inversion_upper"]) <= 0.00005
    parts = delta_method(
        read.value, curve=curve, parameters=found.parameters, covariance=found.covariance, uncertainty=uncertainty
    )
    assert np.hypot(*parts)[0] == pytest.approx(published["delta_method_se"], abs=0.00000005 * 10)


def test_draws_of_the_curve_read_as_its_covariance_does():
    """The same curve by draws of its parameters: limits within 0.02 of 1.7722 and 2.9694, a tenth of their distance.

    Not the same construction (the curve's height is not quite normal), so not the same digits.
    """
    curve, found, data = nasturtium()
    read = read_back(
        [np.mean(data["y0"])],
        curve=curve,
        x=np.linspace(0.5, 6.0, 400),
        best=found.parameters,
        drawn=found.draws(20_000, rng=np.random.default_rng(11)),
        uncertainty=found.residual_sd / np.sqrt(3),
        dof=41,
    )
    assert read.value[0] == pytest.approx(2.263851, abs=1e-4)
    assert read.low[0] == pytest.approx(1.7722, abs=0.02)
    assert read.high[0] == pytest.approx(2.9694, abs=0.04)


def test_a_line_reads_as_fieller_has_it():
    """On a straight line the grid finds Fieller's limits: the arsenic data of Greenwell and Schubert Kabban 2014."""
    line = straight_line(PUBLISHED["arsenic"]["x"], PUBLISHED["arsenic"]["y"])
    y = PUBLISHED["arsenic"]["cases"][0]["y0"]
    uncertainty = line.residual_sd / np.sqrt(len(y))
    exact = fieller(
        [np.mean(y)], intercept=line.intercept, slope=line.slope, covariance=line.covariance, uncertainty=uncertainty,
        quantile=special.stdtrit(line.dof, 0.975),
    )  # fmt: skip
    read = read_back(
        [np.mean(y)],
        curve=lambda x, p: p[..., :1] + p[..., 1:] * x,
        x=np.linspace(1, 4, 6001),
        best=[line.intercept, line.slope],
        covariance=line.covariance,
        uncertainty=uncertainty,
        dof=line.dof,
    )
    for ours, theirs in ((read.value, exact.value), (read.low, exact.low), (read.high, exact.high)):
        assert ours[0] == pytest.approx(theirs[0], abs=1e-5)


def read_logistic(y, uncertainty, **options):
    return read_back(y, curve=logistic, x=GRID, best=LOGISTIC, drawn=LOGISTIC[None], uncertainty=uncertainty, **options)


def test_an_interval_is_open_where_the_reading_leaves_the_curve():
    """Near the foot "at most", near the shoulder "at least", in the middle both; beyond the end no value.

    Far beyond the end not even a bound: the reading contradicts the curve.
    """
    read = read_logistic([0.11, 0.65, 1.19, 1.22, 1.3, -0.1], 0.02)
    assert read.open_low.tolist() == [True, False, False, False, False, True]
    assert read.open_high.tolist() == [False, False, True, True, True, False]
    assert read.off_curve.tolist() == [False, False, False, False, True, True]
    assert np.isfinite(read.high[0])
    assert np.isfinite(read.low[3])
    assert np.isfinite(read.value[:3]).all()
    assert np.isnan(read.value[3:]).all()


def test_a_falling_curve_is_read_as_a_rising_one():
    """The curve upside down, the reading too: the same x and the same limits."""
    falling = read_back(
        [-0.65, -1.19],
        curve=lambda x, p: -logistic(x, p),
        x=GRID,
        best=LOGISTIC,
        drawn=LOGISTIC[None],
        uncertainty=0.02,
    )
    rising = read_logistic([0.65, 1.19], 0.02)
    for name in ("value", "low", "high"):
        assert getattr(falling, name) == pytest.approx(getattr(rising, name))


def test_an_end_opens_at_the_tail_probability():
    """With the foot 1.96 sd below the reading 2.5 % of the readings lie beyond; any nearer and it opens."""
    x = np.linspace(-6, 4, 1001)  # far down the foot, where the curve is level
    for distance, opens in ((1.90, True), (2.02, False)):
        read = read_back(
            [0.1 + distance * 0.01], curve=logistic, x=x, best=LOGISTIC, drawn=LOGISTIC[None], uncertainty=0.01
        )
        assert bool(read.open_low[0]) is opens


def test_few_degrees_of_freedom_widen_as_students_t():
    """A straight curve known exactly: the limits are those of t with 4 degrees of freedom, 2.776."""
    options = {"curve": lambda x, p: p * x, "x": np.linspace(-6, 6, 1201), "best": [1.0], "uncertainty": 1.0, "dof": 4}
    by_covariance = read_back([0.0], covariance=np.zeros((1, 1)), **options)
    by_draws = read_back([0.0], drawn=np.ones((1, 1)), **options)
    assert by_covariance.high[0] == pytest.approx(2.776, abs=0.001)
    assert by_draws.high[0] == pytest.approx(2.776, abs=0.02)  # the normal of the same tail is an approximation
    assert by_draws.low[0] == pytest.approx(-by_draws.high[0], abs=1e-6)


def test_intervals_cover_what_they_should():
    """400 curves fitted to noisy steps, each reading five strips: 95 % intervals cover 93 to 97 %."""
    rng = np.random.default_rng(15)
    steps, sd = np.linspace(0.8, 2.6, 8), 0.01
    y_steps = logistic(steps, LOGISTIC) + rng.normal(0, sd, (400, 8))
    truth = rng.uniform(1.3, 2.2, (400, 5))
    y = logistic(truth, LOGISTIC) + rng.normal(0, sd, (400, 5))
    found = fit(lambda p: logistic(steps, p), LOGISTIC, y_steps, uncertainty=np.full(8, sd))
    drawn = found.draws(400, rng=rng)
    read = [
        read_back(y[i], curve=logistic, x=np.linspace(1, 2.6, 161), best=p, drawn=drawn[i], uncertainty=sd)
        for i, p in enumerate(found.parameters)
    ]
    covered = np.mean([(r.low <= t) & (t <= r.high) for r, t in zip(read, truth)])
    assert 0.93 <= covered <= 0.97


def test_an_interval_narrower_than_the_grid_lies_between_two_points():
    """Tails that leap from one to nothing within one step: both limits lie in that step."""
    low, high = kept(np.arange(4.0), np.array([1.0, 1.0, 0.0, 0.0]))
    assert 1.0 < low < high < 2.0


def test_draws_or_a_covariance_are_needed():
    """A curve without uncertainty is not taken in silence for certain."""
    with pytest.raises(ValueError, match="covariance"):
        read_back([0.6], curve=logistic, x=GRID, best=LOGISTIC, uncertainty=0.01)


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
