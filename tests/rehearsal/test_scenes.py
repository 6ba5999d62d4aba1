"""What is drawn lies where the true outlines say."""

from __future__ import annotations

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from fairpanel.mat.layout import MARKER_FAMILY, layout
from fairpanel.rehearsal.camera import Camera
from fairpanel.rehearsal.colour import SPACES, decoded
from fairpanel.rehearsal.encoding import FileForm
from fairpanel.rehearsal.exposure import Exposure, Film, Lamp, Patch
from fairpanel.rehearsal.lying import LooseLie, reading_order
from fairpanel.rehearsal.paper import cut_places, draw_paper, draw_sheet, steps_place
from fairpanel.rehearsal.scenes import Shot, loose, on_bed, on_mat
from fairpanel.rehearsal.strips import StripPlan, make_strip
from fairpanel.rehearsal.view import phone_view, projected, scan_view

CLEAR = Camera(blur_px=0.45, grain=0.001)
SHOT = Shot(CLEAR, FileForm("jpeg", 95, full_colour=True), scanned=True, dpi=150.0)
PHONE = replace(SHOT, scanned=False, megapixels=2.0, camera=replace(CLEAR, gradient=(0.1, 0.05)))


@pytest.fixture(scope="module")
def strips():
    """Five half plates and a step strip."""
    rng = np.random.default_rng(8)
    sheet = draw_sheet(rng, draw_paper(rng, half_seconds=60.0), name="s1")
    corners = cut_places(rng)
    made = []
    for i in range(5):
        patches = (
            Patch("glass only", 90.0, length=0.4),
            Patch("product", 90.0, f"P{i}", film=Film(0.35), length=0.6),
        )
        plan = StripPlan(f"k{i}", f"g{i}", patches, sheet, corners[i], Exposure(), width_mm=21.0, length_mm=57.0)
        made.append(make_strip(rng, plan, Lamp()))
    steps = tuple(Patch("step", t) for t in (0, 20, 45, 90, 180))
    plan = StripPlan("st", "", steps, sheet, steps_place(), Exposure(), turned=True, width_mm=21.0, length_mm=140.0)
    return [*made, make_strip(rng, plan, Lamp())]


def _upright(picture) -> np.ndarray:
    with Image.open(io.BytesIO(picture.data)) as opened:
        return np.asarray(ImageOps.exif_transpose(opened)).astype(float)


def _edge_error_px(image: np.ndarray, polygon: np.ndarray, side: tuple[int, int]) -> float:
    """How far from a polygon's side the picture's own edge lies, along the side's middle normal."""
    a, b = polygon[side[0]], polygon[side[1]]
    middle, along = (a + b) / 2, (b - a) / np.hypot(*(b - a))
    inward = polygon.mean(axis=0) - middle
    inward /= np.hypot(*inward)
    away = np.arange(-6, 6.01, 0.25)
    aside = np.linspace(-0.25, 0.25, 21) * np.hypot(*(b - a))
    points = middle + away[:, None, None] * inward + aside[:, None] * along
    red = cv2.remap(image[..., 0].astype(np.float32), points.astype(np.float32), None, cv2.INTER_LINEAR)
    profile = red.mean(axis=1)
    outside, inside = profile[:8].mean(), profile[-8:].mean()
    assert abs(outside - inside) > 0.01, "no edge to be seen here"
    share = (profile - outside) / (inside - outside)
    return float(np.interp(0.5, share[12:-12], away[12:-12]))


@pytest.mark.parametrize("shot", [SHOT, PHONE], ids=["scan", "phone"])
@pytest.mark.parametrize("scale", [1.0, 0.95])
def test_edges_of_strips_and_halves_lie_on_the_true_outlines(strips, shot, scale):
    """The paper's edges to 0.4 px; the soft border between halves to 0.2 mm (paper is not linear in dose)."""
    picture = on_mat(np.random.default_rng(3), strips, stem="x", shot=replace(shot, print_scale=scale))
    image = decoded(_upright(picture) / 255, SPACES["sRGB"])
    assert picture.size == image.shape[1::-1]
    edges = [_edge_error_px(image, picture.outlines["st", 4], side) for side in ((2, 3), (0, 3), (1, 2))]
    borders = [_edge_error_px(image, picture.outlines[f"k{i}", 1], (0, 1)) for i in range(5)]
    assert np.abs(edges).max() < 0.4
    assert np.abs(borders).max() < 0.2 * 150 / 25.4


