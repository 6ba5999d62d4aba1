"""Steps that broad lines part, on profiles made by hand."""

import numpy as np
import pytest

from fairpanel.picture.parted_steps import parted_steps


def _profile(tones, *, step=20, line=6, dark=10.0, rim=9, narrower=0.0):
    """Tones parted by lines of one tone, with a rim of that tone at both ends; steps may get narrower. (m, 3)"""
    parts, places, at = [np.full(rim, dark)], [], rim
    for k, tone in enumerate(tones):
        long = round(step * (1 - narrower * k / len(tones)))
        places.append((at, at + long))
        parts += [np.full(long, float(tone)), np.full(line, dark)]
        at += long + line
    light = np.concatenate([*parts[:-1], np.full(rim, dark)])
    light = light + np.random.default_rng(1).normal(0, 0.4, len(light))
    return np.repeat(light[:, None], 3, axis=1), np.array(places, float)


@pytest.mark.parametrize("narrower", [0.0, 0.2])
def test_steps_between_lines_are_found_from_end_to_end(narrower):
    """Every step's ends within a sixth of a step, seen straight or aslant, the darkest as dark as the lines."""
    profile, places = _profile([90, 75, 60, 45, 30, 14], narrower=narrower)
    found = parted_steps(profile, 6)
    assert np.abs(found.first - places[:, 0]).max() < 20 / 6
    assert np.abs(found.last - places[:, 1]).max() < 20 / 6


def test_steps_without_lines_are_left_to_others():
    """A plain staircase has no lines."""
    profile, _ = _profile([90, 75, 60, 45, 30, 14], line=0, rim=0)
    assert parted_steps(profile, 6) is None


def test_patches_that_go_up_and_down_are_no_steps():
    """Parted patches whose tones do not run one way are not taken for steps."""
    profile, _ = _profile([90, 30, 70, 45, 80, 14])
    assert parted_steps(profile, 6) is None


@pytest.mark.parametrize("n", [5, 7, 8])
def test_another_number_of_steps_does_not_fit(n):
    """Six steps are not told as five, seven or eight."""
    profile, _ = _profile([90, 75, 60, 45, 30, 20])
    assert parted_steps(profile, n) is None
