"""Family-wise comparisons against Dunnett, Tukey and scipy, and by counting false findings."""

import json
from pathlib import Path

import numpy as np
import pytest

from fairpanel.estimate import max_t
from fairpanel.estimate.comparing import adjusted_limits, adjusted_pairs, holm
from fairpanel.estimate.max_t import greatest_pair_t, greatest_t

SOURCES = Path(__file__).parent / "sources"
PUBLISHED = json.loads((SOURCES / "multiple_comparisons.json").read_text())
TABLE = [
    line.split(",")
    for line in (SOURCES / "dunnett_critical_values.csv").read_text().splitlines()
    if not line.startswith(("#", "sides"))
]


def against_control(control, groups, **options):
    """Group means less the control's, with the pooled variance of all."""
    everything = [np.asarray(control), *map(np.asarray, groups)]
    dof = sum(len(g) - 1 for g in everything)
    variance = sum(np.sum((g - g.mean()) ** 2) for g in everything) / dof
    estimates = np.array([g.mean() - everything[0].mean() for g in everything[1:]])
    covariance = variance * (1 / len(control) + np.diag([1 / len(g) for g in groups]))
    return adjusted_limits(estimates, covariance=covariance, dof=dof, seed=1, **options)


def test_dunnett_1955_blood_counts():
    """C. W. Dunnett, JASA 50, 1096 (1955): d and limits to 2e-4, p to 1e-4."""
    blood = PUBLISHED["dunnett_1955_blood"]
    found = against_control(blood["control"], [blood["A"], blood["B"]])
    assert found.critical == pytest.approx([blood["d_two_sided_0.05"]] * 2, abs=2e-4)
    assert np.stack([found.low, found.high], axis=1) == pytest.approx(np.array(blood["ci95_two_sided"]), abs=2e-4)
    assert found.p_value == pytest.approx(blood["p_two_sided"], abs=1e-4)


def test_dunnett_1955_one_sided():
    """The same, lower limits only."""
    blood = PUBLISHED["dunnett_1955_blood"]
    found = against_control(blood["control"], [blood["A"], blood["B"]], side="low")
    assert found.critical == pytest.approx([blood["d_one_sided_0.05"]] * 2, abs=2e-4)
    assert found.low == pytest.approx(blood["lower95_one_sided"], abs=2e-4)
    assert found.p_value == pytest.approx(blood["p_greater"], abs=1e-4)
    assert np.all(found.high == np.inf)


def test_very_uneven_groups():
    """Recovery blankets (P. H. Westfall and others 1999): 20, 3, 3, 15; p to 1e-4, upper limits to 4e-4.

    The printed d of 2.18293 is quasi-Monte Carlo; quadrature gives 2.18268.
    """
    r = PUBLISHED["recovery_blankets"]
    groups = [r["b1"], r["b2"], r["b3"]]
    both = against_control(r["b0"], groups)
    assert both.p_value == pytest.approx(r["p_two_sided"], abs=1e-4)
    high = against_control(r["b0"], groups, side="high")
    assert high.critical == pytest.approx([r["d_one_sided_0.05"]] * 3, abs=4e-4)
    assert high.high == pytest.approx(r["upper95_one_sided"], abs=5e-4)


def test_plant_growth():
    """Dobson's plant growth (base R data sets): p to 1e-4, limits to 2e-4."""
    r = PUBLISHED["plant_growth"]
    found = against_control(r["ctrl"], [r["trt1"], r["trt2"]])
    assert found.p_value == pytest.approx(r["dunnett_p_two_sided"], abs=1e-4)
    assert np.stack([found.low, found.high], axis=1) == pytest.approx(np.array(r["ci95"]), abs=2e-4)


@pytest.mark.parametrize("row", TABLE, ids=["-".join(row[:2]) for row in TABLE])
def test_dunnetts_table(row):
    """Critical values of Dunnett 1955 and 1964 for 1 to 9 products, to 2e-5."""
    for products, d in zip((1, 2, 3, 4, 5, 9), row[2:], strict=True):
        found = greatest_t(0.5 * np.eye(products) + 0.5, two_sided=row[0] == "two", seed=1)
        assert found.critical(dof=float(row[1])) == pytest.approx(float(d), abs=2e-5)