@pytest.mark.parametrize("page", ["A4", "letter"])
@pytest.mark.parametrize("shot", [SHOT, PHONE], ids=["scan", "phone"])
def test_markers_are_found_and_strips_lie_in_the_cells_the_table_names(strips, page, shot):
    """All six markers are seen, and the plane through them puts every patch inside its cell."""
    mat = layout(page)
    picture = on_mat(np.random.default_rng(6), strips, stem="x", shot=replace(shot, page=page, print_scale=0.95))
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_FAMILY)))
    corners, numbers, _ = detector.detectMarkers(_upright(picture).astype(np.uint8))
    assert sorted(numbers.ravel()) == [m.number for m in mat.markers]
    by_number = {m.number: m.corners for m in mat.markers}
    there = np.concatenate([c[0] for c in corners])
    here = np.concatenate([by_number[int(n)] for n in numbers.ravel()])
    matrix, _ = cv2.findHomography(there, here)
    for row in picture.rows:
        cell = mat.cell(row["box"])
        for index in range(2):
            polygon = picture.outlines.get((row["strip"], index))
            if polygon is None:
                continue
            mm = projected(matrix, polygon)
            assert (mm > [cell.x, cell.y]).all()
            assert (mm < [cell.x + cell.width, cell.y + cell.height]).all()


def test_patches_run_along_the_strip_from_the_cells_start(strips):
    """From the top in an upright cell, from the left in the cell for steps, unless that was turned round."""
    for turned in (False, True):
        picture = on_mat(np.random.default_rng(1), strips, stem="x", shot=SHOT, steps_turned=turned)
        assert picture.outlines["k0", 0][:, 1].mean() < picture.outlines["k0", 1][:, 1].mean()
        first, last = (picture.outlines["st", i][:, 0].mean() for i in (0, 4))
        assert (first < last) is not turned


def test_corners_run_start_left_start_right_end_right_end_left(strips):
    """Clockwise on the screen for every strip, and the first side is the one nearest the strip's start."""
    picture = on_mat(np.random.default_rng(1), strips, stem="x", shot=SHOT)
    for (name, _), polygon in picture.outlines.items():
        x, y = polygon.T
        assert np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)) > 0
        start = picture.papers[name][:2].mean(axis=0)
        near, far = polygon[:2].mean(axis=0), polygon[2:].mean(axis=0)
        assert np.hypot(*(near - start)) < np.hypot(*(far - start))


def test_boxes_in_pixels_are_the_true_outlines(strips):
    """On the bed, without error asked for: to half a pixel, by rounding."""
    picture = on_bed(np.random.default_rng(2), strips, stem="x", shot=replace(SHOT, boxes="pixels"))
    seen: dict[str, int] = {}
    for row in picture.rows:
        index = seen[row["strip"]] = seen.get(row["strip"], -1) + 1
        box = np.array(row["box"].split(), dtype=float).reshape(4, 2)
        assert np.abs(box - picture.outlines[row["strip"], index]).max() <= 0.5


