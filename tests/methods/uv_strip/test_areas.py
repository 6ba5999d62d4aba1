"""Maps over a strip: a known gradient comes back, an even film shows none, and uneven light is no film."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fairpanel.measured import Measured
from fairpanel.methods.contract import Entered, Outline, Reading
from fairpanel.methods.uv_strip.areas import area_map, maps, paper_of, words_of
from fairpanel.methods.uv_strip.marks import measure
from fairpanel.methods.uv_strip.row import Row
from fairpanel.methods.uv_strip.strips import strips_of
from fairpanel.picture.colour import linear_to_srgb

SECONDS = 100.0
ALONG = np.linspace(0.0, 7.0, 80)


def density_at(ln_dose):
    """Density of the made paper."""
    return 0.1 + 1.1 / (1 + np.exp(-1.4 * (np.asarray(ln_dose) - 4.1)))


def scene(upright, ln_t, *, noise=0.01, light=0.0, seed=1):
    """A picture of one strip under a film (100 x 60 px, ln(transmission) along it) and eight steps, with its rows.

    Grain is white, of standard deviation `noise` in density; light falls by `light` (ln) from left to right.
    """
    rng = np.random.default_rng(seed)
    tone = np.zeros((700, 900))
    places = [(60, 60 + 70 * i) for i in range(9)]
    rows, outlines = [], []
    doses = [SECONDS, *np.geomspace(20, 220, 8)]
    for i, ((x, y), seconds) in enumerate(zip(places, doses, strict=True)):
        shift = np.interp(np.arange(100), np.linspace(0, 99, len(ln_t)), ln_t) if i == 0 else np.zeros(100)
        tone[y : y + 60, x : x + 100] = density_at(math.log(seconds) + shift) + noise * rng.standard_normal((60, 100))
        role = {"role": "product", "product": "Film"} if i == 0 else {"role": "step"}
        rows.append(
            Entered(str(i), Row(picture="p", strip="film" if i == 0 else "steps", seconds=float(seconds), **role))
        )
        corners = np.array([[x, y + 59], [x, y], [x + 99, y], [x + 99, y + 59]], float)  # along the strip: to the right
        outlines.append(Outline(str(i), corners, "given"))
    reflectance = 0.8 * 10**-tone * np.exp(-light * np.linspace(0, 1, 900))
    picture = upright(np.repeat(np.rint(65535 * linear_to_srgb(reflectance)).astype(np.uint16)[..., None], 3, axis=2))
    marks = measure(picture, outlines, rows)
    curve = {"from": ALONG[0], "to": ALONG[-1], "densities": density_at(ALONG).tolist()}
    value = Measured(float(np.mean(ln_t)))
    reading = Reading(("0",), "Film", "P", "p", "film", "blocked", value, -1.0, 0.0, detail={"curve": curve})
    return picture, marks, rows, reading


def mapped(upright, ln_t, **how):
    """The map over the film of a scene."""
    picture, marks, rows, reading = scene(upright, ln_t, **how)
    strips = strips_of(marks, rows)
    return area_map(picture, strips[0], reading, paper_of(picture, strips))


def test_a_known_gradient_comes_back(upright):
    """From 25 to 45 % blocked along the strip: each area to within 1.5 points of the truth, framed at both ends."""
    true = np.log(1 - np.linspace(25, 45, 50) / 100)
    found = mapped(upright, true)
    assert found.blocked.shape == (3, 6)
    share = (np.arange(6) + 0.5) / 6 * (1 - 2 * 0.18 * 0.6) + 0.18 * 0.6  # what the border leaves
    expected = 100 * (1 - np.exp(np.interp(share, np.linspace(0, 1, 50), true)))
    assert np.abs(found.blocked - expected).max() < 1.5
    assert found.differs[:, [0, -1]].all() and found.explained < 2.0
    assert "Framed areas differ" in words_of(found)


def test_an_even_film_shows_no_area(upright):
    """Of 12 even films under white grain at most 2 show one: with 5 % each, more come once in fifty times."""
    shown = [mapped(upright, np.full(5, math.log(0.7)), seed=seed).differs.any() for seed in range(12)]
    assert sum(shown) <= 2


def test_uneven_light_is_no_film(upright):
    """Light that falls by a quarter over the picture moves no area by more than half a point."""
    even = np.full(5, math.log(0.7))
    straight, slanted = (mapped(upright, even, light=light) for light in (0.0, 0.25))
    assert np.abs((slanted.blocked - slanted.mean) - (straight.blocked - straight.mean)).max() < 0.5


def test_without_bare_patches_nothing_is_claimed(upright):
    """No step, no glass: the map is drawn, no area is framed, and the words say why."""
    picture, marks, rows, reading = scene(upright, np.log([0.75, 0.55]))
    found = area_map(picture, strips_of(marks, rows)[0], reading, None)
    assert not found.differs.any() and "cannot be told" in words_of(found)


def test_charts(upright):
    """One for the film, none for the steps or for a strip with only a bound; legend and numbers in % blocked."""
    picture, marks, rows, reading = scene(upright, np.log([0.75, 0.55]))
    (chart,) = maps(picture, marks, rows, [reading])
    assert chart.strips == (("p", "film"),) and "Film, strip film" in chart.title and "lowest area" in chart.words
    assert len(chart.spec["data"]["values"]) == 18
    assert chart.spec["layer"][0]["encoding"]["opacity"]["legend"]["title"] == "% blocked"
    bound = Reading(
        ("0",), "Film", "P", "p", "film", "blocked", reading.measured, None, 0.0, True, detail=reading.detail
    )
    assert maps(picture, marks, rows, [bound]) == []


@pytest.mark.parametrize("turned", [False, True])
def test_the_first_row_lies_to_the_left(upright, turned):
    """Where the strip's picture is turned round, so is the map."""
    picture, marks, rows, reading = scene(upright, np.log([0.75, 0.55]), noise=0.002)
    body = {
        **marks[0].body,
        "polygon": np.add(marks[0].body["polygon"], [-200.0 if turned else 200.0, 0.0]).tolist(),
    }
    other = Entered("g", Row(picture="p", strip="film", role="glass only", seconds=SECONDS))
    strip = strips_of([marks[0], type(marks[0])("g", body)], [rows[0], other])[0]
    found = area_map(picture, strip, reading, None)
    assert (found.blocked[1, 0] > found.blocked[1, -1]) == turned
