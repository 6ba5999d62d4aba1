"""Pictures of every kind come out upright, exact and with their way to light."""

import io
import struct

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms

from fairpanel.files.pictures import decode, inspect
from fairpanel.picture.colour import srgb_to_linear

HEIGHT, WIDTH = 80, 120


@pytest.fixture
def scene():
    """(80, 120, 3) uint8: smooth, coloured, and different in every corner."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    return np.stack([40 + x, 200 - y, 30 + x // 2 + y], axis=-1).astype(np.uint8)


@pytest.fixture
def deep_scene():
    """(80, 120, 3) uint16 with odd low bytes."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    return np.stack([500 * x + 13 * y, 701 * y + x, 60000 - 331 * x - 7 * y], axis=-1).astype(np.uint16)


def _saved(image: Image.Image, kind: str, **settings) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **settings)
    return out.getvalue()


def _oriented(number: int) -> Image.Exif:
    exif = Image.Exif()
    exif[274] = number
    return exif


#: The stored picture of an upright one `p`, by the 8 cases of CIPA DC-008.
_STORED = {
    1: lambda p: p,
    2: lambda p: p[:, ::-1],
    3: lambda p: p[::-1, ::-1],
    4: lambda p: p[::-1],
    5: lambda p: p.swapaxes(0, 1),
    6: lambda p: p.swapaxes(0, 1)[::-1],
    7: lambda p: p.swapaxes(0, 1)[::-1, ::-1],
    8: lambda p: p.swapaxes(0, 1)[:, ::-1],
}


