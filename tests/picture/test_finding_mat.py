"""The mat is found wherever it lies, and nowhere else."""

import time

import cv2
import numpy as np
import pytest

from fairpanel.files.pictures import decode
from fairpanel.mat.layout import layout
from fairpanel.picture.finding_mat import MirroredPicture, find_mat, grey_patches


def _grid(page):
    mat = layout(page)
    x, y = np.meshgrid(np.linspace(4, mat.width - 4, 6), np.linspace(4, mat.height - 4, 8))
    return np.stack([x, y], axis=-1).reshape(-1, 2)


def _farthest_mm(found, made, page):
    """Largest error over the page, in millimetres of the mat."""
    grid = _grid(page)
    return np.linalg.norm(found.to_mm(made.to_pixels(grid)) - grid, axis=1).max()


@pytest.mark.parametrize(
    ("page", "how"),
    [
        ("A4", {}),
        ("letter", {"turn": 0.25}),
        ("A4", {"turn": np.pi}),
        ("A4", {"turn": np.pi / 2, "size": (1200, 900), "fill": 1.05}),
        ("letter", {"tilt": (0.35, 0.0), "fill": 0.7}),
        ("A4", {"tilt": (-0.2, 0.3), "turn": -0.15, "fill": 0.7}),
        ("A4", {"uneven": 0.7, "noise": 4.0}),
        ("A4", {"printed_at": 0.95}),
        ("letter", {"printed_at": 0.95, "tilt": (0.1, 0.1)}),
        ("A4", {"radial": 0.03}),
        ("A4", {"radial": -0.04, "tilt": (0.15, 0.1)}),
        ("A4", {"blur_px": 1.6}),
        ("A4", {"size": (1500, 2000), "fill": 0.5}),
    ],
)
def test_millimetres_come_out_within_a_tenth(photo, page, how):
    """Against the known warp: tilt, turn, uneven light, a 95 % print, a lens that bends, softness,
    distance."""
    made = photo(page, **how)
    found = find_mat(made.upright)
    assert found is not None
    assert found.layout.page_name == page
    assert len(found.markers) == 6
    assert _farthest_mm(found, made, page) < 0.1
    assert found.residual_mm < 0.2
    back = found.to_mm(found.to_pixels(_grid(page)))
    assert np.abs(back - _grid(page)).max() < 1e-6


def test_a_bending_lens_is_seen_and_a_straight_one_left_alone(photo):
    """Barrel and pincushion come out near what they are; without, no distortion is invented."""
    for radial in (-0.04, 0.03):
        assert find_mat(photo(radial=radial).upright).radial == pytest.approx(radial, abs=0.008)
    assert abs(find_mat(photo().upright).radial) < 0.005


def test_scale_of_a_scan(page_at_300_dpi, upright):
    """A scan of known resolution tells the print scale: 1 here, 0.95 where it was shrunk."""
    scan = page_at_300_dpi("A4")
    assert find_mat(upright(scan)).print_scale(300) == pytest.approx(1.0, abs=0.0005)
    small = cv2.resize(scan, None, fx=0.95, fy=0.95, interpolation=cv2.INTER_AREA)
    assert find_mat(upright(small)).print_scale(300) == pytest.approx(0.95, abs=0.0005)


def test_16_bit_pictures(page_at_300_dpi, upright):
    """The same page at 16 bit lies at the same place."""
    eight = page_at_300_dpi("letter")
    one, two = find_mat(upright(eight)), find_mat(upright(eight.astype(np.uint16) * 257))
    grid = _grid("letter")
    assert np.abs(one.to_pixels(grid) - two.to_pixels(grid)).max() < 0.05


@pytest.mark.parametrize(
    ("hidden", "within_mm"),
    [((0,), 0.15), ((2,), 0.15), ((0, 5), 0.25), ((1, 3, 4), 0.6)],  # far corners are extrapolated
)
def test_covered_markers(photo, hidden, within_mm):
    """Three markers that span the mat are enough; what is covered is not claimed to be seen."""
    made = photo()
    pixels = made.upright.pixels
    for number in hidden:
        corners = made.to_pixels(layout("A4").markers[number].corners)
        cv2.fillConvexPoly(pixels, np.rint(corners).astype(np.int32), (150, 120, 90))
    found = find_mat(made.upright)
    assert found is not None
    assert set(found.markers) == set(range(6)) - set(hidden)
    assert _farthest_mm(found, made, "A4") < within_mm


