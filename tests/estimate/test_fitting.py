"""Curve fits against certified sets, against scipy, and against what must hold."""

import json
from pathlib import Path

import numpy as np
import pytest

from fairpanel.estimate.fitting import fit, fit_best, fit_with_restarts

SOURCES = Path(__file__).parent / "sources"
STRD = {k: v for k, v in json.loads((SOURCES / "nist_strd_nonlinear.json").read_text()).items() if k != "_about"}

#: Doses of a step strip in log10 seconds, and a five-parameter curve over them.
LOG_DOSE = np.log10(np.geomspace(7.0, 360.0, 8))
TRUE = np.array([0.1, 1.2, 1.8, 1.3, 0.0])


def five_parameters(p):
    low, height, middle, steepness, asymmetry = (p[..., i : i + 1] for i in range(5))
    falling = np.exp(-np.exp(steepness) * (LOG_DOSE - middle))
    return low + height * (1 + falling) ** (-np.exp(asymmetry))


def strd_model(name):
    code, x = compile(STRD[name]["model"], name, "eval"), np.array(STRD[name]["x"])
    count = len(STRD[name]["certified"])

    def model(p):
        return eval(code, {"exp": np.exp, "x": x} | {f"b{i + 1}": p[..., i : i + 1] for i in range(count)})

    return model


def certified(name, found):
    """Worst relative differences of parameters, standard errors and rss from the certified ones."""
    s = STRD[name]
    return [
        np.max(np.abs(np.asarray(a) / np.asarray(b) - 1))
        for a, b in (
            (found.parameters, s["certified"]),
            (found.standard_errors, s["certified_sd"]),
            (found.rss, s["rss"]),
        )
    ]


@pytest.mark.parametrize("name", sorted(STRD))
def test_certified_answers_from_the_near_start(name):
    """NIST StRD nonlinear regression: parameters to 1e-6, standard errors to 1e-4, rss to 1e-8."""
    found = fit(strd_model(name), STRD[name]["start2"], STRD[name]["y"])
    assert found.ok
    parameters, errors, rss = certified(name, found)
    assert parameters < 1e-6
    assert errors < 1e-4
    assert rss < 1e-8


@pytest.mark.parametrize("name", sorted(set(STRD) - {"MGH10"}))
def test_certified_answers_from_the_far_start(name):
    """NIST StRD nonlinear regression, the start chosen to be unkind; the same tolerances."""
    found = fit_with_restarts(strd_model(name), STRD[name]["start1"], STRD[name]["y"], most_steps=1000)
    assert found.ok
    parameters, errors, rss = certified(name, found)
    assert parameters < 1e-6
    assert errors < 1e-4
    assert rss < 1e-8


@pytest.mark.parametrize("name", ["BoxBOD", "MGH10"])
def test_a_start_that_leads_nowhere_is_said(name):
    """NIST StRD BoxBOD and MGH10 from start1 without restarts: no certified answer, and the fit says so."""
    found = fit(strd_model(name), STRD[name]["start1"], STRD[name]["y"])
    assert certified(name, found)[0] > 0.1
    assert not found.ok
    assert str(found.why_not()) in (
        "the readings do not fix all parts of the curve",
        "the curve did not settle",
    )


def test_line_with_errors_in_both_variables():
    """Pearson's data with York's weights (D. York and others, Am. J. Phys. 72, 367 (2004), from memory):
    1e-8.

    The errors in x are further parameters with priors, as for doses of a step strip.
    """
    york = json.loads((SOURCES / "precision.json").read_text())["york"]
    x, y = np.array(york["x"]), np.array(york["y"])
    n = len(x)
    found = fit(
        lambda p: p[..., :1] + p[..., 1:2] * p[..., 2:],
        np.r_[5.0, -0.5, x],
        y,
        uncertainty=1 / np.sqrt(york["weight_y"]),
        prior_mean=np.r_[0, 0, x],
        prior_sd=np.r_[np.inf, np.inf, 1 / np.sqrt(york["weight_x"])],
    )
    assert found.ok
    assert found.dof == n - 2
    assert found.parameters[0] == pytest.approx(york["intercept"], abs=1e-8)
    assert found.parameters[1] == pytest.approx(york["slope"], abs=1e-8)
    assert found.rss + found.penalty == pytest.approx(york["S"], abs=1e-8)
    # The standard errors of the paper come from a formula of first order in the residuals; these from the
    # fit.
    assert found.standard_errors[:2] == pytest.approx([york["se_intercept"], york["se_slope"]], rel=0.01)


