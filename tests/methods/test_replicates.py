"""Replicates: products with one plate each, and plates that disagree."""

import math
from dataclasses import replace

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