@pytest.mark.parametrize("products", [2, 9, 60])
@pytest.mark.parametrize("two_sided", [True, False])
def test_simulation_finds_the_quadrature(monkeypatch, products, two_sided):
    """Where both can be had they agree: critical values to 0.012, p at 3.5 to 4 % of itself."""
    exact = greatest_t(0.5 * np.eye(products) + 0.5, two_sided=two_sided, seed=1)
    monkeypatch.setattr(max_t, "_one_cause", lambda r: None)
    simulated = greatest_t(0.5 * np.eye(products) + 0.5, two_sided=two_sided, seed=1)
    assert exact.exact
    assert not simulated.exact
    for dof in (6, 30, np.inf):
        assert simulated.critical(dof=dof) == pytest.approx(float(exact.critical(dof=dof)), abs=0.012)
        assert simulated.beyond(3.5, dof=dof) == pytest.approx(float(exact.beyond(3.5, dof=dof)), rel=0.04)


def test_scipys_dunnett_agrees():
    """scipy.stats.dunnett as referee on four uneven groups: p to its own scatter, 2e-3."""
    from scipy import stats

    rng = np.random.default_rng(2)
    control = rng.normal(10, 1, 9)
    groups = [rng.normal(10 + shift, 1, n) for shift, n in ((0.3, 4), (1.0, 6), (1.6, 3), (-0.8, 5))]
    found = against_control(control, groups)
    expected = stats.dunnett(*groups, control=control, random_state=np.random.default_rng(3))
    assert found.p_value == pytest.approx(expected.pvalue, abs=2e-3)


def test_false_findings_on_products_that_do_nothing():
    """2000 campaigns of 12 inert products with shared errors of several kinds: at most 5 % have any finding.

    Four standard errors of 2000 campaigns are 2 %.
    """
    rng = np.random.default_rng(4)
    shared = rng.normal(size=(12, 3)) * 0.6
    covariance = shared @ shared.T + np.diag(rng.uniform(0.2, 1.0, 12))
    root = np.linalg.cholesky(covariance)
    u = np.sqrt(np.diag(covariance))
    critical = greatest_t(covariance / np.outer(u, u), two_sided=False, seed=5).critical(dof=8)
    z = rng.standard_normal((2000, 12)) @ root.T / u
    t = z / np.sqrt(rng.chisquare(8, (2000, 1)) / 8)
    assert np.mean(t.max(1) > critical) == pytest.approx(0.05, abs=0.02)


def test_different_degrees_of_freedom():
    """Each is judged as if all had its own (Hasler and Hothorn 2008): the fewer, the wider."""
    covariance = 0.5 * np.eye(3) + 0.5
    mixed = adjusted_limits([1.0, 2.0, 3.0], covariance=covariance, dof=[3, 10, np.inf], seed=1)
    for i, dof in enumerate((3, 10, np.inf)):
        same = adjusted_limits([1.0, 2.0, 3.0], covariance=covariance, dof=dof, seed=1)
        assert mixed.critical[i] == pytest.approx(same.critical[i], rel=1e-9)
        assert mixed.p_value[i] == pytest.approx(same.p_value[i], rel=1e-9)
    assert np.all(np.diff(mixed.critical) < 0)


def test_limits_and_p_values_cannot_disagree():
    """The lower limit is above zero exactly where the one-sided p value is below 5 %."""
    rng = np.random.default_rng(6)
    a = rng.normal(size=(30, 4))
    covariance = a @ a.T * 0.1 + np.diag(rng.uniform(0.3, 2.0, 30))
    estimates = rng.normal(3.0, 3.0, 30)
    found = adjusted_limits(estimates, covariance=covariance, dof=rng.integers(3, 30, 30), side="low", seed=7)
    assert 3 < np.sum(found.low > 0) < 27
    assert np.array_equal(found.low > 0, found.p_value < 0.05)


def test_one_comparison_is_students_t():
    """With nothing to adjust for, 2.228 on 10 degrees of freedom."""
    found = adjusted_limits([3.0], covariance=[[1.0]], dof=10, seed=1)
    assert found.critical[0] == pytest.approx(2.228139, abs=1e-5)


def test_no_variance_is_legal():
    """Readings that do not scatter: limits at the estimate, and a p value of 0 or 1."""
    found = adjusted_limits([2.0, 0.0, 1.0], covariance=np.diag([0.0, 0.0, 1.0]), seed=1)
    assert found.low[:2].tolist() == [2.0, 0.0]
    assert found.p_value[:2].tolist() == [0.0, 1.0]
    assert found.p_value[2] == pytest.approx(0.3173, abs=1e-4)
    none = adjusted_limits([0.0, 1.0], covariance=np.zeros((2, 2)), seed=1)
    assert none.p_value.tolist() == [1.0, 0.0]