def test_a_batch_gives_what_each_fit_gives_alone():
    """Members of a batch do not touch each other."""
    rng = np.random.default_rng(5)
    y = five_parameters(TRUE) + rng.normal(0, 0.003, (7, 8))
    together = fit(five_parameters, TRUE, y)
    for i in range(7):
        alone = fit(five_parameters, TRUE, y[i])
        assert alone.parameters == pytest.approx(together.parameters[i], rel=1e-6)
        assert alone.rss == pytest.approx(together.rss[i], rel=1e-9)


def test_same_curves_as_scipy():
    """scipy.optimize.curve_fit as referee: parameters and their errors."""
    from scipy.optimize import curve_fit

    rng = np.random.default_rng(6)
    y = five_parameters(TRUE) + rng.normal(0, 0.003, (5, 8))
    sd = np.linspace(0.002, 0.004, 8)
    found = fit(five_parameters, [0.1, 1.0, 1.8, 1.0, 0.0], y, uncertainty=sd)
    for i in range(5):
        p, v = curve_fit(
            lambda _, *p: five_parameters(np.array(p)), LOG_DOSE, y[i], TRUE, sigma=sd, absolute_sigma=True
        )
        assert found.parameters[i] == pytest.approx(p, abs=1e-3 * np.sqrt(np.diag(v)).min())
        assert found.standard_errors[i] == pytest.approx(np.sqrt(np.diag(v)), rel=1e-3)


def test_squares_of_a_right_curve_have_their_degrees_of_freedom():
    """Known noise: the weighted squares average n - p (chi-square), the standard errors are the scatter's."""
    rng = np.random.default_rng(7)
    y = five_parameters(TRUE) + rng.normal(0, 0.003, (2000, 8))
    found = fit(five_parameters, [0.1, 1.0, 1.8, 1.0, 0.0], y, uncertainty=np.full(8, 0.003))
    assert found.ok.mean() > 0.995
    assert found.rss.mean() == pytest.approx(3.0, abs=4 * np.sqrt(6 / 2000))
    pull = (found.parameters[:, 1] - 1.2) / found.standard_errors[:, 1]
    assert np.median(np.abs(pull)) == pytest.approx(0.674, abs=0.06)


def test_missing_observations_are_as_if_not_there():
    """A NaN counts for nothing, in the fit and in the degrees of freedom."""
    x = np.arange(6.0)
    y = 1 + 2 * x + np.array([0.1, -0.2, 0.1, 0.3, -0.1, 0.0])
    gap = y.copy()
    gap[2] = np.nan
    with_gap = fit(lambda p: p[..., :1] + p[..., 1:] * x, [0.0, 1.0], gap)
    without = fit(lambda p: p[..., :1] + p[..., 1:] * np.delete(x, 2), [0.0, 1.0], np.delete(y, 2))
    assert with_gap.parameters == pytest.approx(without.parameters)
    assert with_gap.covariance == pytest.approx(without.covariance)
    assert with_gap.dof == 3


def test_shared_errors_by_a_covariance():
    """A fully shared error moves the intercept alone: generalised least squares, by hand."""
    x = np.arange(5.0)
    y = np.array([0.9, 3.2, 4.8, 7.1, 9.0])
    v = 0.01 * np.eye(5) + 0.25
    found = fit(lambda p: p[..., :1] + p[..., 1:] * x, [0.0, 1.0], y, covariance=v)
    design = np.stack([np.ones(5), x], axis=1)
    expected = np.linalg.inv(design.T @ np.linalg.solve(v, design))
    assert found.covariance == pytest.approx(expected, rel=1e-6)
    assert found.parameters == pytest.approx(expected @ design.T @ np.linalg.solve(v, y), rel=1e-7)
    assert found.covariance[1, 1] == pytest.approx(0.01 / 10, rel=1e-6)


def test_a_prior_is_one_more_observation():
    """Mean of a reading 1.0 +- 0.2 and a prior 2.0 +- 0.1: weights 1 to 4."""
    found = fit(lambda p: p + np.zeros(1), [0.0], [1.0], uncertainty=[0.2], prior_mean=[2.0], prior_sd=[0.1])
    assert found.parameters[0] == pytest.approx(1.8)
    assert found.standard_errors[0] == pytest.approx(np.sqrt(1 / 125))
    assert found.dof == 1


def test_what_differs_between_members_is_handed_to_the_model():
    """Each member with its own x."""
    x = np.stack([np.arange(5.0), np.arange(5.0) * 2])
    found = fit(lambda p, x: p[..., :1] + p[..., 1:] * x, [0.0, 1.0], 1 + 3 * x, per_member=(x,))
    assert found.ok.all()
    assert found.parameters == pytest.approx(np.array([[1.0, 3.0], [1.0, 3.0]]))