def test_loose_strips_lie_where_the_papers_say(strips):
    """On a dark ground: as many light areas as strips, with the same middles, within 2 px."""
    lie = LooseLie(ground="dark", turn_deg=10.0)
    single = strips[:4] + strips[5:]
    picture = loose(np.random.default_rng(5), single, stem="x", shot=replace(PHONE, boxes="empty"), lie=lie)
    image = _upright(picture)
    light = (image[..., 2] > 110).astype(np.uint8)
    light = cv2.morphologyEx(light, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    _, _, stats, middles = cv2.connectedComponentsWithStats(light)
    found = middles[1:][stats[1:, cv2.CC_STAT_AREA] > 3000]
    assert len(found) == len(single)
    for paper in picture.papers.values():
        middle = _area_middle(paper)
        assert np.hypot(*(found - middle).T).min() < 2.0


def _area_middle(polygon: np.ndarray) -> np.ndarray:
    moments = cv2.moments(polygon.astype(np.float32))
    return np.array([moments["m10"], moments["m01"]]) / moments["m00"]


def test_rows_of_loose_strips_stand_in_reading_order(strips):
    """Rows from the top, left to right within a row, by the true outlines."""
    for seed in range(2):
        lie = LooseLie(any_way_up=seed % 2 == 1)
        picture = loose(np.random.default_rng(seed), strips, stem="x", shot=replace(PHONE, boxes="empty"), lie=lie)
        names = list(dict.fromkeys(row["strip"] for row in picture.rows))
        order, clearance = reading_order([picture.papers[n] for n in names])
        assert order == list(range(len(names)))
        assert clearance > 0.12
        assert all(row["box"] == "" for row in picture.rows)


def test_reading_order_of_two_rows_that_lean():
    """The lower row begins where a centre leaves the height of the topmost strip of the upper row."""
    strip = np.array([[0, 0], [20, 0], [20, 60], [0, 60]], dtype=float)
    papers = [strip + np.array(at) for at in ([50, 12], [0, 0], [60, 75], [5, 70])]
    assert reading_order(papers)[0] == [1, 0, 3, 2]


def test_touching_strips_touch_and_a_cut_off_strip_leaves_the_frame(strips):
    """Two papers lie within half a millimetre of each other; one is partly outside and its truth says so."""
    shot = replace(PHONE, boxes="empty")
    touching = loose(np.random.default_rng(1), strips, stem="x", shot=shot, lie=LooseLie(touching=True))
    first, second = touching.papers["k0"], touching.papers["k1"]
    gap = min(cv2.pointPolygonTest(first.astype(np.float32), (float(x), float(y)), True) for x, y in second)
    assert max(cv2.pointPolygonTest(first.astype(np.float32), (float(x), float(y)), True) for x, y in second) > -5
    assert gap < 0
    cut = loose(np.random.default_rng(1), strips, stem="x", shot=shot, lie=LooseLie(cut_off=True))
    outside = [t["strip"] for t in cut.truth if t["cut_off"]]
    assert len(outside) == 1
    paper = cut.papers[outside[0]]
    assert paper[:, 0].min() < 0 < paper[:, 0].max()
    assert not any(t["cut_off"] for t in touching.truth)


def test_more_strips_than_cells_are_refused(strips):
    """The message says what to do."""
    with pytest.raises(ValueError, match="another mat"):
        on_mat(np.random.default_rng(0), [strips[0]] * 13, stem="x", shot=SHOT)


def test_a_bulging_view_leads_to_pixels_and_back():
    """Millimetres to pixels and back, to a thousandth of a millimetre."""
    corners = np.array([[0, 0], [210, 0], [210, 297], [0, 297.0]])
    for seed in range(5):
        rng = np.random.default_rng(seed)
        view = phone_view(rng, corners_mm=corners, megapixels=3.0, bulge=0.01)
        assert np.abs(view.to_millimetres(view.to_pixels(corners)) - corners).max() < 1e-3
        inside = view.to_pixels(corners)
        assert (inside > -0.5).all()
        assert (inside < np.array(view.size) - 0.5).all()


def test_a_scan_is_true_to_scale():
    """100 mm at 254 dpi are 1000 px."""
    corners = np.array([[0, 0], [210, 0], [210, 297], [0, 297.0]])
    view = scan_view(np.random.default_rng(0), corners_mm=corners, dpi=254.0)
    a, b = view.to_pixels(np.array([[10.0, 10.0], [110.0, 10.0]]))
    assert np.hypot(*(b - a)) == pytest.approx(1000.0)
