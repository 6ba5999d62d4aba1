"""Pictures for publications hold pixels and nothing else."""

import io

import numpy as np
import pytest
from PIL import Image

from fairpanel.files.pictures import clean_jpeg, clean_png, decode


@pytest.fixture
def crop():
    """(70, 90, 3) uint8, smooth."""
    y, x = np.mgrid[0:70, 0:90]
    return np.stack([x * 2, y * 3, 255 - x - y], axis=-1).astype(np.uint8)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_png_comes_back_exactly(crop, dtype):
    """8 and 16 bit, colour and grey, and said to be sRGB."""
    pixels = crop.astype(dtype) * (1 if dtype == np.uint8 else 251)
    assert np.array_equal(decode(clean_png(pixels), "p").pixels, pixels)
    assert np.array_equal(decode(clean_png(pixels[..., 0]), "p").pixels[..., 1], pixels[..., 0])
    assert Image.open(io.BytesIO(clean_png(pixels))).info["srgb"] == 0


def test_png_holds_only_allowed_chunks(crop):
    """Names of the chunks, one by one."""
    data, at, names = clean_png(crop, say_srgb=False), 8, []
    while at < len(data):
        names.append(data[at + 4 : at + 8])
        at += 12 + int.from_bytes(data[at : at + 4], "big")
    assert set(names) == {b"IHDR", b"IDAT", b"IEND"}


def test_jpeg_holds_no_metadata(crop):
    """No EXIF, no comment, no profile, no thumbnail: only the frame every JPEG has (ITU-T T.81, T.871)."""
    data, at, names = clean_jpeg(crop, quality=92), 2, []
    while data[at + 1] != 0xDA:
        names.append(data[at + 1])
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    assert set(names) <= {0xE0, 0xDB, 0xC0, 0xC4}
    assert np.abs(decode(data, "p").pixels.astype(int) - crop).max() < 12


def test_nothing_of_the_original_is_carried_over(crop):
    """A picture with place, serial number and a comment is clean after decoding and writing again."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0131] = "Maker-77", "Program-77"
    exif.get_ifd(0x8825)[2] = (48.0, 8.0, 15.0)
    out = io.BytesIO()
    Image.fromarray(crop).save(out, "JPEG", exif=exif, comment=b"secret-77")
    assert b"77" in out.getvalue()
    pixels = decode(out.getvalue(), "p").pixels
    for clean in (clean_jpeg(pixels), clean_png(pixels)):
        assert not Image.open(io.BytesIO(clean)).getexif()
        assert b"er-77" not in clean
        assert b"am-77" not in clean


def test_same_pixels_same_bytes(crop):
    """Written twice, equal to the last byte."""
    assert clean_png(crop) == clean_png(crop.copy())
    assert clean_jpeg(crop) == clean_jpeg(crop.copy())