@pytest.mark.parametrize("number", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_every_exif_orientation_comes_out_upright(scene, kind, number):
    """Row 0 and column 0 of the file lie where the tag says (CIPA DC-008-2023, tag 274, from memory)."""
    stored = Image.fromarray(np.ascontiguousarray(_STORED[number](scene)))
    settings = {"JPEG": {"quality": 98, "subsampling": 0}, "WEBP": {"lossless": True}}.get(kind, {})
    upright = decode(_saved(stored, kind, exif=_oriented(number), **settings), "p")
    assert upright.pixels.shape == scene.shape
    assert np.abs(upright.pixels.astype(int) - scene).max() <= (6 if kind == "JPEG" else 0)


@pytest.mark.parametrize("number", [1, 3, 6])
def test_16_bit_tiff_is_turned_once(deep_scene, number):
    """The TIFF decoder turns by itself; it must not happen twice."""
    stored = np.ascontiguousarray(_STORED[number](deep_scene))
    upright = decode(_plain_tiff(stored, orientation=number), "p.tif")
    assert np.array_equal(upright.pixels, deep_scene)


@pytest.mark.parametrize("kind", [".png", ".tiff"])
def test_16_bit_pixels_are_exact(deep_scene, kind):
    """All 16 bits of every channel arrive, in the order red, green, blue."""
    upright = decode(cv2.imencode(kind, deep_scene[..., ::-1])[1].tobytes(), "deep")
    assert upright.pixels.dtype == np.uint16
    assert np.array_equal(upright.pixels, deep_scene)
    assert upright.facts["bits"] == 16
    assert upright.top_code == 65535
    assert upright.transfer.table.shape == (65536, 3)


@pytest.mark.parametrize(("order", "white_is_zero"), [("<", False), (">", False), ("<", True)])
def test_16_bit_grey_tiff(deep_scene, order, white_is_zero):
    """Either byte order, and scanners that store white as zero."""
    grey = deep_scene[..., 0]
    stored = (65535 - grey if white_is_zero else grey).astype(np.uint16)
    upright = decode(_plain_tiff(stored, order=order, photometric=0 if white_is_zero else 1), "p.tif")
    assert np.array_equal(upright.pixels, np.repeat(grey[..., None], 3, axis=2))
    assert upright.facts["grey"] is True


def _plain_tiff(pixels, *, order="<", photometric=None, orientation=1):
    """A TIFF 6.0 file of one strip, without compression."""
    height, width = pixels.shape[:2]
    channels = 1 if pixels.ndim == 2 else pixels.shape[2]
    body = pixels.astype(pixels.dtype.newbyteorder(order)).tobytes()
    bits = [8 * pixels.itemsize] * channels
    photometric = photometric if photometric is not None else (2 if channels > 2 else 1)
    tags = [
        (256, "I", [width]),
        (257, "I", [height]),
        (258, "H", bits),
        (259, "H", [1]),
        (262, "H", [photometric]),
        (273, "I", [8]),
        (274, "H", [orientation]),
        (277, "H", [channels]),
        (278, "I", [height]),
        (279, "I", [len(body)]),
    ]
    after = 8 + len(body) + 2 + 12 * len(tags) + 4
    entries, extra = b"", b""
    for tag, letter, values in tags:
        value = struct.pack(f"{order}{len(values)}{letter}", *values)
        if len(value) > 4:
            value, extra = struct.pack(order + "I", after + len(extra)), extra + value
        entries += struct.pack(order + "HHI", tag, 3 if letter == "H" else 4, len(values)) + value.ljust(4, b"\0")
    magic = b"II*\0" if order == "<" else b"MM\0*"
    head = magic + struct.pack(order + "I", 8 + len(body)) + body
    return head + struct.pack(order + "H", len(tags)) + entries + bytes(4) + extra


@pytest.mark.parametrize(
    ("mode", "kinds"),
    [
        ("L", ("PNG", "TIFF", "JPEG", "BMP")),
        ("1", ("PNG", "TIFF", "BMP")),
        ("LA", ("PNG", "TIFF")),
        ("P", ("PNG", "TIFF", "BMP")),
        ("RGBA", ("PNG", "TIFF")),
    ],
)
def test_kinds_of_8_bit_pixels(scene, mode, kinds):
    """Grey gets three channels, a palette is expanded, opaque alpha is dropped; the facts say so."""
    image = Image.fromarray(scene).convert(mode)
    for kind in kinds:
        settings = {"WEBP": {"lossless": True}, "JPEG": {"quality": 100}}.get(kind, {})
        upright = decode(_saved(image, kind, **settings), "p")
        wanted = np.asarray(image.convert("RGB")).astype(int)
        assert np.abs(upright.pixels - wanted).max() <= (1 if kind == "JPEG" else 0), kind
        assert upright.facts["grey"] is (mode in ("L", "1", "LA")), kind
        assert upright.facts["palette"] is (mode == "P"), kind
        assert upright.facts["alpha"] == ("opaque" if mode.endswith("A") else "none"), kind


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP"])
def test_varying_alpha_is_laid_on_white(scene, kind):
    """A wholly transparent pixel is white, a half one lies half way."""
    alpha = np.full((HEIGHT, WIDTH, 1), 255, np.uint8)
    alpha[:10], alpha[10:20] = 0, 128
    image = Image.fromarray(np.concatenate([scene, alpha], axis=2))
    upright = decode(_saved(image, kind, **({"lossless": True, "exact": True} if kind == "WEBP" else {})), "p")
    assert upright.facts["alpha"] == "varying"
    assert (upright.pixels[:10] == 255).all()
    half = 255 - (255 - scene[10:20].astype(float)) * 128 / 255
    assert np.abs(upright.pixels[10:20] - half).max() <= 1
    assert np.array_equal(upright.pixels[20:], scene[20:])


def test_16_bit_alpha(deep_scene):
    """Opaque 16-bit alpha is dropped without a trace in the pixels."""
    opaque = np.full((HEIGHT, WIDTH, 1), 65535, np.uint16)
    upright = decode(cv2.imencode(".png", np.concatenate([deep_scene[..., ::-1], opaque], 2))[1].tobytes(), "p")
    assert np.array_equal(upright.pixels, deep_scene)
    assert upright.facts["alpha"] == "opaque"


@pytest.mark.parametrize("kind", ["JPEG", "TIFF"])
def test_cmyk_is_converted_and_noted(scene, kind):
    """Without a profile cyan, magenta and yellow take away red, green and blue."""
    upright = decode(_saved(Image.fromarray(scene).convert("CMYK"), kind), "p")
    assert upright.facts["cmyk"] is True
    assert np.abs(upright.pixels.astype(int) - scene).max() <= (12 if kind == "JPEG" else 1)


def test_a_grey_picture_stored_as_colour_is_noted(scene):
    """Three equal channels everywhere count as grey; a coloured picture does not."""
    grey = np.repeat(scene[..., :1], 3, axis=2)
    assert decode(_saved(Image.fromarray(grey), "PNG"), "p").facts["grey"] is True
    assert decode(_saved(Image.fromarray(scene), "PNG"), "p").facts["grey"] is False


def test_facts_of_taking(scene):
    """Time with offset, software, quality and whether the format loses are told."""
    exif = Image.Exif()
    exif[0x0131] = "Scanning 3.1"
    exif.get_ifd(0x8769).update({0x9003: "2026:03:05 14:07:09", 0x9011: "+02:00"})
    upright = decode(_saved(Image.fromarray(scene), "JPEG", quality=85, exif=exif), "p")
    assert upright.facts["software"] == "Scanning 3.1"
    assert upright.facts["taken_at"] == "2026-03-05T14:07:09+02:00"
    assert upright.facts["jpeg_quality"] == 85
    assert upright.facts["lossy"] is True
    assert upright.facts["format"] == "JPEG"
    assert upright.facts["auto_mode"] == ""
    assert upright.name == "p"
    assert len(upright.sha256) == 64


@pytest.mark.parametrize(
    ("tag", "value", "word"),
    [
        (0xA401, 1, "processed"),  # CustomRendered: custom process
        (0xA406, 3, "night"),  # SceneCaptureType: night scene
        (0xA406, 2, "portrait"),
    ],
)
def test_automatic_modes_are_seen(scene, tag, value, word):
    """CIPA DC-008, CustomRendered and SceneCaptureType (values from memory)."""
    exif = Image.Exif()
    exif.get_ifd(0x8769)[tag] = value
    upright = decode(_saved(Image.fromarray(scene), "JPEG", exif=exif), "p")
    assert word in upright.facts["auto_mode"]


def test_software_that_names_hdr(scene):
    """A camera program that calls itself HDR counts as an automatic mode."""
    exif = Image.Exif()
    exif[0x0131] = "HDR+ 1.0.5"
    assert "hdr" in decode(_saved(Image.fromarray(scene), "JPEG", exif=exif), "p").facts["auto_mode"]


def test_plain_pictures_are_taken_for_srgb():
    """No profile: sRGB, and the name says that it is assumed (IEC 61966-2-1: code 188 is 0.502886)."""
    flat = np.full((64, 64, 3), 188, np.uint8)
    upright = decode(_saved(Image.fromarray(flat), "PNG"), "p")
    assert upright.transfer.name == "assumed sRGB"
    assert upright.transfer.linear(upright.pixels)[0, 0] == pytest.approx([0.502886] * 3, abs=1e-5)


def test_resolution_is_told_where_the_file_knows_it(scene):
    """Scanners write it; the 72 that phones write means nothing."""
    image = Image.fromarray(scene)
    for kind in ("PNG", "TIFF", "JPEG"):
        assert decode(_saved(image, kind, dpi=(600, 600)), "p").facts["dpi"] == pytest.approx(600, abs=0.1)
        assert decode(_saved(image, kind, dpi=(72, 72)), "p").facts["dpi"] is None
        assert decode(_saved(image, kind), "p").facts["dpi"] is None


def test_adobe_rgb_named_only_in_exif(scene):
    """Cameras name Adobe RGB by the interoperability index R03 alone (DCF 2.0, from memory)."""
    exif = Image.Exif()
    photo = exif.get_ifd(0x8769)
    photo[0xA001] = 65535
    photo[0xA005] = {1: "R03"}
    upright = decode(_saved(Image.fromarray(scene), "JPEG", exif=exif), "p")
    assert upright.transfer.name == "Adobe RGB (1998)"
    assert upright.transfer.table[128, 0] == pytest.approx((128 / 255) ** 2.19921875, abs=1e-6)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_embedded_srgb_profile_reads_as_srgb(scene, kind):
    """The sRGB profile that colour management itself writes gives the light of IEC 61966-2-1."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    upright = decode(_saved(Image.fromarray(scene), kind, icc_profile=profile), "p")
    assert "sRGB" in upright.transfer.name
    assert "assumed" not in upright.transfer.name
    assert upright.transfer.table[:, 1] == pytest.approx(srgb_to_linear(np.arange(256) / 255), abs=2e-4)


def test_a_grey_preview_or_second_picture_in_a_jpeg_is_no_animation(scene):
    """Phones put a second picture behind the first (CIPA DC-007, multi-picture format)."""
    first, second = Image.fromarray(scene), Image.fromarray(scene[::2, ::2])
    out = io.BytesIO()
    first.save(out, "MPO", save_all=True, append_images=[second], quality=95)
    upright = decode(out.getvalue(), "p.jpg")
    assert upright.pixels.shape == scene.shape
    assert upright.facts["format"] == "JPEG"


def test_take_in_sees_what_decoding_sees(scene):
    """`inspect` gives the header without the pixels."""
    header = inspect(_saved(Image.fromarray(scene), "JPEG", exif=_oriented(6)), "p")
    assert (header.width, header.height, header.orientation) == (WIDTH, HEIGHT, 6)
