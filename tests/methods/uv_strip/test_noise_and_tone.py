"""What a patch says of its own unevenness."""

import numpy as np
import pytest

from fairpanel.methods.uv_strip.noise import fit_noise
from fairpanel.methods.uv_strip.tone import SCALES, patch_tone


def field(rng, *, rows=20, columns=6, grain=0.004, red=0.5):
    """Densities of the blocks of an even patch."""
    density = np.array([red, 0.3, 0.15]) + rng.normal(0, grain, (rows, columns, 1)) * [1.0, 0.5, 0.25]
    return density + rng.normal(0, 0.001, (rows, columns, 3))


def test_an_even_patch_keeps_all_its_blocks():
    """Nothing is left out beyond what chance sets apart; the mean is the mean."""
    tone = patch_tone(field(np.random.default_rng(1)))
    assert tone["left_out"] < 0.03
    assert tone["density"] == pytest.approx([0.5, 0.3, 0.15], abs=0.002)


def test_slow_unevenness_is_no_stain():
    """A coating that bends by 3 % over the strip is kept whole."""
    rng = np.random.default_rng(2)
    bend = 0.03 * np.linspace(-1, 1, 20)[:, None, None] ** 2 * [1.0, 0.5, 0.25]
    assert patch_tone(field(rng) + bend)["left_out"] < 0.08


@pytest.mark.parametrize("share", [0.1, 0.3, 0.45])
def test_a_stain_is_left_out(share):
    """A brown stain over up to nearly half of the patch does not move its red by more than a few thousandths."""
    density = field(np.random.default_rng(3))
    stained = density.copy()
    stained[: round(20 * share)] += np.array([0.25, 0.5, 1.1]) * 0.1
    tone = patch_tone(stained)
    assert tone["density"][0] == pytest.approx(0.5, abs=0.004)
    assert tone["darker_out"] > 0.8 * share


def test_a_scratch_is_left_out():
    """A white line across the patch."""
    density = field(np.random.default_rng(4))
    density[:, 2] -= 0.2
    tone = patch_tone(density)
    assert tone["density"][0] == pytest.approx(0.5, abs=0.004) and tone["lighter_out"] > 0.1


def bodies(rng, *, exponent, level=0.004, patches=24):
    """Marks whose parts scatter as a coating of the given exponent would make them."""
    found = []
    for _ in range(patches):
        area = 2.0
        scatter = []
        for k in SCALES:
            sd2 = level**2 * ((area / k**2) ** -exponent - area**-exponent)
            scatter.append([sd2 * rng.chisquare(k * k - 1) / (k * k - 1)] * 3)
        found.append({"density": [0.5] * 3, "area": area, "parts": [k * k for k in SCALES], "scatter": scatter})
    return found


@pytest.mark.parametrize("exponent, least, most", [(0.35, 0.8, 1.25), (0.6, 0.8, 1.25), (1.0, 0.95, 1.7)])
def test_the_noise_of_a_whole_patch_follows_from_its_parts(exponent, least, most):
    """Coatings that vary slowly: the standard deviation of a mean within a quarter. White grain, which coated paper
    hardly has, is told with caution: too much rather than too little."""
    noise = fit_noise(bodies(np.random.default_rng(5), exponent=exponent))
    found = np.sqrt(noise.variance(0.5, 2.0)) / (0.004 * 2.0 ** (-exponent / 2))
    assert least <= found <= most


def test_a_larger_patch_is_never_noisier():
    """The variance falls with the area."""
    noise = fit_noise(bodies(np.random.default_rng(6), exponent=0.5))
    assert np.all(np.diff(noise.variance(0.5, np.array([0.5, 1, 2, 4]))) < 0)
