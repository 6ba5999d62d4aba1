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
