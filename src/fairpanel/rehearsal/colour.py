"""Colour spaces of made pictures: from linear light to codes, and the profiles embedded in the files.

Everything is made in linear light with the primaries of Display P3, called the working space here. Prussian
blue lies just inside it and, where dark, outside sRGB, so that the red of an sRGB picture clips as it does
in life.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import cache

import numpy as np

#: Chromaticity of D65, CIE 15, as used by all three spaces.
D65 = (0.3127, 0.3290)
#: White of the profile connection space, ICC.1:2010, 7.2.16.
D50_XYZ = (0.9642, 1.0, 0.8249)
#: Bradford cone matrix, ICC.1:2010, annex E (from memory).
BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


@dataclass(frozen=True)
class Space:
    """An RGB space: chromaticities of its primaries and exponent of its curve (None: that of sRGB)."""

    name: str
    primaries: tuple[tuple[float, float], tuple[float, float], tuple[float, float]]
    gamma: float | None
    version: int


#: IEC 61966-2-1 (sRGB); SMPTE EG 432-1 primaries with the sRGB curve (Display P3); Adobe RGB (1998), 4.3.
SPACES = {
    "sRGB": Space("sRGB", ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)), None, 2),
    "Display P3": Space("Display P3", ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)), None, 4),
    "Adobe RGB (1998)": Space("Adobe RGB (1998)", ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)), 563 / 256, 2),
}
WORKING = SPACES["Display P3"]


def _xyz(xy: tuple[float, float]) -> np.ndarray:
    x, y = xy
    return np.array([x / y, 1.0, (1 - x - y) / y])


def to_xyz(space: Space) -> np.ndarray:
    """(3, 3) array: linear light of the space to XYZ with D65 white."""
    columns = np.stack([_xyz(p) for p in space.primaries], axis=1)
    return columns * np.linalg.solve(columns, _xyz(D65))


@cache
def from_working(name: str) -> np.ndarray:
    """(3, 3) array: linear light of the working space to that of the named space."""
    return np.linalg.inv(to_xyz(SPACES[name])) @ to_xyz(WORKING)


def encoded(linear: np.ndarray, space: Space) -> np.ndarray:
    """Codes from 0 to 1 of linear light from 0 to 1, by the standard's own curve."""
    x = np.clip(linear, 0.0, 1.0)
    if space.gamma is not None:
        return x ** (1 / space.gamma)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


def decoded(codes: np.ndarray, space: Space) -> np.ndarray:
    """Linear light from 0 to 1 of codes from 0 to 1; the way back from `encoded`."""
    v = np.clip(codes, 0.0, 1.0)
    if space.gamma is not None:
        return v**space.gamma
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def _fixed(*numbers: float) -> bytes:
    return b"".join(struct.pack(">i", round(n * 65536)) for n in numbers)


def _xyz_tag(values) -> bytes:
    return b"XYZ " + bytes(4) + _fixed(*values)


def _words_tag(text: str, version: int) -> bytes:
    if version == 4:
        body = text.encode("utf-16-be")
        return b"mluc" + bytes(4) + struct.pack(">II2s2sII", 1, 12, b"en", b"GB", len(body), 28) + body
    body = text.encode("ascii") + b"\0"
    return b"desc" + bytes(4) + struct.pack(">I", len(body)) + body + bytes(4 + 4 + 2 + 1 + 67)


def _rights_tag(version: int) -> bytes:
    text = "No rights reserved"
    return _words_tag(text, 4) if version == 4 else b"text" + bytes(4) + text.encode("ascii") + b"\0"


def _curve_tag(space: Space) -> bytes:
    if space.gamma is not None:
        return b"curv" + bytes(4) + struct.pack(">IH", 1, round(space.gamma * 256))
    if space.version == 4:
        return b"para" + bytes(4) + struct.pack(">HH", 3, 0) + _fixed(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
    table = np.round(decoded(np.linspace(0, 1, 1024), space) * 65535).astype(">u2")
    return b"curv" + bytes(4) + struct.pack(">I", table.size) + table.tobytes()


def _adapted_to_d50(matrix: np.ndarray) -> np.ndarray:
    cones_from, cones_to = BRADFORD @ _xyz(D65), BRADFORD @ np.array(D50_XYZ)
    return np.linalg.inv(BRADFORD) @ np.diag(cones_to / cones_from) @ BRADFORD @ matrix


@cache
def profile(name: str) -> bytes:
    """A minimal display profile of the named space, as embedded in picture files.

    Source
    ------
    ICC.1:2001-04 (version 2) and ICC.1:2010 (version 4), layout from memory; checked by decoding through
    Pillow.

    Raises
    ------
    KeyError
        No such space.
    """
    space = SPACES[name]
    red, green, blue = _adapted_to_d50(to_xyz(space)).T
    curve = _curve_tag(space)
    tags = [
        (b"desc", _words_tag(name, space.version)),
        (b"cprt", _rights_tag(space.version)),
        (b"wtpt", _xyz_tag(D50_XYZ)),
        (b"rXYZ", _xyz_tag(red)),
        (b"gXYZ", _xyz_tag(green)),
        (b"bXYZ", _xyz_tag(blue)),
        (b"rTRC", curve),
        (b"gTRC", curve),
        (b"bTRC", curve),
    ]
    return _with_header(tags, space.version)


def _with_header(tags: list[tuple[bytes, bytes]], version: int) -> bytes:
    start = 128 + 4 + 12 * len(tags)
    index, body = struct.pack(">I", len(tags)), b""
    seen: dict[bytes, int] = {}
    for signature, data in tags:
        if data not in seen:
            seen[data] = start + len(body)
            body += data + bytes(-len(data) % 4)
        index += struct.pack(">4sII", signature, seen[data], len(data))
    header = struct.pack(">I4sI4s4s4s", start + len(body), bytes(4), version << 24, b"mntr", b"RGB ", b"XYZ ")
    header += struct.pack(">6H4s", 2026, 1, 1, 0, 0, 0, b"acsp") + bytes(28) + _fixed(*D50_XYZ)
    return header + bytes(128 - len(header)) + index + body
