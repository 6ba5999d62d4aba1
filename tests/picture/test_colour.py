"""Colour arithmetic against the published spaces."""

import numpy as np
import pytest

from fairpanel.picture.colour import (
    ADOBE_RGB,
    BT2020,
    D50_XYZ,
    DISPLAY_P3,
    SRGB,
    adobe_rgb_to_linear,
    bradford,
    bt2020_to_linear,
    connection_to_wide,
    density,
    lightness,
    linear_to_srgb,
    reflectance,
    srgb_to_linear,
    to_xyz,
    transfer,
    white_xyz,
    xyz_to_wide,
)


@pytest.mark.parametrize(
    ("code", "linear", "l_star", "d"),
    [
        (1, 0.000303526983549, 0.2741748, 3.517803),
        (10, 0.00303526983549, 2.741748, 2.517803),  # last code on the straight part
        (11, 0.00334653576390, 3.0229134, 2.475405),  # first on the power part
        (32, 0.0144438435961, 12.2500301, 1.840317),
        (64, 0.0512694583740, 27.0934137, 1.290141),
        (118, 0.181164244250, 49.6370144, 0.7419275),
        (128, 0.215860500114, 53.5850135, 0.6658268),
        (188, 0.502886458033, 76.2460906, 0.2985301),
        (255, 1.0, 100.0, 0.0),
    ],
)
def test_srgb_codes_of_iec_61966_2_1(code, linear, l_star, d):
    """IEC 61966-2-1 in 30-digit arithmetic; L* of CIE 1976; density by its definition in ISO 5."""
    light = srgb_to_linear(code / 255)
    assert light == pytest.approx(linear, abs=1e-10)
    assert lightness(light) == pytest.approx(l_star, abs=1e-5)
    assert density(light) == pytest.approx(d, abs=1e-6)


@pytest.mark.parametrize(
    ("light", "code"), [(0.18, 0.461356129500), (0.5, 0.735356983), (0.01, 0.0998528227), (0.001, 0.01292)]
)
def test_codes_of_linear_light(light, code):
    """IEC 61966-2-1; 0.18 also in the tests of colour-science."""
    assert linear_to_srgb(light) == pytest.approx(code, abs=1e-9)


def test_all_256_codes_come_back():
    """Each code survives the way to light and back."""
    codes = np.arange(256)
    assert np.array_equal(np.rint(linear_to_srgb(srgb_to_linear(codes / 255)) * 255), codes)


@pytest.mark.parametrize(
    ("y", "l_star"),
    [(0.18418652, 50.0), (0.001, 0.9032963), (0.01, 8.9914424), (0.2, 51.8372115), (0.9, 95.9967687)],
)
def test_lightness_of_cie_1976(y, l_star):
    """CIE 1976 L*, by its definition; 50 is (66/116)^3."""
    assert lightness(y) == pytest.approx(l_star, abs=1e-5)


def test_density_is_minus_log10_of_reflectance():
    """Definition of ISO 5-1 (from memory): 10 % is 1, a factor of two is 0.301030."""
    assert density(np.array([1.0, 0.5, 0.18, 0.1, 0.05, 0.01])) == pytest.approx(
        [0, 0.301030, 0.744727, 1, 1.301030, 2], abs=1e-6
    )
    assert reflectance(np.array([0.15, 0.30, 1.50])) == pytest.approx([0.707946, 0.501187, 0.0316228], abs=1e-6)


def test_density_of_black_and_of_noise_below_black():
    """No light is an infinite density, less than none is no number; neither is an error."""
    d = density(np.array([0.0, -0.001]))
    assert np.isinf(d[0])
    assert np.isnan(d[1])


def test_srgb_matrix_of_iec_61966_2_1():
    """IEC 61966-2-1 prints four decimals of the matrix to XYZ."""
    printed = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    assert to_xyz(SRGB) == pytest.approx(np.array(printed), abs=6e-5)


def test_adobe_rgb_1998():
    """Adobe RGB (1998) colour image encoding, 2005-05: exponent 2.19921875, matrix to XYZ (from memory)."""
    assert adobe_rgb_to_linear(0.5) == pytest.approx(0.5**2.19921875, abs=1e-12)
    printed = [[0.57667, 0.18556, 0.18823], [0.29734, 0.62736, 0.07529], [0.02703, 0.07069, 0.99134]]
    assert to_xyz(ADOBE_RGB) == pytest.approx(np.array(printed), abs=6e-5)


def test_display_p3():
    """Primaries of SMPTE EG 432-1 with white D65; luminance weights 0.2290, 0.6917, 0.0793 (from memory)."""
    assert to_xyz(DISPLAY_P3)[1] == pytest.approx([0.2290, 0.6917, 0.0793], abs=6e-5)
    assert np.array_equal(DISPLAY_P3.to_linear(np.array([0.2, 0.7])), srgb_to_linear(np.array([0.2, 0.7])))


def test_bt_709_colours_in_bt_2020():
    """Matrix M2 of ITU-R BT.2087-0, four decimals (from memory); sRGB has the primaries of BT.709."""
    printed = [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
    assert xyz_to_wide() @ to_xyz(SRGB) == pytest.approx(np.array(printed), abs=6e-5)


def test_bt_2020_curve():
    """ITU-R BT.2020 table 4: E' = 1.0993 E^0.45 - 0.0993 above E = 0.0181, 4.5 E below."""
    light = np.array([0.005, 0.1, 0.5, 1.0])
    code = np.where(light < 0.0181, 4.5 * light, 1.0993 * light**0.45 - 0.0993)
    assert bt2020_to_linear(code) == pytest.approx(light, abs=1e-4)


def test_bradford_from_d50_to_d65():
    """Bradford matrix as widely printed, for D65 = 0.95047, 1, 1.08883 (B. Lindbloom, from memory)."""
    printed = [
        [0.9555766, -0.0230393, 0.0631636],
        [-0.0282895, 1.0099416, 0.0210077],
        [0.0122982, -0.0204830, 1.3299098],
    ]
    d50, d65 = np.array([0.96422, 1.0, 0.82521]), np.array([0.95047, 1.0, 1.08883])
    assert bradford(d50, d65) == pytest.approx(np.array(printed), abs=2e-6)


@pytest.mark.parametrize("space", [SRGB, DISPLAY_P3, ADOBE_RGB, BT2020])
def test_white_and_greys_stay_neutral(space):
    """A grey has three equal channels in the wide space, white is 1, whatever its space."""
    codes = np.array([[255, 255, 255], [118, 118, 118]], np.uint8)
    wide = transfer(space).linear(codes)
    assert wide[0] == pytest.approx(np.ones(3), abs=1e-6)
    assert np.ptp(wide[1]) < 1e-6


def test_connection_space_white_becomes_white():
    """White of the ICC connection space is white of the wide space."""
    assert connection_to_wide() @ D50_XYZ == pytest.approx(np.ones(3), abs=1e-9)
    assert bradford(D50_XYZ, white_xyz()) @ D50_XYZ == pytest.approx(white_xyz(), abs=1e-9)


def test_16_bit_table_meets_the_8_bit_one():
    """Code 257 n of 16 bit is code n of 8 bit."""
    eight, sixteen = transfer(SRGB), transfer(SRGB, 65536)
    assert np.array_equal(sixteen.table[::257], eight.table)
