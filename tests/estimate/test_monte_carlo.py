"""Propagation of distributions against JCGM 101:2008 and against algebra."""

import json
from pathlib import Path

import numpy as np
import pytest

from fairpanel.estimate.monte_carlo import (
    Arcsine,
    InexactRectangular,
    Normal,
    Rectangular,
    StudentT,
    Triangular,
    draw_inputs,
    limits_of,
    propagate,
    shortest_interval,
)

GUM = json.loads((Path(__file__).parent / "sources" / "uncertainty_gum.json").read_text())
MILLION = 1_000_000
#: Four standard errors of an end of the 95 % interval of a near normal sum with u 2, for a million draws.
ENDS = 4 * np.sqrt(0.025 * 0.975 / MILLION) / (0.0584 / 2)
HALF = np.sqrt(3.0)  # half width of a rectangle of standard deviation 1


def test_sum_of_four_normals():
    """JCGM 101:2008, 9.2.2: u 2, 95 % interval +-3.92; ends to four Monte Carlo standard errors."""
    found = propagate(lambda **x: sum(x.values()), {k: Normal(0, 1) for k in "abcd"}, draws=MILLION, seed=1)
    expected = GUM["additive"]["four_normals_u1"]["interval95"]
    assert found.standard_uncertainty == pytest.approx(2.0, rel=0.002)
    assert found.symmetric() == pytest.approx((-expected, expected), abs=ENDS)


def test_sum_of_four_rectangles():
    """JCGM 101:2008, 9.2.3: exact 95 % interval +-3.8794, not the normal +-3.92; ends as above."""
    inputs = {k: Rectangular(-HALF, HALF) for k in "abcd"}
    found = propagate(lambda **x: sum(x.values()), inputs, draws=MILLION, seed=2)
    expected = GUM["additive"]["four_rectangles_u1"]["exact_interval95"]
    assert found.standard_uncertainty == pytest.approx(2.0, rel=0.002)
    assert found.symmetric() == pytest.approx((-expected, expected), abs=ENDS)


def test_one_great_rectangle_among_small_ones():
    """JCGM 101:2008, 9.2.4: exact +-17.0158, where first order says +-19.9; ends to 0.5 % of u."""
    inputs = {k: Rectangular(-HALF, HALF) for k in "abc"} | {"d": Rectangular(-10 * HALF, 10 * HALF)}
    found = propagate(lambda **x: sum(x.values()), inputs, draws=MILLION, seed=3)
    case = GUM["additive"]["three_u1_one_u10_rectangles"]
    expected = case["exact_interval95"]
    assert found.standard_uncertainty == pytest.approx(case["u"], rel=0.002)
    assert found.symmetric() == pytest.approx((-expected, expected), abs=0.05)
    assert found.shortest() == pytest.approx((-expected, expected), abs=0.1)


def test_mass_calibration():
    """JCGM 101:2008, 9.3: y 1.2341, u 0.0754 printed; exact u 0.0754797.

    The shortest interval is flat: its printed ends (1.0834, 1.3825) move by 0.002 between runs, its length by
    less.
    """
    case = GUM["mass"]
    shapes = {"normal": Normal, "rectangular": Rectangular}
    inputs = {name: shapes[shape](*numbers) for name, (shape, *numbers) in case["inputs"].items()}

    def model(mRc, dmRc, ra, rW, rR):
        return (mRc + dmRc) * (1 + (ra - 1.2) * (1 / rW - 1 / rR)) - 100_000

    found = propagate(model, inputs, draws=MILLION, seed=4)
    assert found.mean == pytest.approx(1.234, abs=0.0003)
    assert found.standard_uncertainty == pytest.approx(case["full"]["exact_u"], rel=0.002)
    low, high = found.shortest()
    printed = case["published"]["monte_carlo"]["shortest95"]
    assert (low, high) == pytest.approx(printed, abs=0.003)
    assert high - low == pytest.approx(printed[1] - printed[0], abs=0.001)


@pytest.mark.parametrize("i", [0, 1, 2])
def test_comparison_loss(i):
    """JCGM 101:2008, 9.4, uncorrelated: exact mean and u; shortest 95 % interval to 1 % of its length."""
    case = GUM["comparison_loss"]
    inputs = {"a": Normal(case["x1"][i], 0.005), "b": Normal(0, 0.005)}
    found = propagate(lambda a, b: a**2 + b**2, inputs, draws=MILLION, seed=5 + i)
    assert found.mean == pytest.approx(case["exact_mean"][i], rel=0.003)
    assert found.standard_uncertainty == pytest.approx(case["exact_u"][i], rel=0.003)
    low, high = case["shortest95"][i]
    assert found.shortest() == pytest.approx((low, high), abs=0.015 * (high - low))


@pytest.mark.parametrize("x1", [0.0, 0.010, 0.050])
def test_comparison_loss_with_correlated_inputs(x1):
    """JCGM 101:2008, 9.4 with r = 0.9; mean and variance by algebra of normal moments."""
    u, r = 0.005, 0.9
    inputs = {"a": Normal(x1, u), "b": Normal(0, u)}
    found = propagate(lambda a, b: a**2 + b**2, inputs, draws=MILLION, seed=8, correlation={("a", "b"): r})
    assert found.mean == pytest.approx(x1**2 + 2 * u**2, rel=0.005)
    exact = np.sqrt(4 * u**2 * x1**2 + 4 * u**4 * (1 + r**2))
    assert found.standard_uncertainty == pytest.approx(exact, rel=0.005)


