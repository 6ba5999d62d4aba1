"""Edges of patches, rims and the number of patches, on made strips with known answers."""

import cv2
import numpy as np
import pytest

from fairpanel.picture.change_points import best_runs
from fairpanel.picture.patch_edges import (
    count_patches,
    direction_by_tones,
    find_patches,
    profile_of,
    strip_tones,
)
from fairpanel.picture.quadrilaterals import in_reading_direction, placed, straightened
from fairpanel.picture.upright import Transfer, Upright

LINEAR = Transfer(np.repeat(np.linspace(0, 1, 256, dtype=np.float32)[:, None] ** 2.2, 3, axis=1), np.eye(3), "plain")
LENGTH, WIDTH, MARGIN = 480, 100, 20
OUTLINE = np.array(
    [[MARGIN, MARGIN], [MARGIN, MARGIN + WIDTH], [MARGIN + LENGTH, MARGIN + WIDTH], [MARGIN + LENGTH, MARGIN]]
)
OUTLINE = OUTLINE - 0.5


def strip(codes, edges, *, soft=4.0, noise=2.0, streak=0.0, rim=0, slope=0.0, seed=1):
    """A level strip on black whose patches meet at shares `edges` of its length; codes of 255."""
    rng = np.random.default_rng(seed)
    x = np.arange(LENGTH) + 0.5
    tone = np.full(LENGTH, float(codes[0]))
    inner = LENGTH - 2 * rim
    for edge, before, after in zip(edges, codes[:-1], codes[1:], strict=True):
        tone += (after - before) / (1 + np.exp(-(x - rim - edge * inner) / soft * 2))
    paper = np.repeat(tone[None], WIDTH, axis=0)
    if rim:
        paper[:rim], paper[-rim:], paper[:, :rim], paper[:, -rim:] = 235, 235, 235, 235
    paper = paper + slope * np.linspace(-1, 1, WIDTH)[:, None]
    paper = paper * (1 + streak * cv2.GaussianBlur(rng.standard_normal((WIDTH, LENGTH)), (0, 0), 8) * 20)
    picture = np.full((WIDTH + 2 * MARGIN, LENGTH + 2 * MARGIN), 12.0)
    picture[MARGIN:-MARGIN, MARGIN:-MARGIN] = paper
    picture += noise * rng.standard_normal(picture.shape)
    pixels = np.clip(np.round(picture), 0, 255).astype(np.uint8)
    return Upright("made.png", "0" * 64, np.repeat(pixels[..., None], 3, axis=2), LINEAR, {})


UNEQUAL = np.array([0.15, 0.4, 0.55, 0.85])


@pytest.mark.parametrize("streak", [0.0, 0.03])
def test_edges_of_unequal_patches_are_found(streak):
    """Five patches of unequal width: edges within 0.4 % of the length, all of them certain."""
    found = find_patches(strip([230, 180, 140, 110, 90], UNEQUAL, streak=streak), OUTLINE, 5)
    assert np.all(found.certain)
    assert np.abs(found.edges - UNEQUAL).max() < 0.004
    assert found.visible == 5


def test_a_soft_edge_lies_where_half_of_the_change_is():
    """A card's shadow 10 % of a patch wide does not move the edge."""
    found = find_patches(strip([220, 100], [0.45], soft=10.0), OUTLINE, 2)
    assert abs(found.edges[0] - 0.45) < 0.004


def test_an_edge_that_cannot_be_seen_is_evenly_spaced_and_uncertain():
    """Three of five patches look alike: their edges take even places and are said to be uncertain."""
    found = find_patches(strip([220, 170, 120, 120, 120], [0.2, 0.4, 0.6, 0.8]), OUTLINE, 5)
    assert found.certain.tolist() == [True, True, False, False]
    assert np.abs(found.edges - [0.2, 0.4, 0.6, 0.8]).max() < 0.01
    assert found.visible == 3


def test_a_half_plate_that_does_nothing_is_cut_in_the_middle():
    """Two halves of one tone: the edge is the middle, uncertain."""
    found = find_patches(strip([120, 120], [0.5]), OUTLINE, 2)
    assert not found.certain[0]
    assert abs(found.edges[0] - 0.5) < 0.01


@pytest.mark.parametrize("n", [1, 2, 4])
def test_an_unexposed_rim_is_cut_away_all_round(n):
    """A white rim 15 pixels wide is left out at sides and ends; no more than 5 pixels of the patches are."""
    codes = [150, 90, 130, 70][:n]
    picture = strip(codes, np.arange(1, n) / n, rim=15)
    found = find_patches(picture, OUTLINE, n)
    cut = [found.start * LENGTH, (1 - found.end) * LENGTH, found.left * WIDTH, (1 - found.right) * WIDTH]
    assert min(cut) > 13.5
    assert max(cut) < 20


def test_without_a_rim_nothing_is_cut_away():
    """A plain strip in slightly uneven light keeps nearly all of its paper."""
    found = find_patches(strip([220, 150, 100], [0.3, 0.7], slope=6.0), OUTLINE, 3)
    assert found.start == 0
    assert found.end == 1
    assert found.left < 0.05
    assert found.right > 0.95


