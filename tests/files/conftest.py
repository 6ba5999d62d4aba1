"""A writer of small HEIC files, since none of the libraries in use can write one.

The picture is stored uncompressed: an HEVC still of PCM blocks (ITU-T H.265, 7.3 and 9.3, from memory) in a
HEIF container (ISO/IEC 23008-12 and 14496-12, from memory). What a decoder makes of it is known to the code.
"""

from __future__ import annotations

import struct

import numpy as np
import pytest

_BLOCK = 32

#: H.265 table 9-46, column of the widest range, for the states that a run of unsplit blocks passes through.
_LEAST_PROBABLE = (240, 227, 216, 205, 195, 185, 175, 166, 158)


class _Bits:
    """Bits from the most significant on, with Exp-Golomb codes."""

    def __init__(self) -> None:
        self.bits: list[int] = []

    def u(self, count: int, value: int) -> _Bits:
        self.bits += [value >> (count - 1 - i) & 1 for i in range(count)]
        return self

    def ue(self, *values: int) -> _Bits:
        for value in values:
            length = (value + 1).bit_length()
            self.u(2 * length - 1, value + 1)
        return self

    def flags(self, text: str) -> _Bits:
        self.bits += [int(c) for c in text if c in "01"]
        return self

    def closed(self) -> bytes:
        """With the stop bit, filled up to a byte."""
        return _Bits.packed([*self.bits, 1])

    @staticmethod
    def packed(bits: list[int]) -> bytes:
        return np.packbits(bits + [0] * (-len(bits) % 8)).tobytes()


def _nal(kind: int, body: bytes) -> bytes:
    """A unit with its header, and 3 put in wherever the body would look like a start code."""
    out, zeros = bytearray(), 0
    for byte in body:
        if zeros == 2 and byte <= 3:
            out.append(3)
            zeros = 0
        out.append(byte)
        zeros = zeros + 1 if byte == 0 else 0
    return bytes([kind << 1, 1]) + bytes(out)


def _profile(bits: _Bits) -> _Bits:
    """Main profile, level 3.1."""
    return bits.u(8, 1).u(32, 0x60000000).flags("1001").u(32, 0).u(12, 0).u(8, 93)


def _video_parameters() -> bytes:
    bits = _profile(_Bits().u(4, 0).flags("11").u(6, 0).u(3, 0).flags("1").u(16, 0xFFFF))
    return _nal(32, bits.flags("1").ue(0, 0, 0).u(6, 0).ue(0).flags("00").closed())


def _sequence_parameters(width: int, height: int) -> bytes:
    bits = _profile(_Bits().u(4, 0).u(3, 0).flags("1")).ue(0, 1, width, height).flags("0").ue(0, 0, 4)
    bits.flags("1").ue(0, 0, 0)  # no reordering
    bits.ue(0, 2, 0, 3, 0, 0)  # coding blocks of 8 to 32, transform blocks of 4 to 32
    bits.flags("0001").u(4, 7).u(4, 7).ue(0, 2).flags("1")  # PCM of 8 bits in blocks up to 32, not filtered
    return _nal(33, bits.ue(0).flags("00000").closed())


def _picture_parameters() -> bytes:
    bits = _Bits().ue(0, 0).flags("0000000").ue(0, 0, 0).flags("000").ue(0, 0).flags("0000000")
    return _nal(34, bits.flags("101").flags("00").ue(0).flags("00").closed())


