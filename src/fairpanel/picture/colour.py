"""Colour spaces, and the way from codes to linear light, lightness and density. Pure arithmetic on arrays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from fairpanel.picture.upright import Transfer

#: CIE daylight 6504 K as the video and picture standards round it, (x, y).
D65 = (0.3127, 0.3290)

#: White of the ICC profile connection space, (X, Y, Z). ICC.1:2010, 7.2.16, from memory.
D50_XYZ = np.array([0.9642, 1.0, 0.8249])

#: Cone responses after Bradford, as ICC.1:2010 annex E prints them (from memory).
_CONES = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


def srgb_to_linear(code: ArrayLike) -> np.ndarray:
    """Linear light of sRGB codes, 0 to 1 (IEC 61966-2-1)."""
    code = np.asarray(code, float)
    return np.where(code <= 0.04045, code / 12.92, ((np.maximum(code, 0) + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(light: ArrayLike) -> np.ndarray:
    """sRGB codes, 0 to 1, of linear light (IEC 61966-2-1)."""
    light = np.asarray(light, float)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0) ** (1 / 2.4) - 0.055)


def adobe_rgb_to_linear(code: ArrayLike) -> np.ndarray:
    """Linear light of Adobe RGB (1998) codes, 0 to 1: exponent 563/256 (encoding specification, 4.3.1.2)."""
    return np.maximum(np.asarray(code, float), 0) ** (563 / 256)


def bt2020_to_linear(code: ArrayLike) -> np.ndarray:
    """Linear light of ITU-R BT.2020 codes, 0 to 1 (table 4, constants in full precision)."""
    alpha, beta = 1.09929682680944, 0.018053968510807
    code = np.asarray(code, float)
    return np.where(code < 4.5 * beta, code / 4.5, ((np.maximum(code, 0) + alpha - 1) / alpha) ** (1 / 0.45))


@dataclass(frozen=True)
class Space:
    """A colour space with the white D65.

    Parameters
    ----------
    name : str
    red, green, blue : pair of float
        Chromaticities x, y of the primaries.
    to_linear : callable
        Codes 0 to 1 to linear light.
    """

    name: str
    red: tuple[float, float]
    green: tuple[float, float]
    blue: tuple[float, float]
    to_linear: Callable[[ArrayLike], np.ndarray]


SRGB = Space("sRGB", (0.64, 0.33), (0.30, 0.60), (0.15, 0.06), srgb_to_linear)
DISPLAY_P3 = Space("Display P3", (0.680, 0.320), (0.265, 0.690), (0.150, 0.060), srgb_to_linear)
ADOBE_RGB = Space("Adobe RGB (1998)", (0.64, 0.33), (0.21, 0.71), (0.15, 0.06), adobe_rgb_to_linear)
BT2020 = Space("BT.2020", (0.708, 0.292), (0.170, 0.797), (0.131, 0.046), bt2020_to_linear)


def white_xyz(xy: tuple[float, float] = D65) -> np.ndarray:
    """(3,) tristimulus values of a white of luminance 1."""
    x, y = xy
    return np.array([x / y, 1.0, (1 - x - y) / y])


def to_xyz(space: Space) -> np.ndarray:
    """(3, 3) array: linear light of a space to CIE XYZ (D65, white at Y = 1), `xyz = matrix @ rgb`."""
    columns = np.array([[x, y, 1 - x - y] for x, y in (space.red, space.green, space.blue)]).T
    return columns * np.linalg.solve(columns, white_xyz())


def bradford(source: np.ndarray, target: np.ndarray) -> np.ndarray:
    """(3, 3) array that carries XYZ seen under one white to another, linear Bradford (ICC.1:2010, annex E).

    Parameters
    ----------
    source, target : (3,) arrays
        XYZ of the whites.
    """
    gain = (_CONES @ target) / (_CONES @ source)
    return np.linalg.solve(_CONES, gain[:, None] * _CONES)


def xyz_to_wide() -> np.ndarray:
    """(3, 3) array: CIE XYZ (D65) to linear BT.2020."""
    return np.linalg.inv(to_xyz(BT2020))


def connection_to_wide() -> np.ndarray:
    """(3, 3) array: ICC connection space (XYZ, D50) to linear BT.2020 (D65)."""
    return xyz_to_wide() @ bradford(D50_XYZ, white_xyz())


@cache
def transfer(space: Space, levels: int = 256, name: str = "") -> Transfer:
    """Codes of a space to linear BT.2020.

    Parameters
    ----------
    space : Space
    levels : int
        Number of codes: 256 for 8 bit, 65536 for 16 bit.
    name : str
        As it shall be called, if not by the space's own name.
    """
    light = space.to_linear(np.arange(levels) / (levels - 1))
    table = np.repeat(light.astype(np.float32)[:, None], 3, axis=1)
    return Transfer(table, xyz_to_wide() @ to_xyz(space), name or space.name)


def lightness(luminance: ArrayLike) -> np.ndarray:
    """CIE 1976 L* of a relative luminance (white at 1)."""
    y = np.asarray(luminance, float)
    cube = (6 / 29) ** 3
    return 116 * np.where(y > cube, np.cbrt(y), y / (3 * (6 / 29) ** 2) + 4 / 29) - 16


def density(reflectance: ArrayLike) -> np.ndarray:
    """Density D = -log10 of a reflectance or transmittance (definition of ISO 5-1, from memory).

    Infinite at 0, NaN below: noise about a black can be slightly negative.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return -np.log10(np.asarray(reflectance, float))


def reflectance(density: ArrayLike) -> np.ndarray:
    """Reflectance of a density; the way back from `density`."""
    return 10.0 ** -np.asarray(density, float)