def test_an_outline_that_is_too_large_is_trimmed():
    """Black ground within the outline is left out; the outline is never grown."""
    wide = OUTLINE + np.array([[-8, -6], [-8, 6], [8, 6], [8, -6]])
    found = find_patches(strip([200, 120], [0.5]), wide, 2)
    assert found.quads[0, 0, 0] > MARGIN - 2
    assert found.quads[1, 2, 0] < MARGIN + LENGTH + 2
    assert found.quads[0, :, 1].min() > MARGIN - 2


def test_patches_follow_a_turned_and_slanted_outline():
    """The corners of neighbouring patches coincide and lie inside the outline, start first."""
    quad = np.array([[60.0, 40], [42, 95], [380, 200], [400, 130]])
    picture = strip([128], [])
    found = find_patches(picture, quad, 3)
    assert np.allclose(found.quads[0, 3], found.quads[1, 0], atol=1e-3)
    assert np.allclose(found.quads[1, 2], found.quads[2, 1], atol=1e-3)
    inside = [
        cv2.pointPolygonTest(quad.astype(np.float32), tuple(map(float, p)), True) for p in found.quads.reshape(-1, 2)
    ]
    assert min(inside) > -0.5


@pytest.mark.parametrize("n", [1, 2, 5, 10, 21])
def test_patches_are_counted(n):
    """One to twenty-one patches of a few units of tone each."""
    picture = strip(list(np.linspace(225, 40, n)), np.arange(1, n) / n, soft=2.0)
    counted, score = count_patches(profile_of(strip_tones(picture, OUTLINE)))
    assert counted == n
    assert 0.4 < score <= 1


def test_uneven_light_makes_no_patches():
    """A slow fall of light by a tenth along a plain strip is one patch."""
    counted, _ = count_patches(
        np.linspace(80, 76, 200)[:, None] * np.ones(3) + np.random.default_rng(1).normal(0, 0.3, (200, 3))
    )
    assert counted == 1


def test_too_small_an_outline_is_refused_with_a_reason():
    """Twenty patches cannot be told apart on forty pixels."""
    small = np.array([[20.0, 20], [20, 40], [60, 40], [60, 20]])
    with pytest.raises(ValueError, match="too small for 20 patches"):
        find_patches(strip([128], []), small, 20)


def test_direction_by_tones():
    """Rising, falling, both ways, and one patch."""
    grey = np.ones(3)
    assert direction_by_tones(np.outer([90, 60, 40], grey)) == "darkens"
    assert direction_by_tones(np.outer([20, 40, 39.8, 60], grey)) == "lightens"
    assert direction_by_tones(np.outer([20, 60, 30], grey)) is None
    assert direction_by_tones(np.outer([20], grey)) is None


def test_best_partition_agrees_with_trying_every_one():
    """The dynamic programme finds the least squares partition: all pairs of edges tried one by one."""
    rng = np.random.default_rng(3)
    profile = np.concatenate([rng.normal(level, 1.0, (length, 1)) for level, length in ((50, 14), (60, 20), (45, 16))])
    runs = best_runs(profile, 3)

    def left(edges):
        return sum(np.var(part) * len(part) for part in np.split(profile, edges))

    tried = min(((left((a, b)), (a, b)) for a in range(3, 44) for b in range(a + 3, 47)), key=lambda pair: pair[0])
    assert np.abs(runs.edges[1:-1] - tried[1]).max() <= 1


def test_a_strip_is_laid_straight_from_its_start():
    """Row 0 of the straightened strip is its start; its left side comes first in each row."""
    y, x = np.mgrid[0:200, 0:300]
    picture = np.stack([x, y], axis=-1).astype(np.float32)
    quad = in_reading_direction(np.array([[40.0, 150], [240, 150], [240, 110], [40, 110]]))
    laid = straightened(picture, quad, across=4, along=20)
    assert np.allclose(laid[0, 0], [45, 115], atol=0.6)
    assert np.allclose(laid[-1, -1], [235, 145], atol=0.6)


def test_shares_go_to_the_picture_and_corners_to_corners():
    """The four unit corners are the four corners of the outline."""
    quad = np.array([[10.0, 10], [12, 60], [200, 70], [190, 15]])
    assert np.allclose(placed([[0, 0], [1, 0], [1, 1], [0, 1]], quad), quad, atol=1e-3)


@pytest.mark.parametrize("turn", range(4))
@pytest.mark.parametrize("mirrored", [False, True])
def test_reading_direction_does_not_depend_on_the_order_of_corners(turn, mirrored):
    """A level strip starts at its upper left corner, an upright one at its upper right corner."""
    level = np.array([[10.0, 10], [10, 30], [90, 32], [90, 12]])
    upright = np.array([[30.0, 10], [10, 10], [12, 90], [32, 90]])
    for quad in (level, upright):
        given = np.roll(quad[::-1] if mirrored else quad, turn, axis=0)
        assert np.array_equal(in_reading_direction(given), quad)
