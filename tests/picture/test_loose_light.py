"""The light over loose strips, from patches and a ground whose light is known."""

import numpy as np
import pytest

from fairpanel.picture.loose_light import Ground, over_strips
from fairpanel.picture.sampling import Blocks

ENDS = np.array([[300.0, 500.0], [700.0, 500.0]])


def _grid(n, step):
    return np.stack(np.meshgrid(np.arange(n), np.arange(n)), axis=-1) * step


def _patches(lit, seed, n=14):
    """Patches about a picture, each of a tone and an unevenness of its own, in light that is a function of place."""
    rng = np.random.default_rng(seed)
    made = []
    for _ in range(n):
        places = rng.uniform(100, 900, 2) + _grid(8, 10.0)
        uneven = (places - places.mean(axis=(0, 1))) / 80 @ rng.normal(0, 0.006, 2)
        log = rng.uniform(-2, 0) + uneven + lit(places)
        light = np.exp(log[..., None] + rng.normal(0, 0.002, (8, 8, 3)))
        made.append(Blocks(light, places, np.zeros(3), np.zeros(3), 6400.0))
    return made


def _ground(lit, seed, *, level=0.6, own=None):
    """A ground all over the picture, with a tone of its own where `own` says so."""
    places = _grid(13, 80.0).reshape(-1, 2)
    log = np.log(level) + lit(places) + (own(places) if own else 0.0)
    noise = np.random.default_rng(seed).normal(0, 0.004, (len(places), 3))
    return Ground(places, np.exp(log[:, None] + noise), level > 0.3)


def _over(patches, ground):
    return over_strips(patches, ground, width=90.0, diagonal=1200.0)


def _even(places):
    return np.zeros(np.shape(places)[:-1])


def _slope(places):
    return places[..., 0] * (0.1 / 400)


def _hill(places):
    """A soft bright spot."""
    return 0.08 * np.exp(-((places - [450, 400]) ** 2).sum(axis=-1) / (2 * 150.0**2))


def test_patches_in_even_light_are_not_corrected():
    """Their own unevenness is not taken for light: over one unit the light changes by less than a per cent or two."""
    changes = [float(np.ptp(_over(_patches(_even, seed), None).at(ENDS)[:, 1])) for seed in range(40)]
    assert np.median(changes) < 0.008
    assert np.quantile(changes, 0.9) < 0.03


def test_patches_in_sloping_light_show_the_slope():
    """A tenth over one unit is found, and how well it is known is said."""
    for seed in range(10):
        found = _over(_patches(_slope, seed), None)
        change = float(np.diff(found.at(ENDS)[:, 1])[0])
        stated = np.hypot(found.error(ENDS[:1]), found.error(ENDS[1:]))
        assert abs(change - 0.1) < 3 * stated
        assert change > 0.05


@pytest.mark.parametrize("level", [0.6, 0.05])
def test_a_ground_sharpens_what_the_patches_know(level):
    """White or dark, a ground in the same light leaves a smaller error than patches alone."""
    for seed in range(5):
        patches = _patches(_slope, seed)
        alone, together = _over(patches, None), _over(patches, _ground(_slope, seed, level=level))
        assert together.error(ENDS[:1]) < alone.error(ENDS[:1])
        change = float(np.diff(together.at(ENDS)[:, 1])[0])
        assert abs(change - 0.1) < 3 * np.hypot(together.error(ENDS[:1]), together.error(ENDS[1:]))


def test_light_that_falls_on_ground_and_strips_is_followed():
    """A soft spot of light that both show is taken out of the patches, by most of it."""
    share = []
    for seed in range(5):
        found = _over(_patches(_hill, seed, n=20), _ground(_hill, seed))
        spot = found.at(np.array([[450.0, 400.0], [60.0, 60.0]]))[:, 1]
        share.append(float(spot[0] - spot[1]) / 0.08)
    assert np.median(share) == pytest.approx(1.0, abs=0.25)


def test_a_grounds_own_tone_is_not_taken_for_light():
    """A spot of the ground that no strip shows is left alone, by most of it."""
    share = []
    for seed in range(5):
        found = _over(_patches(_even, seed, n=20), _ground(_even, seed, own=_hill))
        spot = found.at(np.array([[450.0, 400.0], [60.0, 60.0]]))[:, 1]
        share.append(abs(float(spot[0] - spot[1])) / 0.08)
    assert np.median(share) < 0.4


def test_the_stated_error_is_as_large_as_the_error_made():
    """Over 60 pictures, errors of the light between two places over stated ones have a spread of about one."""
    ratios = []
    for seed in range(60):
        patches, ground = _patches(_slope, seed), _ground(_slope, seed, own=_hill)
        found = _over(patches, ground)
        for b in patches[:4]:
            places = b.places.reshape(-1, 2)
            off = found.at(places)[:, 1].mean() - _slope(places).mean()
            rest = [found.at(p.places)[..., 1].mean() - _slope(p.places).mean() for p in patches]
            ratios.append((off - np.mean(rest)) / np.hypot(found.error(places), 0.002))
    assert 0.5 < np.sqrt(np.mean(np.square(ratios))) < 1.5


def test_densities_are_counted_from_a_white_ground_only():
    """On white the light carries the ground's level; on a dark ground it has none."""
    patches = _patches(_even, 1)
    assert _over(patches, _ground(_even, 1)).at(ENDS) == pytest.approx(np.log(0.6), abs=0.03)
    assert _over(patches, _ground(_even, 1, level=0.05)).at(ENDS) == pytest.approx(0.0, abs=0.03)
