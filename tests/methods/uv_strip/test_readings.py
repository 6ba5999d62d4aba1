"""Readings of strips without pictures: densities made from a curve that is not among those the reader fits."""

import math

import numpy as np
import pytest

from fairpanel.methods.uv_strip import starting_values as taken
from fairpanel.methods.uv_strip.flags import DOUBTS
from fairpanel.methods.uv_strip.results import blocked

BLOCKED = (0.0, 8.0, 25.0, 50.0, 75.0, 92.0)


def percent(reading):
    """Blocked, low, high. [%]"""
    return [None if x is None else float(blocked(x)) for x in (reading.measured.value, reading.high, reading.low)]


def standard(strips, **more):
    """Steps and a product for each of several blockings."""
    strips.steps()
    for b in BLOCKED:
        strips.product(f"{b:g}", b, **more)
    return strips


def test_what_was_put_in_is_read_within_its_interval(made):
    """From 0 to 92 % blocked, with quiet paper: off by a point at most, and inside the interval."""
    found, refused = standard(made()).read()
    assert not refused
    for b in BLOCKED:
        value, low, high = percent(found[f"{b:g}"])
        assert value == pytest.approx(b, abs=1.0)
        assert low <= b <= high


def test_intervals_hold_what_they_promise(made):
    """Lamp and paper as taken beforehand, curves not of the reader: of 240 strips 95 % are covered, give or take
    three standard deviations of chance (4.2 %)."""
    hits = []
    for seed in range(12):
        lamp = math.hypot(taken.LAMP, taken.PAPER)
        strips = made(seed=seed, noise=0.004, lamp=lamp, place=taken.PAPER_WITHIN, shape=0.8 + 0.05 * seed)
        strips.steps()
        truth = dict(zip("abcdefghijklmnopqrst", strips.rng.uniform(0, 95, 20), strict=True))
        for name, b in truth.items():
            strips.product(name, b)
        found, _ = strips.read()
        for name, b in truth.items():
            _, low, high = percent(found[name])
            hits.append((low is None or low <= b) and (high is None or b <= high))
    assert 0.908 <= np.mean(hits) <= 0.992


@pytest.mark.parametrize("factor", [3.0, 12.0])
def test_only_ratios_of_exposures_matter(made, factor):
    """All exposures longer and the paper as much slower: the same numbers, but for the half second of timing."""
    plain, _ = standard(made()).read()
    other = made(half_seconds=60 * factor)
    other.steps([factor * t for t in (0, 8, 15, 25, 40, 65, 105, 170)])
    for b in BLOCKED:
        other.product(f"{b:g}", b, seconds=85 * factor)
    scaled, _ = other.read()
    for name, r in plain.items():
        if r.bounded:
            continue
        assert percent(scaled[name])[0] == pytest.approx(percent(r)[0], abs=0.3)


def test_tone_of_the_base_and_depth_of_the_blue_do_not_matter(made):
    """Yellower paper or a deeper coating, steps and strips alike: the same numbers."""
    plain, _ = standard(made()).read()
    for other in (made(base=0.20), made(range=1.4)):
        found, _ = standard(other).read()
        for name, r in plain.items():
            if not r.bounded:
                assert percent(found[name])[0] == pytest.approx(percent(r)[0], abs=0.5)


def test_the_order_of_the_table_does_not_matter(made):
    """Rows turned round, with strips of two paper lots beside steps of one: the same numbers and flags."""
    strips = made(noise=0.003)
    strips.steps(paper_lot="A7")
    for b in BLOCKED:
        strips.product(f"{b:g}", b, paper_lot="A7" if b < 60 else "A8")
    plain, _ = strips.read()
    strips.entered.reverse()
    strips.marks.reverse()
    turned, _ = strips.read()
    for name, r in plain.items():
        assert percent(turned[name]) == pytest.approx(percent(r), abs=0.05)
        assert set(turned[name].flags) == set(r.flags)
        assert ("paper lots mixed" in r.flags) == (float(name) > 60)


