"""Embedded colour profiles (ICC.1) to the way from codes to linear light.

Matrix and tone-curve profiles of RGB pictures and tone-curve profiles of grey ones are read here, at the full
depth of the picture. Profiles made of look-up tables are left to the colour management behind Pillow.
"""

from __future__ import annotations

import struct
from functools import lru_cache

import numpy as np

from fairpanel.picture.colour import connection_to_wide
from fairpanel.picture.upright import Transfer

_CURVE_PARAMETERS = (1, 3, 4, 5, 7)


class ProfileError(ValueError):
    """The profile is damaged."""


class TableProfile(ProfileError):
    """The profile works by look-up tables, which are left to colour management."""


def _tags(profile: bytes) -> dict[bytes, bytes]:
    if len(profile) < 132 or profile[36:40] != b"acsp":
        raise ProfileError("not a colour profile")
    (count,) = struct.unpack_from(">I", profile, 128)
    if count > 200 or 132 + 12 * count > len(profile):
        raise ProfileError("its list of contents is damaged")
    entries = (struct.unpack_from(">4sII", profile, 132 + 12 * i) for i in range(count))
    return {name: profile[start : start + size] for name, start, size in entries}


def description(profile: bytes) -> str:
    """Name a profile gives itself; empty where it gives none.

    Raises
    ------
    ProfileError
        Damaged.
    """
    text = _tags(profile).get(b"desc", b"")
    if text[:4] == b"desc" and len(text) >= 12:
        (count,) = struct.unpack_from(">I", text, 8)
        return text[12 : 12 + count].split(b"\0")[0].decode("ascii", "replace").strip()
    if text[:4] == b"mluc" and len(text) >= 28:
        size, start = struct.unpack_from(">II", text, 20)
        return text[start : start + size].decode("utf-16-be", "replace").strip("\0 ")
    return ""


def colour_model(profile: bytes) -> str:
    """What the profile is for: "RGB", "GRAY", "CMYK" or another ICC signature."""
    return profile[16:20].decode("ascii", "replace").strip()


def has_tables(profile: bytes) -> bool:
    """Whether the profile works by look-up tables, which then take precedence over matrix and curves."""
    return b"A2B0" in _tags(profile)


def _parametric(body: bytes, x: np.ndarray) -> np.ndarray:
    """ICC.1:2010, 10.16, table 65 (from memory): five forms of a power with a straight foot."""
    (kind,) = struct.unpack_from(">H", body, 8)
    if kind > 4 or len(body) < 12 + 4 * _CURVE_PARAMETERS[kind]:
        raise ProfileError("its tone curve is damaged")
    values = [v / 65536 for v in struct.unpack_from(f">{_CURVE_PARAMETERS[kind]}i", body, 12)]
    g, a, b, c, d, e, f = values + [0.0] * (7 - len(values))
    if g <= 0:
        raise ProfileError("its tone curve is damaged")
    if kind == 0:
        return x**g
    with np.errstate(over="ignore"):  # a damaged one; its sense is checked afterwards
        power = np.maximum(a * x + b, 0) ** g
    if kind in (1, 2):
        if a == 0:
            raise ProfileError("its tone curve is damaged")
        return np.where(x >= -b / a, power, 0) + c
    return np.where(x >= d, power + e, c * x + f)


def _curve(body: bytes, x: np.ndarray) -> np.ndarray:
    """Tone curve at the codes x, 0 to 1 (ICC.1:2010, 10.5 and 10.16, from memory)."""
    if body[:4] == b"para":
        return _parametric(body, x)
    if body[:4] != b"curv" or len(body) < 12:
        raise ProfileError("it lacks a tone curve")
    (count,) = struct.unpack_from(">I", body, 8)
    if count == 0:
        return x
    if len(body) < 12 + 2 * count:
        raise ProfileError("its tone curve is cut off")
    entries = np.frombuffer(body, ">u2", count, 12).astype(float)
    return x ** (entries[0] / 256) if count == 1 else np.interp(x, np.linspace(0, 1, count), entries / 65535)


def _colorant(body: bytes) -> np.ndarray:
    if body[:4] != b"XYZ " or len(body) < 20:
        raise ProfileError("it lacks a primary colour")
    return np.array(struct.unpack_from(">3i", body, 8)) / 65536


@lru_cache(maxsize=16)
def transfer_of(profile: bytes, levels: int) -> Transfer:
    """Codes to linear BT.2020 by an embedded profile with tone curves.

    Parameters
    ----------
    profile : bytes
        ICC profile, for RGB (with primaries) or grey.
    levels : int
        Number of codes: 256 or 65536.

    Raises
    ------
    TableProfile
        Made of look-up tables.
    ProfileError
        Damaged, or for another colour model.
    """
    tags = _tags(profile)
    if has_tables(profile) or profile[20:24] != b"XYZ ":
        raise TableProfile("it works by look-up tables")
    x = np.arange(levels) / (levels - 1)
    model = colour_model(profile)
    if model == "GRAY":
        curves, matrix = [_curve(tags.get(b"kTRC", b""), x)] * 3, np.eye(3)
    elif model == "RGB":
        curves = [_curve(tags.get(name, b""), x) for name in (b"rTRC", b"gTRC", b"bTRC")]
        primaries = [_colorant(tags.get(name, b"")) for name in (b"rXYZ", b"gXYZ", b"bXYZ")]
        matrix = connection_to_wide() @ np.array(primaries).T
    else:
        raise ProfileError(f"it is made for {model}")
    table = np.stack(curves, axis=1)
    _check_sense(table, matrix)
    return Transfer(table.astype(np.float32), matrix, description(profile) or "unnamed profile")


def _check_sense(table: np.ndarray, matrix: np.ndarray) -> None:
    """Refuse what no camera or scanner means: tones that do not rise to about 1, a white that is no white."""
    rising = np.isfinite(table).all() and (np.diff(table, axis=0) >= -1e-4).all()
    if not rising or np.abs(table[-1] - 1).max() > 0.1 or np.abs(table[0]).max() > 0.1:
        raise ProfileError("its tone curve is damaged")
    if np.abs(matrix.sum(axis=1) - 1).max() > 0.3:
        raise ProfileError("its primary colours are damaged")
