"""Two products: intervals of their difference, against published figures, in simulation, and in words."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import stdtrit

from fairpanel.estimate.max_t import greatest_pair_t
from fairpanel.findings.pairs import DIFFERENT, NOT_RECKONED, NOT_TOLD_APART, difference_of, pair_of
from fairpanel.measured import Component, Measured, covariance_matrix
from fairpanel.methods.contract import Method, Quantity, Result, Words

PLAIN = Quantity("gloss", "GU", "linear", "higher", 1)
BLOCKED = Quantity(
    "blocked", "%", "log", "higher", 1, shown=lambda x: 100 * (1 - np.exp(x)), natural=lambda b: np.log(1 - b / 100)
)


def method_of(quantity: Quantity) -> Method:
    """A method of one quantity."""
    return Method("made", "Made", 1, (quantity,), object, lambda m, e: ([], []),
                  lambda r: Words("does it", "of the made amount", "none", "made"))  # fmt: skip


def result_of(product: str, measured: Measured | None, quantity: Quantity = PLAIN, **ends) -> Result:
    """A result with a symmetric interval on its natural scale."""
    if measured is not None:
        reach = float(stdtrit(min(measured.dof, 1e6), 0.975)) * measured.standard_uncertainty
        ends = {"low": measured.value - reach, "high": measured.value + reach}
    low, high = ends.get("low"), ends.get("high")
    return Result(product, "made", quantity.name, measured, low, high, low, high, 3, ())


#: Difference, lower and upper 95 % limit of all six pairs: NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.7.1
#: (four treatments, five readings each; Tukey). Six decimals recomputed from its data.
NIST_MEANS = {"1": 5.34, "2": 7.72, "3": 8.56, "4": 5.5}
NIST_MSE, NIST_DOF, NIST_N = 1.33075, 16, 5
NIST_PAIRS = {
    ("2", "1"): (2.38, 0.292632, 4.467368),
    ("3", "1"): (3.22, 1.132632, 5.307368),
    ("4", "1"): (0.16, -1.927368, 2.247368),
    ("3", "2"): (0.84, -1.247368, 2.927368),
    ("4", "2"): (-2.22, -4.307368, -0.132632),
    ("4", "3"): (-3.06, -5.147368, -0.972632),
}


def test_all_pairs_of_the_nist_handbook():
    """Family-wise limits as the handbook's Tukey intervals, and the same pairs different, to within 0.0005."""
    size = math.sqrt(NIST_MSE / NIST_N)
    results = {
        name: result_of(name, Measured(mean, (Component("scatter", size, "", NIST_DOF),)))
        for name, mean in NIST_MEANS.items()
    }
    greatest = greatest_pair_t(covariance_matrix([r.measured for r in results.values()]), seed=1)
    tukey = float(greatest.critical(dof=NIST_DOF))  # the scatter is pooled over all four
    for (a, b), (value, low, high) in NIST_PAIRS.items():
        pair = pair_of(results[a], results[b], method_of(PLAIN), critical=lambda _: tukey, pairs=6)
        d = pair.difference
        assert d.value == pytest.approx(value, abs=1e-9)
        assert (d.family_low, d.family_high) == pytest.approx((low, high), abs=0.0005)
        assert (pair.kind == DIFFERENT) == (low > 0 or high < 0)
        assert d.family_low < d.low < d.value < d.high < d.family_high


def test_shared_errors_leave_the_difference():
    """JCGM 100:2008, 5.2.2, note 1: errors shared with correlation 1 and equal size drop out of a difference."""
    shared = Component("lamp", 3.0, "run 1")
    a = result_of("A", Measured(10.0, (shared, Component("patch", 0.3))))
    b = result_of("B", Measured(9.0, (shared, Component("patch", 0.4))))
    apart = result_of("B", Measured(9.0, (Component("lamp", 3.0, "run 2"), Component("patch", 0.4))))
    d = difference_of(a, b, PLAIN, critical=lambda _: 2.5)
    far = difference_of(a, apart, PLAIN, critical=lambda _: 2.5)
    assert d.high - d.value == pytest.approx(1.959964 * 0.5, rel=1e-3)  # sqrt(0.3^2 + 0.4^2)
    assert d.family_high - d.value == pytest.approx(2.5 * 0.5, rel=1e-3)
    assert far.high - far.value == pytest.approx(1.959964 * math.sqrt(18.25), rel=1e-3)
    assert d.correlation > 0.98 and far.correlation == 0


def test_a_falling_scale_keeps_its_sides():
    """On ln(transmission) the first lets less through: it blocks more, and the longer arm points to less blocking."""
    strong = result_of("S", Measured(math.log(0.4), (Component("patch", 0.15),)), BLOCKED)
    none = result_of("N", Measured(0.0, (Component("patch", 0.001),)), BLOCKED)
    d = difference_of(strong, none, BLOCKED, critical=lambda _: 2.5)
    assert d.value == pytest.approx(60.0)
    assert d.value - d.low > d.high - d.value
    assert (d.low, d.high) == pytest.approx(
        (100 - 40 * math.exp(1.96 * 0.15), 100 - 40 * math.exp(-1.96 * 0.15)), abs=0.01
    )


