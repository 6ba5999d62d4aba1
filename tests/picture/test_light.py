"""The light over a picture, from samples whose light is known."""

import numpy as np
import pytest

from fairpanel.picture import light


def _places(across, down, *, step=20.0):
    return np.stack(np.meshgrid(np.arange(across), np.arange(down)), axis=-1).reshape(-1, 2) * step


def test_light_that_falls_off_is_followed_between_the_samples():
    """A smooth bend is met within a tenth of a per cent where nothing was sampled."""
    places = _places(12, 12)

    def true(p):
        return -0.3 * ((p - 110) ** 2).sum(axis=-1) / 110**2

    noise = np.random.default_rng(1).normal(0, 0.002, (len(places), 3))
    found = light.from_white(places, np.exp(true(places)[:, None] + noise), unit=60.0)
    between = places[places.max(axis=1) < 210] + 10
    assert np.abs(found.at(between) - true(between)[:, None]).max() < 0.006
    assert np.abs(found.at(between) - true(between)[:, None]).mean() < 0.001


def test_samples_on_two_lines_say_nothing_of_a_bend_between_them():
    """A strip that fills the picture leaves white at two edges only; its middle is as light as they are."""
    places = np.array([[x, y] for x in range(0, 1600, 20) for y in (8.0, 376.0)])
    noise = np.random.default_rng(2).normal(0, 0.004, (len(places), 3))
    found = light.from_white(places, 0.6 * np.exp(noise), unit=280.0)
    middle = np.stack([np.linspace(50, 1550, 20), np.full(20, 192.0)], axis=1)
    assert found.at(middle) == pytest.approx(np.log(0.6), abs=0.01)


def _patches(slope, seed, n=14):
    """Blocks of even patches about a picture, each of a tone and an unevenness of its own, in sloping light."""
    rng = np.random.default_rng(seed)
    blocks, log, patch = [], [], []
    for i in range(n):
        own = rng.uniform(100, 900, 2) + _places(8, 8, step=10.0)
        uneven = (own - own.mean(axis=0)) / 80 @ rng.normal(0, 0.006, 2)
        level = rng.uniform(-2, 0) + uneven + own @ np.asarray(slope) / 400
        blocks.append(own)
        log.append(np.repeat(level[:, None], 3, axis=1) + rng.normal(0, 0.002, (64, 3)))
        patch.append(np.full(64, i))
    return light.from_patches(np.concatenate(blocks), np.concatenate(log), np.concatenate(patch), unit=400.0)


def test_patches_in_even_light_are_not_corrected():
    """Their own unevenness is not taken for light: over one unit the light changes by less than a per cent or two."""
    ends = np.array([[300.0, 500.0], [700.0, 500.0]])
    changes = [float(np.ptp(_patches((0, 0), seed).at(ends)[:, 1])) for seed in range(40)]
    assert np.median(changes) < 0.004
    assert np.quantile(changes, 0.9) < 0.02


def test_patches_in_sloping_light_show_the_slope():
    """A tenth over one unit is found, and what may be left over is said."""
    ends = np.array([[300.0, 500.0], [700.0, 500.0]])
    for seed in range(10):
        found = _patches((0.1, 0), seed)
        change = float(np.diff(found.at(ends)[:, 1])[0])
        assert abs(change - 0.1) < 3 * max(found.left_over, 0.004)
        assert change > 0.05
