"""Strips as they are shown: straight, at one scale, white to white, stretched alike."""

import cv2
import numpy as np
import pytest

from fairpanel.methods.contract import Entered, Mark
from fairpanel.methods.uv_strip.crops import ACROSS, STRETCH, crops
from fairpanel.methods.uv_strip.row import Row
from fairpanel.picture.colour import SRGB, linear_to_srgb, srgb_to_linear, transfer
from fairpanel.picture.upright import Upright

#: Reflectances of two patches, relative to the paper's white.
DARK, LIGHT = 0.15, 0.55


def _picture(*, light=0.8, turn=0.0, upside_down=False, scale=1.0):
    """A grey strip of two patches, 40 by 60 px each, the dark one at its start with a black mark at its left corner."""
    strip = np.full((120, 40), LIGHT)
    strip[:60] = DARK
    strip[:12, :12] = 0.0
    size = int(300 * scale)
    c, s = np.cos(turn) * scale, np.sin(turn) * scale
    place = np.array([[c, -s, 100 * scale], [s, c, 60 * scale]])
    if upside_down:
        place = place @ np.array([[-1, 0, 40], [0, -1, 120], [0, 0, 1]])
    mask = cv2.warpAffine(np.ones_like(strip), place, (size, size))
    laid = cv2.warpAffine(strip, place, (size, size)) + 1.0 * (1 - mask)
    codes = np.rint(255 * linear_to_srgb(np.clip(laid * light, 0, 1))).astype(np.uint8)
    corners = np.array([[[0, 0], [40, 0], [40, 60], [0, 60]], [[0, 60], [40, 60], [40, 120], [0, 120]]], float)
    polygons = corners @ place[:, :2].T + place[:, 2]
    upright = Upright("p.png", "", np.repeat(codes[..., None], 3, axis=2), transfer(SRGB, 256), {})
    return upright, polygons, 40 * scale


def _crop(*, order=(0, 1), **how):
    picture, polygons, width = _picture(**how)
    rows = [Row("p.png", "S1", "product" if i == 0 else "glass only", 90.0, "Wax" if i == 0 else None) for i in order]
    densities = [-np.log10(DARK), -np.log10(LIGHT)]
    marks = [
        Mark(f"r{i}", {"polygon": polygons[i].tolist(), "width": width, "density": [densities[i]] * 3}) for i in order
    ]
    return crops(picture, marks, [Entered(f"r{i}", row) for i, row in zip(order, rows, strict=True)])["S1"]


def _grey(reflectance):
    return 255 * float(linear_to_srgb(reflectance**STRETCH))


@pytest.mark.parametrize(
    "how", [{}, {"light": 0.3}, {"turn": 0.3}, {"scale": 2.5}, {"light": 0.5, "upside_down": True}]
)
def test_the_same_strip_is_shown_the_same(how):
    """However bright, turned or large the picture: tones by reflectance alone, size by the strip's own."""
    pixels = _crop(**how).pixels
    assert pixels.shape == (ACROSS, pixels.shape[1], 3) and abs(pixels.shape[1] - 3 * ACROSS) <= 3
    left, right = pixels[ACROSS // 2 :, 60:140], pixels[:, -140:-20]
    assert abs(np.median(left) - _grey(DARK)) < 2 and abs(np.median(right) - _grey(LIGHT)) < 2


def test_start_to_the_left_and_never_mirrored():
    """The black mark at the left of the start, seen along the strip, comes to the top left corner."""
    for how in ({}, {"upside_down": True}, {"turn": -0.5}):
        pixels = _crop(**how).pixels
        corners = [pixels[5:20, 5:20], pixels[-20:-5, 5:20], pixels[5:20, -20:-5], pixels[-20:-5, -20:-5]]
        assert int(np.argmin([c.mean() for c in corners])) == 0
        assert corners[0].mean() < 15


def test_the_first_row_stands_to_the_left_as_its_words_say():
    """A table written from the other end turns the strip, by half a turn: the mark goes to the lower right."""
    crop = _crop(order=(1, 0))
    assert crop.words == "glass only, product; 90\N{NO-BREAK SPACE}s each"
    assert np.median(crop.pixels[:, 20:140]) > np.median(crop.pixels[:, -140:-20])
    assert crop.pixels[-20:-5, -20:-5].mean() < 15


def test_weak_differences_are_stretched_as_said():
    """Densities are multiplied: the stated power of reflectance, no other curve."""
    pixels = _crop().pixels
    shown = [srgb_to_linear(np.median(part) / 255) for part in (pixels[60:, 60:140], pixels[:, -140:-20])]
    ratio = np.log10(shown[1] / shown[0]) / np.log10(LIGHT / DARK)
    assert ratio == pytest.approx(STRETCH, abs=0.02)
