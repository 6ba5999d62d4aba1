"""Embedded profiles become the way to light their makers meant."""

import io
import struct

import numpy as np
import pytest
from PIL import Image

from fairpanel.files.colour_profiles import ProfileError, description, transfer_of
from fairpanel.files.pictures import decode
from fairpanel.picture.colour import ADOBE_RGB, DISPLAY_P3, lightness, srgb_to_linear, transfer


def _fixed(*values):
    return struct.pack(f">{len(values)}i", *(round(v * 65536) for v in values))


def _xyz(*values):
    return b"XYZ \0\0\0\0" + _fixed(*values)


def _parametric(kind, *values):
    return b"para\0\0\0\0" + struct.pack(">HH", kind, 0) + _fixed(*values)


def _table(*entries):
    return b"curv\0\0\0\0" + struct.pack(f">I{len(entries)}H", len(entries), *entries)


def _profile(tags, *, model=b"RGB ", connection=b"XYZ ", kind=b"mntr"):
    """A profile as ICC.1:2010, clause 7 lays it out (from memory)."""
    start, entries, body = 128 + 4 + 12 * len(tags), b"", b""
    for name, content in tags.items():
        content += bytes(-len(content) % 4)
        entries += struct.pack(">4sII", name, start + len(body), len(content))
        body += content
    size = start + len(body)
    head = struct.pack(">I4sI4s4s4s", size, b"test", 0x02400000, kind, model, connection)
    head += struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp" + bytes(28) + _fixed(0.9642, 1.0, 0.8249)
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + entries + body


def _rgb_profile(red, green, blue, curve):
    return _profile(
        {
            b"desc": b"desc\0\0\0\0" + struct.pack(">I", 8) + b"Bench A\0" + bytes(78),
            b"rXYZ": _xyz(*red),
            b"gXYZ": _xyz(*green),
            b"bXYZ": _xyz(*blue),
            **dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve),
        }
    )


#: The curve of sRGB as phones write it: type 3, g a b c d.
_SRGB_CURVE = _parametric(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)

#: Colorants (D50) that the common profiles of that name carry; from memory.
_P3 = ((0.51512, 0.24120, -0.00105), (0.29198, 0.69225, 0.04189), (0.15710, 0.06657, 0.78407))
_ADOBE = ((0.60974, 0.31111, 0.01947), (0.20528, 0.62567, 0.06087), (0.14919, 0.06322, 0.74457))


def test_display_p3_profile():
    """Colorants as phones embed them, against SMPTE EG 432-1 primaries."""
    found = transfer_of(_rgb_profile(*_P3, _SRGB_CURVE), 256)
    assert found.matrix == pytest.approx(transfer(DISPLAY_P3).matrix, abs=5e-4)
    assert found.table[:, 2] == pytest.approx(srgb_to_linear(np.arange(256) / 255), abs=2e-5)
    assert found.name == "Bench A"


def test_adobe_rgb_profile():
    """Colorants and the exponent 563/256 of Adobe RGB (1998), as one entry of 8.8 fixed point."""
    found = transfer_of(_rgb_profile(*_ADOBE, _table(563)), 65536)
    assert found.matrix == pytest.approx(transfer(ADOBE_RGB).matrix, abs=5e-4)
    assert found.table.shape == (65536, 3)
    assert found.table[32768, 0] == pytest.approx((32768 / 65535) ** 2.19921875, abs=1e-6)


def test_an_embedded_profile_turns_the_picture():
    """Pure red of Display P3 lies beyond sRGB and keeps its place (SMPTE EG 432-1)."""
    red = np.zeros((64, 64, 3), np.uint8)
    red[..., 0] = 255
    out = io.BytesIO()
    Image.fromarray(red).save(out, "PNG", icc_profile=_rgb_profile(*_P3, _SRGB_CURVE))
    upright = decode(out.getvalue(), "p")
    expected = transfer(DISPLAY_P3).matrix @ [1, 0, 0]
    assert upright.transfer.linear(upright.pixels)[5, 5] == pytest.approx(expected, abs=1e-3)
    assert upright.facts["profile"] == "Bench A"


X = np.arange(256) / 255


@pytest.mark.parametrize(
    ("curve", "light"),
    [
        (_table(), X),
        (_table(0, 65535), X),
        (_table(0, 6554, 65535), np.interp(X, [0, 0.5, 1], [0, 6554 / 65535, 1])),
        (_table(round(1.8 * 256)), X ** (round(1.8 * 256) / 256)),
        (_parametric(0, 2.2), X**2.2),
        (_parametric(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045), srgb_to_linear(X)),
        (_parametric(1, 2.0, 1.25, -0.25), np.where(X >= 0.2, (1.25 * X - 0.25).clip(0) ** 2, 0)),
        (
            _parametric(2, 2.0, 1.25, -0.25, 0.05),
            np.where(X >= 0.2, (1.25 * X - 0.25).clip(0) ** 2 + 0.05, 0.05),
        ),
        (
            _parametric(4, 2.0, 0.9, 0.1, 0.2, 0.5, 0.04, 0.02),
            np.where(X >= 0.5, (0.9 * X + 0.1) ** 2 + 0.04, 0.2 * X + 0.02),
        ),
    ],
)
def test_kinds_of_tone_curve(curve, light):
    """The forms of ICC.1:2010, 10.5 (curv) and 10.16 (para)."""
    found = transfer_of(_rgb_profile(*_P3, curve), 256)
    assert found.table[:, 0] == pytest.approx(light, abs=3e-5)


