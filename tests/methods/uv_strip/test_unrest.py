"""What a campaign's own glass-only patches say of its lamp, on papers whose curve the reader does not fit."""

import importlib
import math

import pytest

from fairpanel.methods.uv_strip import starting_values as taken
from fairpanel.methods.uv_strip.groups import groups_of
from fairpanel.methods.uv_strip.strips import strips_of

readings = importlib.import_module("fairpanel.methods.uv_strip.readings")

#: Half plates of one picture.
HALVES = 12


def found(strips):
    groups, _ = groups_of(strips_of(strips.marks, strips.entered), places_given=False)
    return readings._unrest(groups, [readings._first_fit(g) for g in groups])


def half_plates(made, seed, lamp):
    strips = made(seed=seed, noise=0.003, lamp=lamp, place=taken.PAPER_WITHIN)
    strips.steps()
    for i in range(HALVES):
        strips.half_plate(f"P{i}", 5.0 + 7.0 * i)
    return strips


def test_half_plates_tell_a_lamp_that_drifts(made):
    """Twelve half plates under a lamp three times as restless as taken beforehand: found restless in each of five
    campaigns; under a steady one in none."""
    usual = (taken.LAMP**2 + taken.PAPER**2) ** 0.5
    drifting = [found(half_plates(made, seed, 3 * usual)).restless for seed in range(5)]
    steady = [found(half_plates(made, seed, usual)).restless for seed in range(5)]
    assert min(drifting) > 1.3
    assert max(steady) < 1.3


def test_a_step_strip_alone_leaves_the_starting_values(made):
    """The curve can follow its own steps: what lamp and paper do is not to be seen from them."""
    strips = made(seed=3, noise=0.003)
    strips.steps()
    strips.product("P", 30.0)
    seen = found(strips)
    assert seen.restless == pytest.approx(1.0, abs=0.2)
    assert seen.noise_ratio == pytest.approx(taken.NOISE_RATIO, rel=0.4)


def test_rough_patches_count_as_noise_not_as_a_restless_lamp(made):
    """The same densities, but with blocks that foretell half the scatter: the noise is raised, the lamp is not."""
    strips = half_plates(made, 4, 0.0)
    foretold = found(strips)
    for mark in strips.marks:
        mark.body["scatter"] = [[x[0] / 4] * 3 for x in mark.body["scatter"]]
    rough = found(strips)
    assert rough.noise_ratio > foretold.noise_ratio
    assert rough.restless < 1.3


def test_intervals_hold_where_the_lamp_drifts(made):
    """Half plates under a lamp three times as restless as taken beforehand: of 60 intervals 54 and more hold."""
    usual = (taken.LAMP**2 + taken.PAPER**2) ** 0.5
    held = 0
    for seed in range(5):
        strips = half_plates(made, 100 + seed, 3 * usual)
        read, _ = strips.read()
        for i in range(HALVES):
            r = read[f"P{i}"]
            truth = math.log(1 - (5.0 + 7.0 * i) / 100)
            held += (r.low is None or r.low <= truth) and (r.high is None or truth <= r.high)
    assert held >= 54


@pytest.mark.parametrize("seed", [5, 21, 36, 39])
def test_curves_settle_though_they_have_corners(made, seed):
    """Half plates exposed far up the shoulder: the best fit may lie on a knot, where the curve's slope leaps."""
    strips = made(seed=seed, noise=0.004, lamp=0.015, place=0.006, shape=1.4)
    strips.steps((0, 7, 13, 25, 47, 88, 164, 306))
    for i in range(HALVES):
        strips.half_plate(f"P{i}", 5.0 + 7.0 * i, seconds=240.0)
    groups, _ = groups_of(strips_of(strips.marks, strips.entered), places_given=False)
    assert [readings._first_fit(g).converged for g in groups] == [True]