def test_all_pairs_of_nist_7_4_7_1():
    """NIST e-Handbook 7.4.7.1, Tukey: limits and p to 1e-6."""
    case = PUBLISHED["tukey_nist_7_4_7_1"]
    found = adjusted_pairs(case["means"], covariance=np.eye(4) * case["mse"] / 5, dof=16, seed=1)
    for pair, (difference, low, high, p) in case["pairs"].items():
        i, j = (int(k) - 1 for k in pair.split("-"))
        assert found.low[i, j] == pytest.approx(low, abs=1e-6)
        assert found.high[i, j] == pytest.approx(high, abs=1e-6)
        assert found.high[j, i] == pytest.approx(-low, abs=1e-6)
        assert found.p_value[i, j] == pytest.approx(p, abs=1e-6)
        assert (found.low[i, j] + found.high[i, j]) / 2 == pytest.approx(difference)


def test_all_pairs_of_uneven_groups():
    """Pain relief (tests of scipy), 8, 5, 5 readings: p to 0.002, limits to 0.02.

    The published ones are Tukey-Kramer's approximation, a little wide; the simulation is exact but for its
    scatter.
    """
    case = PUBLISHED["tukey_pain_unequal"]
    groups = [np.array(case[k]) for k in "123"]
    dof = sum(len(g) - 1 for g in groups)
    variance = sum(np.sum((g - g.mean()) ** 2) for g in groups) / dof
    found = adjusted_pairs(
        [g.mean() for g in groups], covariance=np.diag([variance / len(g) for g in groups]), dof=dof, seed=1
    )
    for pair, (_, low, _, p) in case["pairs"].items():
        i, j = (int(k) - 1 for k in pair.split("-"))
        assert found.p_value[i, j] == pytest.approx(p, abs=0.002)
        assert found.low[i, j] == pytest.approx(low, abs=0.02)


def test_errors_shared_by_all_drop_out_of_pairs():
    """What every product shares (the lamp of the run) widens no difference between them."""
    alone = adjusted_pairs([0.0, 1.0, 3.0], covariance=np.eye(3), seed=1)
    shared = adjusted_pairs([0.0, 1.0, 3.0], covariance=np.eye(3) + 25.0, seed=1)
    assert shared.low == pytest.approx(alone.low)
    assert shared.p_value == pytest.approx(alone.p_value)


def test_simulated_pairs_find_tukeys_range(monkeypatch):
    """Nearly equal variances go through the simulation and give nearly Tukey's critical value."""
    exact = greatest_pair_t(np.eye(10), seed=1)
    near = greatest_pair_t(np.diag(1 + 1e-6 * np.arange(10)), seed=1)
    assert exact.exact
    assert not near.exact
    assert near.critical(dof=20) == pytest.approx(float(exact.critical(dof=20)), abs=0.01)


def test_pairs_that_cannot_differ():
    """Two products of one and the same error: their difference is known exactly."""
    covariance = np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    found = adjusted_pairs([1.0, 2.0, 2.0], covariance=covariance, seed=1)
    assert found.low[1, 0] == found.high[1, 0] == 1.0
    assert found.p_value[1, 0] == 0.0
    assert found.p_value[1, 2] == 1.0
    assert np.diag(found.p_value).tolist() == [1.0] * 3


def test_same_seed_same_limits():
    """The seed is the whole of the chance in it."""
    load = np.array([1.0, 2.0, 1.0, 0.5, 3.0])
    covariance = np.diag(load) + 0.5 * np.outer(load, load) + 0.3
    one, two, other = (adjusted_limits(load, covariance=covariance, dof=7, seed=s) for s in (1, 1, 2))
    assert np.array_equal(one.low, two.low)
    assert not np.array_equal(one.low, other.low)


def test_holm():
    """S. Holm (1979), as base R's p.adjust gives it."""
    assert holm([0.01, 0.02, 0.03, 0.04, 0.005]) == pytest.approx([0.04, 0.06, 0.06, 0.06, 0.025])
    assert holm([0.9, 0.8]) == pytest.approx([1.0, 1.0])


def test_what_is_no_correlation_matrix_is_refused():
    """Not square, not ones, or contradicting itself."""
    with pytest.raises(ValueError, match="square"):
        greatest_t([[1.0, 2.0], [2.0, 1.0]], seed=1)
    contrary = np.array([[1, 0.9, -0.9], [0.9, 1, 0.9], [-0.9, 0.9, 1]])
    with pytest.raises(ValueError, match="contradict"):
        greatest_t(contrary, seed=1)