def test_grey_profile_keeps_the_channels_equal():
    """A grey picture with a tone curve of its own."""
    profile = _profile({b"kTRC": _table(round(1.8 * 256))}, model=b"GRAY")
    out = io.BytesIO()
    Image.fromarray(np.full((64, 64), 100, np.uint8)).save(out, "TIFF", icc_profile=profile)
    upright = decode(out.getvalue(), "p")
    expected = (100 / 255) ** (round(1.8 * 256) / 256)
    assert upright.transfer.linear(upright.pixels)[0, 0] == pytest.approx([expected] * 3, abs=1e-5)


def _tables_to_lab(inputs, lab_of_corners):
    """A lut8 tag (ICC.1:2010, 10.9, from memory) with two grid points per channel and straight curves."""
    straight = bytes(range(256))
    head = b"mft1\0\0\0\0" + bytes([inputs, 3, 2, 0]) + _fixed(1, 0, 0, 0, 1, 0, 0, 0, 1)
    corners = np.stack(np.meshgrid(*[[0, 1]] * inputs, indexing="ij"), -1).reshape(-1, inputs)
    grid = b"".join(bytes([round(255 * lab_of_corners(c)), 128, 128]) for c in corners)
    return head + straight * inputs + grid + straight * 3


def test_profile_of_tables_goes_through_colour_management():
    """A made profile whose lightness is the mean of the codes: code 128 must come out at L* 50.2."""
    profile = _profile({b"A2B0": _tables_to_lab(3, np.mean)}, connection=b"Lab ", kind=b"scnr")
    out = io.BytesIO()
    Image.fromarray(np.full((64, 64, 3), 128, np.uint8)).save(out, "PNG", icc_profile=profile)
    upright = decode(out.getvalue(), "p")
    light = upright.transfer.linear(upright.pixels)[0, 0]
    assert lightness(light) == pytest.approx([100 * 128 / 255] * 3, abs=0.6)
    assert "converted to sRGB" in upright.facts["profile"]


def test_cmyk_profile_is_used():
    """A made CMYK profile that looks at black alone: 40 % black must come out at L* 60."""
    profile = _profile(
        {b"A2B0": _tables_to_lab(4, lambda c: 1.0 - c[3])}, model=b"CMYK", connection=b"Lab ", kind=b"prtr"
    )
    pixels = np.full((64, 64, 4), 30, np.uint8)
    pixels[..., 3] = 102
    out = io.BytesIO()
    Image.fromarray(pixels, "CMYK").save(out, "TIFF", icc_profile=profile)
    upright = decode(out.getvalue(), "p")
    assert lightness(upright.transfer.linear(upright.pixels)[0, 0]) == pytest.approx([60.0] * 3, abs=0.6)
    assert upright.facts["cmyk"] is True


@pytest.mark.parametrize(
    "profile",
    [
        b"",
        b"nonsense" * 40,
        _rgb_profile(*_P3, _SRGB_CURVE)[:200],
        _rgb_profile(*_P3, _table(65535, 0)),  # falling
        _rgb_profile(*_P3, _parametric(0, -2.0)),
        _rgb_profile(*_P3, _parametric(3, 9.0, 100.0, 0.0, 1.0, 0.1)),
        _rgb_profile(_P3[0], _P3[0], _P3[2], _SRGB_CURVE),  # no green, so no white
    ],
)
def test_damaged_profiles_are_refused(profile):
    """No guess is made from a damaged profile."""
    with pytest.raises(ProfileError):
        transfer_of(profile, 256)


def test_a_picture_with_a_damaged_profile_is_read_as_srgb():
    """It says so in the name of its profile."""
    broken = bytearray(_rgb_profile(*_P3, _SRGB_CURVE))
    broken[132 + 12 * 4 : 132 + 12 * 4 + 4] = b"none"  # the red tone curve goes missing
    out = io.BytesIO()
    Image.fromarray(np.full((64, 64, 3), 128, np.uint8)).save(out, "PNG", icc_profile=bytes(broken))
    assert "assumed sRGB" in decode(out.getvalue(), "p").facts["profile"]


def test_names_in_many_tongues():
    """Newer profiles carry their name in UTF-16 (ICC.1:2010, 10.13)."""
    text = "Écran 1".encode("utf-16-be")
    body = b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"fr", b"FR", len(text), 28) + text
    assert description(_profile({b"desc": body})) == "Écran 1"