@pytest.mark.parametrize("hidden", [(1, 2, 5), (0, 1, 2, 3), range(6)])
def test_too_few_markers_or_all_in_a_row(photo, hidden):
    """Nothing is claimed from a row of markers, from two, or from none."""
    made = photo()
    for number in hidden:
        corners = made.to_pixels(layout("A4").markers[number].corners)
        cv2.fillConvexPoly(made.upright.pixels, np.rint(corners).astype(np.int32), (150, 120, 90))
    assert find_mat(made.upright) is None


def test_a_marker_in_the_wrong_place_is_left_out(photo):
    """A marker cut out and laid elsewhere does not bend the mat."""
    made = photo()
    pixels = made.upright.pixels
    corners = made.to_pixels(layout("A4").markers[4].corners)
    (x0, y0), (x1, y1) = np.floor(corners.min(0)).astype(int) - 4, np.ceil(corners.max(0)).astype(int) + 5
    piece = pixels[y0:y1, x0:x1].copy()
    pixels[y0:y1, x0:x1] = 200
    pixels[y0 - 40 : y1 - 40, x0 + 15 : x1 + 15] = piece
    found = find_mat(made.upright)
    assert found.markers == (0, 1, 2, 3, 5)
    assert _farthest_mm(found, made, "A4") < 0.1


def test_mirrored_pictures_are_refused(photo, upright):
    """Flipped either way, with what to do."""
    pixels = photo(tilt=(0.1, 0.1)).upright.pixels
    for flipped in (pixels[:, ::-1], pixels[::-1]):
        with pytest.raises(MirroredPicture, match=r"photo is mirrored.*without mirroring"):
            find_mat(upright(np.ascontiguousarray(flipped)))


def test_nothing_is_found_in_nothing(upright):
    """White, black, noise."""
    noise = np.random.default_rng(1).integers(0, 255, (900, 1200, 3)).astype(np.uint8)
    for pixels in (np.full_like(noise, 255), np.zeros_like(noise), noise):
        assert find_mat(upright(pixels)) is None


def test_no_mat_is_invented_in_pictures_of_other_markers(real):
    """Open phone pictures of markers of other families, of many equal numbers, and of colour charts."""
    folders = [real / "fiducials", real / "charts" / "small_card_photos"]
    pictures = [p for f in folders for p in sorted(f.rglob("*")) if p.suffix in (".jpg", ".png")]
    assert len(pictures) > 10
    for path in pictures:
        assert find_mat(decode(path.read_bytes(), path.name)) is None, path.name


def test_other_markers_of_our_own_family_are_not_the_mat(upright):
    """Six markers with our numbers, in an arrangement that is not ours."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_ARUCO_MIP_36h12)
    pixels = np.full((900, 1200, 3), 230, np.uint8)
    for number in range(6):
        x, y = 150 + 320 * (number % 3), 200 + 350 * (number // 3)
        pixels[y : y + 80, x : x + 80] = cv2.aruco.generateImageMarker(dictionary, number, 80)[..., None]
    assert find_mat(upright(pixels)) is None


@pytest.mark.parametrize("uneven", [0.0, 0.5])
def test_greys_are_read_relative_to_the_paper_beside_them(photo, uneven):
    """All twelve come out at their level, wherever the light falls off (half a code of rounding allowed)."""
    made = photo("A4", size=(1200, 1600), uneven=uneven, tilt=(0.1, -0.1), noise=1.0)
    patches = grey_patches(find_mat(made.upright), made.upright)
    assert len(patches) == 12
    for patch in patches:
        share = patch.light / patch.paper
        assert share == pytest.approx([patch.grey.level] * 3, rel=0.025)
        assert patch.clipped == 0.0


def test_clipped_greys_say_so(photo):
    """Overexposed paper is counted as clipped."""
    made = photo("A4", noise=0.0)
    bright = made.upright.pixels
    np.copyto(bright, np.clip(bright.astype(int) * 1.4, 0, 255).astype(np.uint8))
    assert min(p.clipped for p in grey_patches(find_mat(made.upright), made.upright)) > 0.2


def test_greys_outside_the_picture_are_left_out(photo, upright):
    """The lowest row is cut off with the foot of the page; the upper one is still read."""
    made = photo("A4")
    cut = int(made.to_pixels(np.array([[100.0, 208.0]]))[0, 1])
    found = find_mat(upright(np.ascontiguousarray(made.upright.pixels[:cut])))
    assert found is not None
    patches = grey_patches(found, upright(made.upright.pixels[:cut]))
    assert {p.grey.y for p in patches} == {22.0}


def test_finding_is_quick(photo):
    """A picture of 3 megapixels in well under a quarter of a second, whatever else the machine does."""
    made = photo("A4", size=(1500, 2000))
    find_mat(made.upright)
    began = time.process_time()
    find_mat(made.upright)
    assert time.process_time() - began < 0.25