def test_the_order_of_the_two_does_not_matter():
    """Turned round, everything changes its sign and nothing else; the sentence says the same."""
    one = result_of("One", Measured(math.log(0.5), (Component("a", 0.1, "k"), Component("b", 0.05))), BLOCKED)
    two = result_of("Two", Measured(math.log(0.9), (Component("a", 0.1, "k"), Component("b", 0.02))), BLOCKED)
    there = pair_of(one, two, method_of(BLOCKED), critical=lambda _: 3.0, pairs=10)
    back = pair_of(two, one, method_of(BLOCKED), critical=lambda _: 3.0, pairs=10)
    assert there.difference.value == pytest.approx(-back.difference.value)
    assert there.difference.family_low == pytest.approx(-back.difference.family_high)
    assert there.sentence == back.sentence and there.kind == DIFFERENT


def simulated(quantity: Quantity, truths, rng) -> tuple[list[Result], np.ndarray]:
    """Results whose errors have known sizes, part of them shared by all."""
    shared = rng.standard_normal() * 0.05
    results = []
    for i, truth in enumerate(truths):
        own = 0.03 + 0.01 * i
        value = quantity.natural(truth) + shared + rng.standard_normal() * own
        parts = (Component("run", 0.05, "r"), Component("patch", own))
        results.append(result_of(f"P{i}", Measured(float(value), parts), quantity))
    return results, np.array(truths)


def test_family_wise_errors_stay_at_five_per_cent():
    """Five equal products with a shared error, 400 campaigns: some pair is called different in 5 % of them at most.

    Two standard errors of the count are allowed above: 0.05 + 2 x 0.011. And it must not be far too careful either.
    """
    rng, method = np.random.default_rng(5), method_of(BLOCKED)
    false = 0
    results, _ = simulated(BLOCKED, [30.0] * 5, rng)  # all campaigns have the same covariance
    critical = float(greatest_pair_t(covariance_matrix([r.measured for r in results]), seed=1).critical())
    for _ in range(400):
        results, _ = simulated(BLOCKED, [30.0] * 5, rng)
        found = [
            pair_of(a, b, method, critical=lambda _: critical, pairs=10).kind
            for i, a in enumerate(results)
            for b in results[:i]
        ]
        false += DIFFERENT in found
    assert 0.02 <= false / 400 <= 0.072


def test_intervals_of_one_pair_cover():
    """95 % intervals of a difference hold the truth in 93 to 97 % of 1,000 made pairs, strong against weak included."""
    rng = np.random.default_rng(6)
    for truths in ([10.0, 20.0], [5.0, 90.0]):
        held = 0
        for _ in range(1000):
            (a, b), true = simulated(BLOCKED, truths, rng)
            d = difference_of(a, b, BLOCKED, critical=lambda _: 2.5)
            held += d.low <= true[0] - true[1] <= d.high
        assert 0.93 <= held / 1000 <= 0.97


def test_words():
    """What is different, what is not told apart, and what cannot be reckoned, each as one would say it."""
    a = result_of("Wax", Measured(12.0, (Component("x", 1.0),)))
    b = result_of("Coat", Measured(30.0, (Component("x", 1.0),)))
    c = result_of("Oil", Measured(13.0, (Component("x", 1.0),)))
    method = method_of(PLAIN)
    told = pair_of(a, b, method, critical=lambda _: 2.4, pairs=3)
    assert told.kind == DIFFERENT and told.sentence == (
        "Coat and Wax are different: Coat reads 18.0 GU higher (15.2 to 20.8), of the made amount. With all 3 pairs "
        "looked at together: 14.6 to 21.4."
    )
    told = pair_of(a, c, method, critical=lambda _: 2.4, pairs=3)
    assert told.kind == NOT_TOLD_APART and told.sentence == (
        "Wax and Oil are not told apart: Wax less Oil is −1.0 GU (−3.8 to 1.8), of the made amount. With all 3 pairs "
        "looked at together: −4.4 to 2.4. They may be equal; they may differ by up to 4.4 GU."
    )
    bound = result_of("Dark", None, low=60.0)
    told = pair_of(a, bound, method, critical=lambda _: 2.4, pairs=3)
    assert told.kind == NOT_RECKONED and told.difference is None
    assert "Dark: at least 60.0 GU" in told.sentence and "do not meet" in told.sentence
    assert "do not meet" not in pair_of(bound, bound, method, critical=lambda _: 2.4, pairs=3).sentence


def test_zero_variance_is_legal():
    """Numbers without any uncertainty: equal ones are not told apart, others are."""
    exact = [result_of(n, Measured(v)) for n, v in (("A", 1.0), ("B", 1.0), ("C", 2.0))]
    kinds = [pair_of(exact[0], x, method_of(PLAIN), critical=lambda _: 2.4, pairs=3).kind for x in exact[1:]]
    assert kinds == [NOT_TOLD_APART, DIFFERENT]


def test_different_quantities_are_refused():
    """Gloss less blocked says nothing."""
    with pytest.raises(ValueError, match="cannot be compared"):
        a, b = result_of("A", Measured(1.0)), result_of("B", Measured(0.0), BLOCKED)
        pair_of(a, b, method_of(PLAIN), critical=lambda _: 2.4, pairs=1)