def _slice(y: np.ndarray, cb: np.ndarray, cr: np.ndarray) -> bytes:
    """All blocks as PCM: per block an arithmetic-coded "not split, PCM", then the samples as they are."""
    head = _Bits().flags("10").ue(0, 2, 0).flags("1")
    out = bytearray(_Bits.packed(head.bits))
    rows, columns = y.shape[0] // _BLOCK, y.shape[1] // _BLOCK
    for number in range(rows * columns):
        r, c = divmod(number, columns)
        # Of the range 510, "slice goes on" takes 2 after the first block, "split" its share, "no PCM" the
        # rest.
        out += _terminated((510 if number == 0 else 508) - _LEAST_PROBABLE[number] - 2)
        for plane, side in ((y, _BLOCK), (cb, _BLOCK // 2), (cr, _BLOCK // 2)):
            out += plane[r * side : (r + 1) * side, c * side : (c + 1) * side].tobytes()
    out += _terminated(508)  # the slice ends
    return _nal(20, bytes(out))


def _terminated(low: int) -> bytes:
    """Arithmetic code of a terminating 1 when no bit was put out before (H.265, 9.3.4.5).

    Seven shifts put out seven bits of the ten-bit register, the flush two more and a closing 1.
    """
    bits = [low << 7 >> (15 - i) & 1 for i in range(9)]
    return _Bits.packed([*bits, 1])


def _box(kind: bytes, *parts: bytes) -> bytes:
    body = b"".join(parts)
    return struct.pack(">I", 8 + len(body)) + kind + body


def _full(kind: bytes, *parts: bytes, version: int = 0) -> bytes:
    return _box(kind, struct.pack(">I", version << 24), *parts)


def _configuration(units: list[bytes]) -> bytes:
    head = bytes([1, 1]) + struct.pack(">I", 0x60000000) + bytes([0x90, 0, 0, 0, 0, 0, 93])
    head += bytes([0xF0, 0, 0xFC, 0xFD, 0xF8, 0xF8, 0, 0, 0x0F, len(units)])
    return _box(b"hvcC", head, *(bytes([0x80 | u[0] >> 1]) + struct.pack(">HH", 1, len(u)) + u for u in units))


def write_heic(
    rgb: np.ndarray, *, quarter_turns: int = 0, primaries: int = 1, profile: bytes = b"", exif: bytes = b""
) -> bytes:
    """A HEIC of at most nine blocks of 32 x 32; full-range BT.601 codes, colour halved both ways.

    Parameters
    ----------
    rgb : (height, width, 3) uint8 array
    quarter_turns : int
        Turns against the clock that a viewer must make (property irot).
    primaries : int
        Colour primaries by ITU-T H.273; the curve is said to be sRGB.
    profile, exif : bytes
        ICC profile and EXIF block (from "II" or "MM" on) to put in.
    """
    r, g, b = rgb.astype(float).transpose(2, 0, 1)
    luma = 0.299 * r + 0.587 * g + 0.114 * b

    def halved(plane):
        return plane.reshape(plane.shape[0] // 2, 2, plane.shape[1] // 2, 2).mean((1, 3))

    planes = [luma, halved((b - luma) / 1.772 + 128), halved((r - luma) / 1.402 + 128)]
    y, cb, cr = (np.rint(p).clip(0, 255).astype(np.uint8) for p in planes)
    height, width = luma.shape
    units = [_video_parameters(), _sequence_parameters(width, height), _picture_parameters()]
    coded = _slice(y, cb, cr)
    properties = [
        _configuration(units),
        _full(b"ispe", struct.pack(">II", width, height)),
        _box(b"colr", b"nclx" + struct.pack(">HHHB", primaries, 13, 6, 0x80)),
    ]
    properties += [_box(b"colr", b"prof" + profile)] if profile else []
    properties += [_box(b"irot", bytes([quarter_turns]))] if quarter_turns else []
    return _container(properties, struct.pack(">I", len(coded)) + coded, exif)


def _container(properties: list[bytes], picture: bytes, exif: bytes) -> bytes:
    items = [(1, b"hvc1", picture)]
    if exif:
        items.append((2, b"Exif", struct.pack(">I", 0) + exif))
    names = b"".join(_full(b"infe", struct.pack(">HH", i, 0) + k + b"\0", version=2) for i, k, _ in items)
    essential = bytes([0x80 | 1, *range(2, len(properties) + 1)])
    uses = struct.pack(">IHB", 1, 1, len(properties)) + essential
    refers = _full(b"iref", _box(b"cdsc", struct.pack(">HHH", 2, 1, 1))) if exif else b""

    def meta(start: int) -> bytes:
        places = struct.pack(">BBH", 0x44, 0, len(items))
        for number, _, body in items:
            places += struct.pack(">HHHII", number, 0, 1, start, len(body))
            start += len(body)
        return _full(
            b"meta",
            _full(b"hdlr", bytes(4) + b"pict" + bytes(13)),
            _full(b"pitm", struct.pack(">H", 1)),
            _full(b"iloc", places),
            _full(b"iinf", struct.pack(">H", len(items)) + names),
            refers,
            _box(b"iprp", _box(b"ipco", *properties), _full(b"ipma", uses)),
        )

    front = _box(b"ftyp", b"heic", bytes(4), b"mif1heic")
    start = len(front) + len(meta(0)) + 8
    return front + meta(start) + _box(b"mdat", *(body for _, _, body in items))


@pytest.fixture
def heic():
    """The writer of HEIC files."""
    return write_heic
