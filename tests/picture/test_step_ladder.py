"""Step tablets and test strips of other people, photographed: each step is found where it lies."""

import cv2
import numpy as np
import pytest

from fairpanel.methods.uv_strip.quick_look import look
from fairpanel.picture.colour import SRGB, transfer
from fairpanel.picture.finding_strips import find_strips
from fairpanel.picture.ground import tones
from fairpanel.picture.step_ladder import find_ladder

KINDS = ["light_box", "printed_card", "brushed_strips", "filling", "parted", "plain_blue"]


def in_steps(points, corners, steps):
    """Points of the picture along (0 to the number of steps) and across (0 to 1) a strip."""
    flat = np.array([[0, 0], [0, 1], [steps, 1], [steps, 0]], np.float32)
    matrix = cv2.getPerspectiveTransform(np.asarray(corners, np.float32), flat)
    return cv2.perspectiveTransform(np.asarray(points, float).reshape(1, -1, 2), matrix)[0]


@pytest.mark.parametrize("kind", KINDS)
def test_every_step_of_a_photographed_tablet_is_measured_where_it_lies(elsewhere, kind):
    """One patch for each step, in order, within a fifth of a step; nothing else is taken for a strip."""
    taken = elsewhere(kind, 100)
    seen = look(taken.picture, list(np.geomspace(1, 64, taken.steps)))
    assert seen.problem is None
    assert len(seen.strips) == len(taken.strips)
    quads = seen.outlines[seen.steps.name]
    places = in_steps(quads, taken.strips[0], taken.steps)[:, 0].reshape(-1, 4)
    low, high = np.sort(places.min(axis=1)), np.sort(places.max(axis=1))
    steps = np.arange(taken.steps)
    assert np.all(low > steps - 0.2)
    assert np.all(high < steps + 1.2)
    assert list(seen.steps.densities) == sorted(seen.steps.densities) or "clipped" in seen.steps.flags


def test_a_ladder_is_found_by_its_edges_alone(elsewhere):
    """The outline of a wedge that nothing sets apart from its film lies within a fifth of a step at both ends."""
    taken = elsewhere("light_box", 7)
    ladder = find_ladder(tones(taken.picture.pixels, taken.picture.transfer), taken.steps)
    places = np.sort(in_steps(ladder.corners, taken.strips[0], taken.steps)[:, 0])
    assert np.abs(places - [0, 0, taken.steps, taken.steps]).max() < 0.2


@pytest.mark.parametrize("steps", [5, 14])
@pytest.mark.parametrize("kind", ["noise", "wood", "gradient", "text"])
def test_no_ladder_is_seen_where_there_is_none(kind, steps):
    """Noise, planks, uneven light and lines of print are no ladder, whatever number of steps is asked for."""
    rng = np.random.default_rng(3)
    pixels = {
        "noise": rng.integers(0, 256, (500, 700, 3)),
        "wood": 120 + 25 * np.repeat(rng.standard_normal((500, 1, 1)).cumsum(0) / 9, 700, axis=1) * np.ones(3),
        "gradient": np.linspace(30, 240, 700)[None, :, None] * np.ones((500, 1, 3)),
        "text": np.full((500, 700, 3), 235),
    }[kind]
    pixels = np.clip(pixels, 0, 255).astype(np.uint8)
    if kind == "text":
        for y in range(30, 490, 30):
            cv2.putText(pixels, "lines of plain print 0123456789", (10, y), cv2.FONT_HERSHEY_SIMPLEX, 0.9, (20,) * 3, 2)
    assert find_ladder(tones(pixels, transfer(SRGB)), steps) is None


def test_strips_beside_a_tablet_stay_when_it_is_looked_for_by_its_ladder(elsewhere):
    """Asking for steps adds the step strip; the other strips lie where they lay."""
    taken = elsewhere("plain_blue", 3)
    for other in taken.strips[1:]:
        found = find_strips(taken.picture, steps=taken.steps)
        assert min(np.abs(one.outline.mean(axis=0) - other.mean(axis=0)).max() for one in found) < 6
