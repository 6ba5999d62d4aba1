"""Laws that made paper, lamp and film must keep, whatever their figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.special import expit

from fairpanel.rehearsal.curves import FAMILIES, curve, draw_curve
from fairpanel.rehearsal.exposure import GLASS_TRANSMISSION, Exposure, Film, Lamp, Patch, dose, draw_film
from fairpanel.rehearsal.fields import draw_field, share_left
from fairpanel.rehearsal.paper import draw_paper, draw_sheet
from fairpanel.rehearsal.strips import PX_PER_MM, StripPlan, make_strip

QUIET = Lamp(drift=0.0, run_sd=0.0, place_sd=0.0, timing_sd=0.0, fall=0.0)


def _even_paper(seed: int = 3):
    paper = draw_paper(np.random.default_rng(seed), half_seconds=60.0)
    return replace(paper, coat_sd=0.0, speed_sd=0.0, texture=0.0, sheet_speed_sd=0.0, sheet_range_sd=0.0)


def _tones(patches, *, lamp=QUIET, exposure=None, paper=None, **more) -> np.ndarray:
    """Mean red light of the middle of each patch."""
    rng = np.random.default_rng(1)
    sheet = draw_sheet(rng, paper or _even_paper(), name="s")
    plan = StripPlan("k", "g", tuple(patches), sheet, (10.0, 10.0), exposure or Exposure(), **more)
    strip = make_strip(rng, plan, lamp)
    middles = []
    for polygon in strip.polygons_mm:
        (x0, y0), (x1, y1) = polygon[0] * PX_PER_MM, polygon[2] * PX_PER_MM
        part = strip.reflectance[int(y0) + 12 : int(y1) - 12, int(x0) + 12 : int(x1) - 12, 0]
        middles.append(part.mean())
    return np.array(middles)


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_a_curve_rises_from_nothing_to_all_and_is_half_way_at_one(family):
    """For every family, at drawn parameters, with a contrast of 1 to 2.1."""
    for seed in range(5):
        made = draw_curve(np.random.default_rng(seed), family=family)
        dose_ = np.concatenate([[0.0], np.logspace(-3, 4, 400)])
        response = made.response(dose_)
        assert response[0] == 0.0
        assert (np.diff(response) >= 0).all()
        assert response[-1] > 0.97
        assert made.response(np.array(1.0)) == pytest.approx(0.5, abs=1e-9)
        assert 1.0 <= made.contrast <= 2.1


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_no_family_is_a_logistic_in_log_dose(family):
    """The best logistic, with free place, slope and range, misses by at least 0.3 % of the range."""
    made = draw_curve(np.random.default_rng(11), family=family)
    x = np.linspace(np.log(0.03), np.log(6), 120)
    seen = made.response(np.exp(x))
    fit = least_squares(lambda p: p[0] + p[1] * expit(p[2] * (x - p[3])) - seen, [0.0, 1.0, 1.5, 0.0])
    assert np.abs(fit.fun).max() > 0.003


def test_paper_darkens_with_dose_in_every_channel():
    """Each longer step is darker in red, green and blue; red loses most."""
    paper = _even_paper()
    light = paper.reflectance(paper.image_density(np.array([0, 10, 30, 60, 120, 240, 480.0])))
    assert (np.diff(light, axis=0) < 0).all()
    lost = -np.log10(light[-1] / light[0])
    assert lost[0] > lost[1] > lost[2]


def test_steps_of_a_strip_darken():
    """As the table's seconds rise."""
    tones = _tones([Patch("step", t) for t in (0, 15, 30, 60, 120)], length_mm=140.0)
    assert (np.diff(tones) < 0).all()


def test_a_film_that_blocks_nothing_reads_as_glass_only():
    """Half plate of an inert product on even paper: both halves alike, but for the paper's grain."""
    patches = [Patch("glass only", 90.0), Patch("product", 90.0, "P", film=Film(0.0))]
    glass, product = _tones(patches)
    assert product == pytest.approx(glass, rel=3e-4)


def test_half_the_light_for_twice_the_time_is_the_same():
    """Dose is light times time: transmission 0.5 for 120 s equals glass only for 60 s."""
    film = Film(float(np.log(2)))
    a, b = _tones([Patch("product", 120.0, "P", film=film), Patch("glass only", 60.0)])
    assert a == pytest.approx(b, rel=3e-4)


def test_no_glass_gets_the_light_that_the_glass_took():
    """No glass for 78 s equals glass only for 100 s, glass letting 0.78 through."""
    a, b = _tones([Patch("no glass", 100 * GLASS_TRANSMISSION), Patch("glass only", 100.0)])
    assert a == pytest.approx(b, rel=3e-4)


