"""Step tablets drawn from scratch are found step by step and read in tone; pictures without strips are refused."""

import sys
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import cv2
import numpy as np
import pytest

from fairpanel.methods.uv_strip.quick_look import look

# test modules are imported by path, so is what lies beside them
_SPEC = spec_from_file_location("drawn_elsewhere", Path(__file__).with_name("drawn_elsewhere.py"))
drawn = sys.modules["drawn_elsewhere"] = module_from_spec(_SPEC)
_SPEC.loader.exec_module(drawn)
Tablet, View, photo, plain_scene = drawn.Tablet, drawn.View, drawn.photo, drawn.plain_scene

SMALL = {"width": 1000, "height": 750}
#: Ends of a patch lie this near to its step, along and across. [steps]
NEAR = 0.12
#: Tones are met within this: the light's fall over the tablet, JPEG, lens blur. [density]
TONE = 0.03

TABLETS = {
    "six on oak, turned": (Tablet(6, "oak", wide=1.5), View(turn=20, **SMALL)),
    "twelve on cloth, aslant": (Tablet(12, "black cloth"), View(turn=-12, aslant=0.12, falloff=0.2, **SMALL)),
    "five, fine lines, on white": (Tablet(5, border="fine black"), View(turn=95, noise=0.01, **SMALL)),
    "eight, white lines, poor JPEG": (Tablet(8, "oak", "fine white"), View(turn=186, quality=60, **SMALL)),
    "seven, broad black frames": (Tablet(7, "oak", "broad black"), View(turn=8, falloff=0.15, **SMALL)),
    "six, frames on white, on end": (Tablet(6, border="broad black"), View(turn=84, aslant=0.08, **SMALL)),
}


def _along(corners, quads):
    """Places of patches along (0 to the number of steps) and across (0 to 1) the true tablet. (k, 4, 2)"""
    n = len(corners)
    there = np.array([corners[0][0], corners[0][1], corners[-1][2], corners[-1][3]], np.float32)
    flat = np.array([[0, 0], [0, 1], [n, 1], [n, 0]], np.float32)
    matrix = cv2.getPerspectiveTransform(there, flat)
    return cv2.perspectiveTransform(np.asarray(quads, float).reshape(1, -1, 2), matrix)[0].reshape(-1, 4, 2)


@pytest.mark.parametrize("name", TABLETS)
def test_each_step_is_found_where_it_was_drawn_and_as_dark(name):
    """Boundaries within an eighth of a step; grey tones, up to a common level, within 0.03 in density; a caption is no
    strip."""
    tablet, view = TABLETS[name]
    taken = photo(tablet, view, seed=5, caption="tablet 7, cut in May")
    seen = look(taken.picture, list(np.geomspace(1, 60, tablet.steps)))
    assert seen.problem is None
    assert len(seen.strips) == 1
    places = _along(taken.steps, seen.outlines[seen.steps.name])
    places = places[np.argsort(places[..., 0].mean(axis=1))]
    steps = np.arange(tablet.steps)
    assert len(places) == tablet.steps
    assert np.all(places[..., 0].min(axis=1) > steps - NEAR)
    assert np.all(places[..., 0].max(axis=1) < steps + 1 + NEAR)
    assert places[..., 1].min() > -NEAR
    assert places[..., 1].max() < 1 + NEAR
    # density is -lg of reflectance (ISO 5, from memory); the drawn light is what a perfect reader would see
    off = np.array(seen.steps.densities) + np.log10(taken.light[:, 0])
    assert np.ptp(off) / 2 < TONE


def test_blue_steps_are_found_too():
    """Blue paper, cut without a border, lying on white."""
    tablet = Tablet(7, blue=True)
    taken = photo(tablet, View(turn=5, aslant=0.05, **SMALL), seed=6)
    seen = look(taken.picture, list(np.geomspace(1, 60, 7)))
    assert seen.problem is None
    assert list(seen.steps.densities) == sorted(seen.steps.densities)


@pytest.mark.parametrize("kind", ["bare", "print", "chequers", "shelves"])
def test_a_picture_without_a_step_strip_is_refused_with_a_reason(kind):
    """Nothing is read from bare paper, print, chequers or shelves, and it is said what to do."""
    seen = look(
        plain_scene(kind, View(turn=7, falloff=0.2, width=800, height=600), seed=2), [0, 60, 120, 180, 240, 300]
    )
    assert seen.steps is None or seen.problem is not None
    assert not seen.patches
    reason, what_to_do = seen.problem
    assert reason
    assert what_to_do


def test_a_number_of_steps_that_the_tablet_does_not_have_is_refused():
    """Asked for nine, a tablet of six is not cut into nine, nor is a third of it made up."""
    taken = photo(Tablet(6, "oak", "broad black"), View(turn=8, **SMALL), seed=7)
    seen = look(taken.picture, list(np.geomspace(1, 60, 9)))
    assert seen.problem is not None
    assert not seen.patches