def test_a_patch_lighter_than_unexposed_paper_is_a_bound_with_a_doubt(made):
    """No number may come of it: it blocks at least so much, and something is wrong with the patch."""
    strips = made(noise=0.001)
    strips.steps()
    for i, lighter in enumerate((0.004, 0.02, 0.06)):
        strips.patch(f"p{i}", "product", f"p{i}", 85, strips.base - lighter)
    found, _ = strips.read()
    for r in found.values():
        value, low, high = percent(r)
        assert r.bounded and high is None and low is not None and 80 < low < 100
        assert value == low
    assert "outside the steps" in found["p2"].flags


def test_a_patch_darker_than_every_step_is_doubted(made):
    """Its dose lies beyond what the steps show; the interval does not close there."""
    strips = made(noise=0.001)
    strips.steps((0, 8, 15, 25, 40))
    strips.patch("deep", "product", "deep", 240, float(strips.density(300)))
    found, _ = strips.read()
    assert "outside the steps" in found["deep"].flags
    assert found["deep"].flags and set(found["deep"].flags) & DOUBTS


def test_half_plates_do_not_mind_the_lamp(made):
    """The lamp 6 % off from strip to strip: whole plates are off by points, half plates by a fraction of that."""
    errors = {"whole": [], "half": []}
    for seed in range(6):
        strips = made(seed=seed, noise=0.001, lamp=0.06)
        strips.steps()
        for i in range(4):
            strips.product(f"whole{i}", 20.0)
            strips.half_plate(f"half{i}", 20.0)
        found, _ = strips.read()
        for name, r in found.items():
            errors[name[:-1]].append(percent(r)[0] - 20.0)
    assert np.std(errors["half"]) < 0.4 * np.std(errors["whole"])


def test_two_exposures_on_a_strip_say_more_than_one(made):
    """A bracket of one and four half-way times narrows the interval of a strong and of a weak product."""
    strips = made(noise=0.004)
    strips.steps((0, 8, 15, 25, 40, 65, 105, 170, 280))
    for b in (5, 85):
        strips.product(f"one {b}", b, seconds=240)
        rows = [("product", f"two {b}", t, 1 - b / 100) for t in (60, 240)]
        strips.strip(f"two {b}", rows)
    found, _ = strips.read()
    for b in (5, 85):
        assert percent(found[f"two {b}"])[0] == pytest.approx(b, abs=6)
        widths = [np.subtract(*percent(found[f"{n} {b}"])[:0:-1]) for n in ("two", "one")]
        assert widths[0] < widths[1]


def test_patches_that_contradict_each_other_are_doubted(made):
    """One strip, two exposures, two blockings: one of the patches is stained or misplaced."""
    strips = made(noise=0.002)
    strips.steps()
    strips.strip("odd", [("product", "odd", 40, 0.9), ("product", "odd", 85, 0.5)])
    assert "patches disagree" in strips.read()[0]["odd"].flags


def test_glass_not_known_gives_both_readings(made):
    """Steps that may or may not have lain under glass: both numbers, and one interval that holds both."""
    strips = made(noise=0.002)
    strips.steps(role="step unknown")
    strips.product("A", 30.0)
    r = strips.read()[0]["A"]
    under, without = r.detail["both_readings"]
    assert (under["steps"], without["steps"]) == ("under glass", "without glass")
    assert under["blocked"] == pytest.approx(30.0, abs=1.5)
    assert without["blocked"] < under["blocked"] - 10
    assert r.detail["remark"].startswith(f"{under['blocked']:.1f} % if the steps lay under glass, ")
    _, low, high = percent(r)
    assert low <= under["blocked"] <= high and low <= without["blocked"] <= high
    assert "steps' glass not known" in r.flags


def test_glass_only_strips_tell_whether_the_steps_lay_under_glass(made):
    """Steps without glass beside glass-only strips: the glass is measured, the doubt goes."""
    strips = made(noise=0.002)
    glass = 0.80
    strips.strip("steps", [("step no glass", None, t, 1 / glass) for t in (0, 8, 15, 25, 40, 65, 105, 170)])
    for i in range(3):
        strips.strip(f"g{i}", [("glass only", None, 85, 1.0)])
    strips.product("A", 30.0)
    r = strips.read()[0]["A"]
    assert percent(r)[0] == pytest.approx(30.0, abs=1.5)
    assert "steps without glass" not in r.flags and "no glass-only strip" not in r.flags