def test_lamp_warms_up_as_stated():
    """Invented lamp: 83 % of its final output at 7 min, 98 % at 16 min."""
    lamp = Lamp()
    assert lamp.warmth(420.0, seconds=0.1) == pytest.approx(0.83, abs=0.005)
    assert lamp.warmth(960.0, seconds=0.1) == pytest.approx(0.98, abs=0.005)
    assert lamp.warmth(1e5, seconds=90.0) == pytest.approx(1.0)


def test_field_falls_by_0_23_percent_per_square_centimetre():
    """Invented lamp: 1 - 0.0023 r², r in cm."""
    lamp = Lamp(axis_mm=(-7.0, 0.0))
    assert lamp.relative_light(-7.0, 0.0) == 1.0
    assert lamp.relative_light(43.0, 0.0) == pytest.approx(1 - 0.0023 * 25)


def test_stated_light_of_each_patch_is_that_of_its_place():
    """Strip lying about: its far end gets less; drawn under the window: all the same."""
    lamp = replace(QUIET, fall=0.0023)
    patches = tuple(Patch("step", t) for t in (10, 20, 30))
    common = {"lamp": lamp, "shape": (240, 80), "px_per_mm": 4.0}
    lying = dose(np.random.default_rng(0), patches, exposure=Exposure(place_mm=(0, 30), windowed=False), **common)
    drawn = dose(np.random.default_rng(0), patches, exposure=Exposure(windowed=True), **common)
    assert lying.light[0] > lying.light[1] > lying.light[2]
    assert np.ptp(drawn.light) < 1e-9


def test_side_light_stays_within_a_few_millimetres_of_the_edge():
    """5 mm inside it is below a thousandth of the light under glass."""
    patches = (Patch("product", 100.0, "P", film=Film(3.0)),)
    lit = Exposure(side_light=0.06)
    made = dose(np.random.default_rng(0), patches, lamp=QUIET, exposure=lit, shape=(240, 88), px_per_mm=4.0)
    dark = dose(np.random.default_rng(0), patches, lamp=QUIET, exposure=Exposure(), shape=(240, 88), px_per_mm=4.0)
    extra = (made.seconds - dark.seconds) / 100.0
    assert extra[0, 0] > 0.04
    assert extra[20:-20, 20:-20].max() < 0.001


def test_uneven_film_keeps_its_true_mean():
    """The stated transmission is the mean over the patch, between the lowest and the highest."""
    film = Film(1.0, uneven=0.3, phase=1.0)
    made = dose(
        np.random.default_rng(0), (Patch("product", 100.0, "P", film=film),), lamp=QUIET, exposure=Exposure(),
        shape=(240, 80), px_per_mm=4.0, penumbra_mm=0.0,
    )  # fmt: skip
    assert made.transmission[0] == pytest.approx(made.seconds.mean() / 100.0, rel=1e-3)


def test_film_mass_scales_absorbance():
    """Beer-Lambert: four times the mass, four times the absorbance."""
    rng = np.random.default_rng(0)
    once, four = (draw_film(rng, blocked=10.0, mass_cv=0.0, mass=m).absorbance for m in (1.0, 4.0))
    assert once == pytest.approx(-np.log(0.9))
    assert four == pytest.approx(4 * once)


def test_coating_varies_by_the_stated_amount_between_patches():
    """Patch means (12 x 40 mm) of 150 sheets scatter by the stated 0.4 %, within a fifth."""
    paper = replace(draw_paper(np.random.default_rng(2), half_seconds=60.0), coat_sd=0.004, coat_mm=10.0)
    x, y = np.meshgrid(np.arange(0, 12, 1.0), np.arange(0, 40, 1.0))
    rng = np.random.default_rng(4)
    means = [draw_sheet(rng, paper, name="s").fields["coat"].at(x, y).mean() for _ in range(150)]
    assert np.std(means) == pytest.approx(0.004, rel=0.2)


def test_share_left_agrees_with_a_field():
    """Variance of a stretch's mean, by the formula and by 400 drawn fields, within a quarter."""
    rng = np.random.default_rng(9)
    x = np.arange(0, 30, 0.5)
    means = [draw_field(rng, sd=1.0, along_mm=8.0).at(x, np.zeros_like(x)).mean() for _ in range(400)]
    assert np.var(means) == pytest.approx(share_left(8.0, 30.0), rel=0.25)


def test_strips_pictured_too_soon_are_lighter():
    """Dry-down is not finished: the image is weaker, the unexposed paper the same."""
    patches = [Patch("step", 0.0), Patch("step", 120.0)]
    final, early = _tones(patches), _tones(patches, aged=0.93)
    assert early[1] > final[1]
    assert early[0] == pytest.approx(final[0], rel=1e-3)


def test_curve_of_given_parameters_is_the_named_formula():
    """1 - exp(-ln 2 h) for a plain exponential: 0.75 at twice the half-way exposure."""
    assert curve("stretched", (1.0,)).response(np.array(2.0)) == pytest.approx(0.75)