def test_a_given_jacobian_gives_the_same_fit():
    """Derivatives by hand and by differences agree."""
    x = np.linspace(0, 3, 9)
    y = 2 * np.exp(-0.7 * x) + 0.01 * np.sin(9 * x)

    def model(p):
        return p[..., :1] * np.exp(-p[..., 1:] * x)

    def jacobian(p):
        e = np.exp(-p[..., 1:] * x)
        return np.stack([e, -p[..., :1] * x * e], axis=-1)

    by_hand, by_difference = fit(model, [1.0, 1.0], y, jacobian=jacobian), fit(model, [1.0, 1.0], y)
    assert by_hand.parameters == pytest.approx(by_difference.parameters, rel=1e-8)
    assert by_hand.covariance == pytest.approx(by_difference.covariance, rel=1e-6)


def test_parameters_the_readings_do_not_fix_are_refused():
    """Two parameters that only ever appear as a sum."""
    found = fit(lambda p: p[..., :1] + p[..., 1:] + np.zeros(4), [0.0, 0.5], [1.0, 1.1, 0.9, 1.0])
    assert not found.ok
    assert str(found.why_not()) == "the readings do not fix all parts of the curve"
    assert np.isnan(found.standard_errors).all()


def test_paper_that_never_darkens_fixes_no_curve():
    """Blank strips give no five-parameter curve; none is made up."""
    rng = np.random.default_rng(8)
    y = 0.1 + rng.normal(0, 0.003, (50, 8))
    found = fit(five_parameters, [0.1, 1.0, 1.8, 1.0, 0.0], y, uncertainty=np.full(8, 0.003))
    loose = found.standard_errors[:, 2] > 0.3  # a factor of two in dose: as good as unknown
    assert np.all(~found.ok | loose)


def test_exact_readings_are_fitted_exactly():
    """No noise at all is legal: no residuals, and still converged."""
    found = fit(five_parameters, [0.1, 1.0, 1.8, 1.0, 0.0], five_parameters(TRUE))
    assert found.ok
    assert found.parameters == pytest.approx(TRUE, abs=1e-6)


def test_model_that_is_not_finite_is_said():
    """A curve that cannot be computed at its start is not converged."""
    found = fit(lambda p: np.log(p) + np.zeros(3), [-1.0], [0.0, 0.1, 0.2])
    assert not found.ok


def test_best_of_several_starts():
    """The start that leads to the least squares wins, member by member."""
    x = np.linspace(0, 6, 40)
    y = np.sin(1.7 * x)
    found = fit_best(lambda p: np.sin(p * x), [[[0.3]] * 2, [[1.6]] * 2, [[4.0]] * 2], np.stack([y, y]))
    assert found.ok.all()
    assert found.parameters[:, 0] == pytest.approx(1.7)


def test_draws_have_the_covariance_of_the_fit():
    """10,000 draws: means and covariance of known noise, to their Monte Carlo error."""
    y = five_parameters(TRUE)
    found = fit(five_parameters, TRUE, y, uncertainty=np.full(8, 0.003))
    drawn = found.draws(10_000, rng=np.random.default_rng(9))
    errors = found.standard_errors
    assert (drawn.mean(0) - found.parameters) / errors == pytest.approx(0, abs=0.05)
    expected = found.covariance / np.outer(errors, errors)
    assert np.cov((drawn / errors).T) == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"uncertainty": [0.1, 0.0, 0.1]}, "above zero"),
        ({"prior_mean": [0.0, 0.0], "prior_sd": [1.0, np.inf]}, "uncertainty of the observations"),
        ({"prior_mean": [0.0, 0.0], "uncertainty": [0.1] * 3}, "both a mean and a standard deviation"),
        ({"uncertainty": [0.1] * 3, "covariance": np.eye(3)}, "not both"),
    ],
)
def test_wrong_input_is_named(options, words):
    """What cannot be meant raises, and says what is wrong."""
    with pytest.raises(ValueError, match=words):
        fit(lambda p: p[..., :1] + p[..., 1:] * np.arange(3.0), [0.0, 1.0], [0.0, 1.0, 2.0], **options)


def test_too_few_observations_are_refused():
    """Three parameters cannot come from two readings."""
    with pytest.raises(ValueError, match="3 parameters need"):
        fit(lambda p: p.sum(-1, keepdims=True) * np.arange(2.0), [0.0, 1.0, 2.0], [0.0, 1.0])