def test_a_stain_shows_in_the_other_colours(made):
    """Blue light held back that the steps do not hold back at that red: doubted, and the interval is wider."""
    strips = made(noise=0.002)
    strips.steps()
    red = float(strips.density(85 * 0.7))
    strips.patch("clean", "product", "clean", 85, red)
    strips.patch("brown", "product", "brown", 85, red + 0.012, blue=0.05)
    found, _ = strips.read()
    assert "colours disagree" not in found["clean"].flags
    assert "colours disagree" in found["brown"].flags
    widths = {n: np.subtract(*percent(r)[:0:-1]) for n, r in found.items()}
    assert widths["brown"] > 1.5 * widths["clean"]
    assert percent(found["brown"])[1] <= 30 <= percent(found["brown"])[2]


def test_without_steps_nothing_is_read(made):
    """Each product is refused, with what to do."""
    strips = made()
    strips.product("A", 30.0)
    found, refused = strips.read()
    assert not found and refused[0].strip == "A"
    assert "step strip" in refused[0].reason and "step" in refused[0].what_to_do


@pytest.mark.parametrize(
    "densities, words",
    [
        ([0.1, 0.11, 0.1, 0.11, 0.1], "hardly differ"),
        ([0.1, 0.9, 0.3, 0.5, 0.7], "out of order"),
        ([0.9, 0.7, 0.5, 0.3, 0.1], "out of order"),
    ],
)
def test_steps_that_cannot_serve_are_refused(made, densities, words):
    """No change, disorder, turned round in the table: what is wrong and what to do, and no number."""
    strips = made()
    for t, d in zip((0, 15, 30, 60, 120), densities, strict=True):
        strips.patch("steps", "step", None, t, d)
    strips.product("A", 30.0)
    found, refused = strips.read()
    assert not found and words in refused[0].reason and refused[0].what_to_do


def test_two_pictures_of_a_strip_that_disagree_are_doubted(made):
    """The same strip read twice, 12 % apart; and read twice alike: no doubt."""
    for second, doubted in ((40.0, True), (30.3, False)):
        strips = made(noise=0.002)
        for picture, b in (("one.png", 30.0), ("two.png", second)):
            strips.steps(picture=picture, name=f"steps {picture}")
            strips.product("A", b, picture=picture)
        readings = strips.read()[0]
        assert ("pictures disagree" in readings["A"].flags) == doubted


def test_the_interval_is_open_where_the_paper_is_full(made):
    """Ten times too long an exposure: no closed interval for a weak product, and no number."""
    strips = made(noise=0.004)
    strips.steps((0, 15, 30, 60, 120, 240, 900))
    strips.product("A", 3.0, seconds=900)
    r = strips.read()[0]["A"]
    assert r.bounded or np.subtract(*percent(r)[:0:-1]) > 20
    assert "exposed too long" in r.flags


def test_limits_of_a_reading_are_those_of_many_readings(made):
    """Decision and detection limit against 240 strips read at nothing and at the stated detection limit."""
    first = made(seed=1, noise=0.004)
    first.steps()
    first.product("A", 0.0)
    decision, detection = (float(blocked(x)) for x in first.read()[0]["A"].limits)
    above = {0.0: [], detection: []}
    for seed in range(6):
        strips = made(seed=100 + seed, noise=0.004, lamp=math.hypot(taken.LAMP, taken.PAPER))
        strips.steps()
        for true in above:
            for i in range(20):
                strips.product(f"{true}:{i}", true)
        found, _ = strips.read()
        for name, r in found.items():
            above[float(name.split(":")[0])].append(percent(r)[0] > decision)
    assert np.mean(above[0.0]) < 0.15
    assert np.mean(above[detection]) > 0.85


def test_a_strip_darker_than_bare_glass_says_at_most_nothing(made):
    """More light than there was cannot have come through: the bound stops at 0 %."""
    strips = made(noise=0.001)
    strips.steps()
    strips.patch("deep", "product", "deep", 20, strips.base + 0.99 * strips.range)
    r = strips.read()[0]["deep"]
    assert r.bounded and r.high is None and float(blocked(r.low)) == 0
    assert "outside the steps" in r.flags
