"""Replicates: products with one plate each, and plates that disagree."""

import math
from dataclasses import replace

import numpy as np

from fairpanel.findings.rules import SHOWN, finding_of
from fairpanel.measured import Component, Measured
from fairpanel.methods import method_named
from fairpanel.methods.contract import Context, Reading
from fairpanel.methods.default_results import results


def _reading(name, ln_t, u):
    spread = [[-1.0, 0.0, 1.0], [u, u, u]]
    return Reading((name,), name, name, "p", name, "blocked", Measured(ln_t, (Component("patch", u),)),
                   ln_t - 1.96 * u, ln_t + 1.96 * u, limits=(-1.645 * u, -3.29 * u),
                   detail={"spread_at": spread})  # fmt: skip


def test_weak_products_with_one_plate_keep_the_interval_of_their_strip():
    """A film that blocks nothing cannot differ between plates, so one plate costs such a product nothing.

    Widening by at most a tenth is left for the t distribution.
    """
    u = 0.02
    method = method_named("uv_strip")
    found = results([_reading(f"P{i}", 0.0, u) for i in range(6)], method, Context())
    for r in found:
        assert 2 * 1.96 * u * 0.99 < r.high - r.low < 2 * 1.96 * u * 1.1
        assert math.isclose(r.limits[0], -1.645 * u, rel_tol=0.05)


def _product(*blocked):
    u = 0.02
    return [replace(_reading(f"plate {i}", math.log(1 - b / 100), u), product="Coating") for i, b in enumerate(blocked)]


def test_one_plate_with_four_times_the_film_is_said_to_stand_apart():
    """An unbuffed plate (29.8 %) among plates of 6 to 12 %; without it nothing is said."""
    method = method_named("uv_strip")
    odd = results(_product(11.6, 6.1, 29.8, 8.0), method, Context())
    like = results(_product(11.6, 6.1, 8.0, 9.0), method, Context())
    assert "plates disagree" in odd[0].flags
    assert "plates disagree" not in like[0].flags


def _campaign(rng, *, film, effects, u=0.01, plates=3):
    """Readings of products with true ln(transmission) `effects`, whose plates differ by a share of it."""
    found = []
    for k, true in enumerate(effects):
        for i in range(plates):
            value = true * (1 + film * rng.standard_normal()) + u * rng.standard_normal()
            found.append(replace(_reading(f"{k}-{i}", value, u), product=f"P{k}"))
    return found


def test_intervals_of_products_hold_what_they_promise():
    """Three plates each, films that differ by 8 and by 25 %: 95 % of 600 products are covered, give or take chance
    (three standard deviations, 2.7 %), and a little more, since the spread is held towards its start."""
    rng, method, effects = np.random.default_rng(1), method_named("uv_strip"), (0.0, -0.02, -0.1, -0.3, -0.7, -1.5)
    hits = []
    for film in (0.08, 0.25):
        for _ in range(50):
            found = results(_campaign(rng, film=film, effects=effects), method, Context())
            hits += [r.low <= true <= r.high for r, true in zip(found, effects, strict=True)]
    assert 0.92 <= np.mean(hits) <= 0.995


def test_products_that_do_nothing_are_hardly_ever_shown():
    """Eight inert products of three plates: any of them shown in at most 5 % of 120 campaigns, and chance's 6 %."""
    rng, method = np.random.default_rng(2), method_named("uv_strip")
    shown = []
    for _ in range(120):
        found = results(_campaign(rng, film=0.18, effects=(0.0,) * 8), method, Context())
        shown.append(any(finding_of(r, method).finding == SHOWN for r in found))
    assert np.mean(shown) <= 0.11


def test_limits_are_what_many_campaigns_find():
    """A blank exceeds the decision limit in 5 % of cases, a product at the detection limit in 95 % (960 each)."""
    rng, method = np.random.default_rng(3), method_named("uv_strip")
    first = results(_campaign(rng, film=0.18, effects=(0.0,) * 8), method, Context())
    detection = float(np.median([r.limits[1] for r in first]))
    above = {0.0: [], detection: []}
    for _ in range(60):
        for true in above:
            found = results(_campaign(rng, film=0.18, effects=(true,) * 8), method, Context())
            above[true] += [r.measured.value < r.limits[0] for r in found]
    assert 0.01 <= np.mean(above[0.0]) <= 0.075
    assert 0.925 <= np.mean(above[detection]) <= 0.995