def test_gauge_block():
    """JCGM 101:2008, 9.5 (inputs from memory): 838 nm, u 36 nm, shortest 99 % interval 745 to 932 nm.

    The ends are printed to 1 nm and scatter by as much between runs of a million draws.
    """

    def model(standard, d, d1, d2, alpha, mean, swing, unlike, gradient):
        return standard + d + d1 + d2 - standard * (unlike * (mean + swing) + alpha * gradient) - 50_000_000

    inputs = {
        "standard": StudentT(50_000_623, 25, 18),
        "d": StudentT(215, 6, 24),
        "d1": StudentT(0, 4, 5),
        "d2": StudentT(0, 7, 8),
        "alpha": Rectangular(9.5e-6, 13.5e-6),
        "mean": Normal(-0.1, 0.2),
        "swing": Arcsine(-0.5, 0.5),
        "unlike": InexactRectangular(-1e-6, 1e-6, 0.1e-6),
        "gradient": InexactRectangular(-0.050, 0.050, 0.025),
    }
    found = propagate(model, inputs, draws=MILLION, seed=9)
    published = GUM["gauge_block"]["published"]
    assert abs(found.mean - published["y"]) <= 0.5
    assert abs(found.standard_uncertainty - published["u_mc"]) <= 0.5
    assert found.shortest(level=0.99) == pytest.approx(published["shortest99"], abs=1.5)


@pytest.mark.parametrize(
    ("shape", "sd"),
    [
        (Normal(3, 2), 2),
        (Rectangular(1, 5), 4 / np.sqrt(12)),
        (Triangular(1, 5), 2 / np.sqrt(6)),
        (Arcsine(1, 5), 2 / np.sqrt(2)),
        (StudentT(3, 1, 10), np.sqrt(10 / 8)),
        (InexactRectangular(1, 5, 0.5), np.sqrt(4 / 3 + 0.25 / 9)),
    ],
)
def test_shapes_have_their_standard_deviations(shape, sd):
    """JCGM 100:2008, 4.3 and F.2.3.3; JCGM 101:2008, 6.4 (from memory): mean 3 and sd by formula."""
    drawn = shape.draw(400_000, np.random.default_rng(10))
    assert drawn.mean() == pytest.approx(3, abs=0.015)
    assert drawn.std() == pytest.approx(sd, rel=0.01)
    if hasattr(shape, "quantile"):
        assert shape.quantile(0.5) == pytest.approx(3)
        assert np.mean(drawn <= shape.quantile(0.2)) == pytest.approx(0.2, abs=0.003)


def test_correlated_inputs_keep_their_own_shapes():
    """A rectangle correlated with a normal is still a rectangle, and correlated."""
    drawn = draw_inputs(
        {"a": Rectangular(0, 1), "b": Normal(0, 1), "c": Normal(5, 1)},
        draws=200_000,
        rng=np.random.default_rng(11),
        correlation={("a", "b"): 0.8},
    )
    assert list(drawn) == ["a", "b", "c"]
    assert np.quantile(drawn["a"], [0.1, 0.5, 0.9]) == pytest.approx([0.1, 0.5, 0.9], abs=0.005)
    assert np.corrcoef(drawn["a"], drawn["b"])[0, 1] == pytest.approx(0.8 * np.sqrt(3 / np.pi), abs=0.01)
    assert np.corrcoef(drawn["a"], drawn["c"])[0, 1] == pytest.approx(0, abs=0.01)


def test_same_seed_same_draws():
    """The seed is the whole of the chance in it."""
    inputs = {"a": Normal(0, 1), "b": Rectangular(0, 1)}
    one, two, other = (propagate(lambda a, b: a * b, inputs, draws=1000, seed=seed).draws for seed in (1, 1, 2))
    assert np.array_equal(one, two)
    assert not np.array_equal(one, other)


def test_shortest_interval_of_a_skewed_quantity():
    """Exponential: the shortest 95 % interval begins at 0 and ends at ln 20, by algebra."""
    draws = np.random.default_rng(12).exponential(size=(2, 200_000))
    low, high = shortest_interval(draws)
    assert low == pytest.approx([0, 0], abs=0.002)
    assert high == pytest.approx([np.log(20)] * 2, abs=0.05)


def test_wrong_correlations_are_named():
    """Correlations that contradict each other, and names that are no input."""
    normals = {k: Normal(0, 1) for k in "abc"}
    contrary = {("a", "b"): 0.9, ("b", "c"): 0.9, ("a", "c"): -0.9}
    with pytest.raises(ValueError, match="contradict"):
        propagate(lambda a, b, c: a, normals, draws=10, seed=1, correlation=contrary)
    with pytest.raises(ValueError, match="'d'"):
        propagate(lambda a, b, c: a, normals, draws=10, seed=1, correlation={("a", "d"): 0.1})


def test_a_model_that_breaks_is_said():
    """Draws that are not finite are not silently dropped."""
    with np.errstate(all="ignore"), pytest.raises(ValueError, match="no finite number"):
        propagate(lambda a: np.log(a), {"a": Normal(1, 1)}, draws=1000, seed=1)


def test_limits_of_infinite_and_missing_draws():
    """Infinite draws keep their side; a missing draw makes the limits missing, not narrower."""
    draws = np.r_[np.full(30, -np.inf), np.arange(970.0)]
    low, high = limits_of(draws)
    assert low == -np.inf
    assert high == 944.0
    draws[500] = np.nan
    assert np.isnan(limits_of(draws)).all()
