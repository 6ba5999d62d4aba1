"""Profiles and picture files of made pictures, checked with Pillow, LittleCMS and OpenCV."""

from __future__ import annotations

import io
import struct

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms, ImageOps

from fairpanel.rehearsal.colour import SPACES, WORKING, decoded, encoded, from_working, profile
from fairpanel.rehearsal.encoding import FileForm, picture_bytes

# Colourants: sRGB as LittleCMS 2 makes it; Display P3 and Adobe RGB (1998) as in common use, from memory.
COLOURANTS = {
    "sRGB": ((0.4360, 0.2225, 0.0139), (0.3851, 0.7169, 0.0971), (0.1431, 0.0606, 0.7139)),
    "Display P3": ((0.5151, 0.2412, -0.0011), (0.2919, 0.6922, 0.0419), (0.1571, 0.0666, 0.7841)),
    "Adobe RGB (1998)": ((0.6097, 0.3111, 0.0195), (0.2053, 0.6257, 0.0609), (0.1492, 0.0632, 0.7446)),
}


def _colourant(data: bytes, signature: bytes) -> tuple[float, ...]:
    for i in range(struct.unpack(">I", data[128:132])[0]):
        name, offset, _ = struct.unpack(">4sII", data[132 + 12 * i : 144 + 12 * i])
        if name == signature:
            return tuple(v / 65536 for v in struct.unpack(">3i", data[offset + 8 : offset + 20]))
    raise KeyError(signature)


@pytest.mark.parametrize("name", SPACES)
def test_profile_has_the_published_colourants(name):
    """To within 0.00015: the sources print four decimals."""
    data = profile(name)
    for signature, published in zip((b"rXYZ", b"gXYZ", b"bXYZ"), COLOURANTS[name]):
        assert np.allclose(_colourant(data, signature), published, atol=1.5e-4)


@pytest.mark.parametrize("name", SPACES)
def test_profile_decodes_in_littlecms_as_our_own_curve_and_matrix_do(name):
    """Codes to XYZ by LittleCMS and by our own arithmetic agree; 1/400 allows for its 8-bit Lab."""
    own = ImageCms.ImageCmsProfile(io.BytesIO(profile(name)))
    assert ImageCms.getProfileDescription(own).strip() == name
    codes = np.array([[[200, 30, 60], [40, 160, 90], [20, 60, 140], [128, 128, 128], [250, 250, 250]]], np.uint8)
    srgb = ImageCms.createProfile("sRGB")
    there = ImageCms.buildTransform(own, srgb, "RGB", "RGB", renderingIntent=1)
    seen = np.asarray(ImageCms.applyTransform(Image.fromarray(codes), there)).astype(float)
    linear = decoded(codes / 255, SPACES[name]) @ np.linalg.inv(from_working(name)).T @ from_working("sRGB").T
    expected = 255 * encoded(linear, SPACES["sRGB"])
    inside = (linear > 0.001) & (linear < 0.999)
    assert np.abs(seen - expected)[inside].max() <= 1.5


def test_srgb_decoding_at_published_codes():
    """IEC 61966-2-1: code 10 of 255 lies on the straight part, 10/255/12.92; code 188 decodes to 0.5029."""
    assert decoded(np.array(10 / 255), WORKING) == pytest.approx(10 / 255 / 12.92)
    assert decoded(np.array(188 / 255), WORKING) == pytest.approx(0.5029, abs=5e-5)


def test_dark_prussian_blue_lies_outside_srgb_but_inside_the_working_space():
    """So the red of an sRGB picture clips first, as in life; Adobe RGB holds it a little longer than sRGB."""
    blue = np.array([0.04, 0.26, 0.55])
    assert (from_working("sRGB") @ blue)[0] < 0.0
    assert (from_working("Display P3") @ blue)[0] == pytest.approx(0.04)


def _picture(bits: int) -> np.ndarray:
    rng = np.random.default_rng(5)
    top = (1 << bits) - 1
    broad = cv2.resize(rng.uniform(0.2, 0.8, (6, 4, 3)), (40, 64), interpolation=cv2.INTER_CUBIC)
    return np.round(np.clip(broad, 0, 1) * top).astype(np.uint8 if bits == 8 else np.uint16)


@pytest.mark.parametrize("kind", ["png", "tiff"])
@pytest.mark.parametrize("bits", [8, 16])
def test_png_and_tiff_keep_every_code_and_the_profile(kind, bits):
    """Read back by OpenCV (codes) and Pillow (profile, resolution)."""
    codes = _picture(bits)
    data = picture_bytes(codes, space="Adobe RGB (1998)", form=FileForm(kind, dpi=200.0))
    read = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)[..., ::-1]
    assert read.dtype == codes.dtype
    assert np.array_equal(read, codes)
    with Image.open(io.BytesIO(data)) as opened:
        assert opened.info["icc_profile"] == profile("Adobe RGB (1998)")
        assert float(opened.info["dpi"][0]) == pytest.approx(200, abs=0.1)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_jpeg_of_every_orientation_is_seen_upright(orientation):
    """Pillow's own turning gives back the upright picture; 6 codes allow for JPEG."""
    codes = _picture(8)
    data = picture_bytes(codes, space="sRGB", form=FileForm("jpeg", 95, True, orientation=orientation))
    with Image.open(io.BytesIO(data)) as opened:
        assert opened.getexif()[0x0112] == orientation
        upright = np.asarray(ImageOps.exif_transpose(opened)).astype(int)
    assert upright.shape == codes.shape
    assert np.abs(upright - codes).mean() < 2
    assert np.abs(upright - codes).max() < 25


def test_untagged_files_are_srgb_only():
    """A profile is never left out where its absence would change the colours."""
    codes = _picture(8)
    for space, tagged in (("sRGB", False), ("Display P3", True)):
        data = picture_bytes(codes, space=space, form=FileForm("jpeg", tagged=False))
        with Image.open(io.BytesIO(data)) as opened:
            assert ("icc_profile" in opened.info) is tagged


def test_a_sixteen_bit_jpeg_is_refused():
    """The message says what to ask for."""
    with pytest.raises(ValueError, match="PNG or TIFF"):
        picture_bytes(_picture(16), space="sRGB", form=FileForm("jpeg"))
