"""HEIC: pixels, turning, colour and damage."""

import numpy as np
import pytest
from PIL import Image, ImageCms

from fairpanel.files.pictures import PictureError, decode, inspect


@pytest.fixture
def scene():
    """(64, 96, 3) uint8, smooth and different in every corner."""
    y, x = np.mgrid[0:64, 0:96]
    return np.stack([40 + x, 200 - 2 * y, 60 + x // 2 + y], axis=-1).astype(np.uint8)


def _exif(orientation):
    exif = Image.Exif()
    exif[274] = orientation
    exif[0x0131] = "18.2"
    exif.get_ifd(0x8769)[0x9003] = "2026:03:05 14:07:09"
    return exif.tobytes()[6:]


def test_pixels_and_facts(scene, heic):
    """Codes come back but for the halved colour; the format is told."""
    upright = decode(heic(scene, exif=_exif(1)), "p.heic")
    assert np.abs(upright.pixels.astype(int) - scene).max() <= 4
    assert upright.facts["format"] == "HEIC"
    assert upright.facts["bits"] == 8
    assert upright.facts["alpha"] == "none"
    assert upright.facts["taken_at"] == "2026-03-05T14:07:09"
    assert upright.facts["software"] == "18.2"
    assert upright.transfer.name == "sRGB"


@pytest.mark.parametrize(("turns", "orientation"), [(0, 1), (3, 6), (2, 3), (1, 8), (3, 1), (0, 6)])
def test_it_is_turned_once(scene, heic, turns, orientation):
    """The file's own turning holds; EXIF, which phones write beside it, does not turn again (ISO/IEC
    23008-12)."""
    upright = decode(heic(scene, quarter_turns=turns, exif=_exif(orientation)), "p.heic")
    expected = np.rot90(scene, turns)
    assert upright.pixels.shape == expected.shape
    assert np.abs(upright.pixels.astype(int) - expected).max() <= 4


def test_colour_by_profile_and_by_number(scene, heic):
    """An ICC profile is honoured, and so are the primaries of ITU-T H.273 (12: Display P3)."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert "sRGB" in decode(heic(scene, profile=profile), "p").transfer.name
    assert decode(heic(scene, primaries=12), "p").transfer.name == "Display P3"
    assert decode(heic(scene, primaries=2), "p").transfer.name == "assumed sRGB"


@pytest.mark.parametrize("share", [0.01, 0.2, 0.6, 0.99])
def test_cut_off(scene, heic, share):
    """Cut anywhere it is refused."""
    data = heic(scene)
    for way in (inspect, decode):
        with pytest.raises(PictureError, match=r"Copy it again|is not a picture"):
            way(data[: int(share * len(data))], "p.heic")


def test_a_header_that_lies(scene, heic):
    """Claims of 20,000 x 20,000, and of a size the coded picture does not have."""
    data = heic(scene)
    at = data.index(b"ispe") + 8
    for width, height in ((20_000, 20_000), (960, 640)):
        claim = width.to_bytes(4, "big") + height.to_bytes(4, "big")
        with pytest.raises(PictureError):
            inspect(data[:at] + claim + data[at + 8 :], "p.heic")


def test_inspection_reads_the_size(scene, heic):
    """As it will be looked at, after turning."""
    header = inspect(heic(scene, quarter_turns=1), "p.heic")
    assert (header.width, header.height) == (64, 96)
