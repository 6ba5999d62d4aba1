"""Picture files of made pictures, as bytes: JPEG, PNG and TIFF with their profile, turn and resolution."""

from __future__ import annotations

import io
import struct
import zlib
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from fairpanel.rehearsal.colour import profile

#: EXIF orientation, and how the upright picture is stored for it.
_STORED = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.swapaxes(0, 1),
    6: lambda a: np.rot90(a, 1),
    7: lambda a: a[::-1, ::-1].swapaxes(0, 1),
    8: lambda a: np.rot90(a, -1),
}


@dataclass(frozen=True)
class FileForm:
    """How a picture is written.

    Parameters
    ----------
    kind : {"jpeg", "png", "tiff"}
    quality : int
        Of JPEG.
    full_colour : bool
        JPEG without halving the resolution of colour.
    tagged : bool
        The profile is embedded; left out only where the space is sRGB.
    orientation : int
        EXIF orientation, JPEG only; the pixels are stored turned to suit.
    dpi : float or None
    automatic : bool
        EXIF says that an automatic mode altered the picture.
    taken_at : str
        EXIF form, or empty.
    """

    kind: str = "png"
    quality: int = 92
    full_colour: bool = False
    tagged: bool = True
    orientation: int = 1
    dpi: float | None = None
    automatic: bool = False
    taken_at: str = ""

    @property
    def ending(self) -> str:
        """Ending of the file's name, with its dot."""
        return {"jpeg": ".jpg", "png": ".png", "tiff": ".tif"}[self.kind]


def picture_bytes(codes: np.ndarray, *, space: str, form: FileForm) -> bytes:
    """The file of an upright picture.

    Parameters
    ----------
    codes : (height, width, 3) uint8 or uint16 array
    space : str
        Name of the colour space of the codes.

    Raises
    ------
    ValueError
        A JPEG of 16 bits was asked for.
    """
    icc = profile(space) if form.tagged or space != "sRGB" else None
    if form.kind == "jpeg":
        return _jpeg(codes, icc, form)
    if form.kind == "png":
        return _png(codes, icc, form)
    return _tiff(codes, icc, form)


def _jpeg(codes: np.ndarray, icc: bytes | None, form: FileForm) -> bytes:
    if codes.dtype != np.uint8:
        raise ValueError("a JPEG has 8 bits; ask for PNG or TIFF")
    exif = Image.Exif()
    exif[0x0112] = form.orientation
    details = exif.get_ifd(0x8769)
    if form.automatic:
        details[0xA401] = 1
    if form.taken_at:
        details[0x9003] = form.taken_at
    more: dict = {"icc_profile": icc} if icc else {}
    if form.dpi:
        more["dpi"] = (round(form.dpi), round(form.dpi))
    stored = np.ascontiguousarray(_STORED[form.orientation](codes))
    out = io.BytesIO()
    Image.fromarray(stored).save(
        out, "JPEG", quality=form.quality, subsampling=0 if form.full_colour else 2, exif=exif, **more
    )
    return out.getvalue()


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def _png(codes: np.ndarray, icc: bytes | None, form: FileForm) -> bytes:
    """OpenCV writes 16 bits but neither profile nor resolution, so these are put in after its header."""
    settings = [cv2.IMWRITE_PNG_COMPRESSION, 1, cv2.IMWRITE_PNG_STRATEGY, cv2.IMWRITE_PNG_STRATEGY_RLE]
    _, data = cv2.imencode(".png", np.ascontiguousarray(codes[..., ::-1]), settings)
    plain = data.tobytes()
    after_header = 8 + 25
    more = b""
    if icc:
        more += _chunk(b"iCCP", b"profile\0\0" + zlib.compress(icc, 9))
    if form.dpi:
        per_metre = round(form.dpi / 0.0254)
        more += _chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1))
    return plain[:after_header] + more + plain[after_header:]


def _tiff(codes: np.ndarray, icc: bytes | None, form: FileForm) -> bytes:
    """A plain uncompressed TIFF 6.0 (Adobe, 1992): one strip of pixels, little-endian."""
    height, width = codes.shape[:2]
    bits = codes.dtype.itemsize * 8
    pixels = codes.astype("<u2" if bits == 16 else "u1").tobytes()
    resolution = struct.pack("<II", round((form.dpi or 72) * 100), 100)
    extra = [struct.pack("<3H", bits, bits, bits), resolution, resolution, icc or b""]
    starts = np.cumsum([8 + len(pixels) + len(pixels) % 2] + [len(e) + len(e) % 2 for e in extra])
    tags = [
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, 3, int(starts[0])),
        (259, 3, 1, 1),
        (262, 3, 1, 2),
        (273, 4, 1, 8),
        (274, 3, 1, 1),
        (277, 3, 1, 3),
        (278, 4, 1, height),
        (279, 4, 1, len(pixels)),
        (282, 5, 1, int(starts[1])),
        (283, 5, 1, int(starts[2])),
        (284, 3, 1, 1),
        (296, 3, 1, 2),
    ]
    if icc:
        tags.append((34675, 7, len(icc), int(starts[3])))
    index = struct.pack("<H", len(tags)) + b"".join(struct.pack("<HHII", *t) for t in tags) + bytes(4)
    body = b"".join(e + bytes(len(e) % 2) for e in extra)
    return struct.pack("<2sHI", b"II", 42, int(starts[4])) + pixels + bytes(len(pixels) % 2) + body + index
