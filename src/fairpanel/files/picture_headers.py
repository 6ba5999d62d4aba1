"""What a picture file says of itself, and the refusals that need no decoding.

Only the header is read here. Nothing is allocated by what a header claims.
"""

from __future__ import annotations

import io
import logging
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pi_heif
from PIL import Image
from PIL.ExifTags import IFD, Base

# What Pillow logs of damaged headers is said to the tester in our own words; it must not be printed besides.
logging.getLogger("PIL").addHandler(logging.NullHandler())

SMALLEST_SIDE_PX = 64
MOST_PIXELS = 120_000_000

_PILLOW_FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "BMP")
_STILL_HEIF = (b"heic", b"heix", b"heim", b"heis", b"mif1")
_MOVING_HEIF = (b"hevc", b"hevx", b"msf1")
_READABLE = "JPEG, PNG, TIFF, HEIC, WebP or BMP"

#: Beginnings of files that are often mistaken for a picture we read, and what to do with them.
_OTHERS: tuple[tuple[bytes, str, str], ...] = (
    (b"GIF8", "is a GIF, which holds too few tones", "Save the original as PNG or JPEG."),
    (b"%PDF", "is a PDF", "Scan to PNG, TIFF or JPEG instead."),
    (b"\xff\x0a", "is a JPEG XL", "Save it as PNG or JPEG."),
    (b"\0\0\0\x0cJXL ", "is a JPEG XL", "Save it as PNG or JPEG."),
    (b"\0\0\0\x0cjP  ", "is a JPEG 2000", "Save it as PNG or TIFF."),
    (b"8BPS", "is a layered working file", "Save a flat copy as TIFF or PNG."),
    (b"PK\x03\x04", "is a packed archive", "Unpack it first."),
    (b"<svg", "is a drawing, not a picture", "Take the scan or the photo itself."),
)

#: EXIF CustomRendered beyond "normal", as phones use it (1 is the standard's "custom"; the rest from memory).
_RENDERED = {
    2: "HDR",
    3: "HDR",
    4: "HDR, original kept",
    6: "panorama",
    7: "portrait with HDR",
    8: "portrait",
}
_SCENES = {1: "landscape scene", 2: "portrait scene", 3: "night scene"}
_MODE_WORDS = ("hdr", "night mode", "night sight", "portrait mode")

#: Luminance table of ITU-T T.81, annex K.1: its sum, from which the usual quality scale is counted.
_QUALITY_50_SUM = 3688


class PictureError(ValueError):
    """A file that cannot be read as a picture.

    Parameters
    ----------
    name : str
        As the tester named the file.
    reason : str
        What is wrong, to follow the name ("is empty").
    what_to_do : str
    """

    def __init__(self, name: str, reason: str, what_to_do: str) -> None:
        super().__init__(f"{name} {reason}. {what_to_do}")
        self.name, self.reason, self.what_to_do = name, reason, what_to_do


@dataclass(frozen=True)
class Header:
    """What a file claims, before anything is decoded.

    Parameters
    ----------
    format : str
        "JPEG", "PNG", "TIFF", "HEIC", "WebP" or "BMP".
    mode : str
        Kind of pixels in Pillow's words ("RGB", "L", "P", "CMYK" ...).
    width, height : int
        As stored, before turning. [px]
    bits : int
        Per channel.
    alpha : bool
        Whether pixels can be transparent.
    orientation : int
        EXIF orientation still to be applied, 1 to 8. 1 for TIFF and HEIC, whose decoders turn by themselves.
    profile : bytes or None
        Embedded ICC profile.
    facts : dict
        For `Upright.facts`.
    """

    format: str
    mode: str
    width: int
    height: int
    bits: int
    alpha: bool
    orientation: int
    profile: bytes | None
    facts: dict[str, Any] = field(default_factory=dict)


def read_header(data: bytes, name: str) -> Header:
    """Read what a picture file says of itself.

    Raises
    ------
    PictureError
        Empty, not a picture of a known format, animated, smaller than 64 px a side, larger than 120
        megapixels, or with a damaged header.
    """
    if not data:
        raise PictureError(name, "is empty (0 bytes)", "Copy it again from the camera or scanner.")
    header = _read_heif(data, name) if data[4:8] == b"ftyp" else _read_by_pillow(data, name)
    _check_size(header, name)
    return header


def _check_size(header: Header, name: str) -> None:
    width, height = header.width, header.height
    if width * height > MOST_PIXELS:
        claimed = f"claims {width} x {height} pixels, over the limit of {MOST_PIXELS // 1_000_000} megapixels"
        raise PictureError(name, claimed, "Scan at 600 dpi or less, or cut the picture to the strips.")
    if min(width, height) < SMALLEST_SIDE_PX:
        small = f"is only {width} x {height} pixels"
        raise PictureError(name, small, f"Use the original; a side needs at least {SMALLEST_SIDE_PX} pixels.")


def _unknown(data: bytes, name: str) -> PictureError:
    start = data.lstrip()[:16]
    for magic, reason, what_to_do in _OTHERS:
        if start.startswith(magic):
            return PictureError(name, reason, what_to_do)
    text = all(32 <= b < 127 or b in b"\r\n\t" for b in data[:256])
    reason = "is a text file, whatever its name says" if text else "is not a picture this program knows"
    return PictureError(name, reason, f"Give the picture itself, as {_READABLE}.")


def _read_by_pillow(data: bytes, name: str) -> Header:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            image = Image.open(io.BytesIO(data), formats=_PILLOW_FORMATS)
        except Image.DecompressionBombError:
            reason = f"claims far more than {MOST_PIXELS // 1_000_000} megapixels"
            raise PictureError(name, reason, "Scan at 600 dpi or less, or check the file.") from None
        except Image.UnidentifiedImageError:
            raise _unopened(data, name) from None
        except Exception:  # whatever a damaged header provokes in a parser
            raise _damaged(name) from None
        try:
            return _from_pillow(image, data, name)
        except PictureError:
            raise
        except Exception:  # the same, in tags read late
            raise _damaged(name) from None


def _damaged(name: str) -> PictureError:
    return PictureError(name, "has a damaged header", "Copy it again from the camera or scanner.")


def _unopened(data: bytes, name: str) -> PictureError:
    known = (b"\xff\xd8\xff", b"\x89PNG\r\n", b"RIFF", b"BM")
    if data.startswith((b"II*\0", b"MM\0*")):
        reason = "is cut off, damaged, or stores its tones in a way this program does not read"
        return PictureError(name, reason, "Copy it again, or save it as a plain RGB TIFF or PNG.")
    if data.startswith(known) and not data[:256].isascii():
        return PictureError(name, "is cut off or damaged", "Copy it again from the camera or scanner.")
    return _unknown(data, name)


def _from_pillow(image: Image.Image, data: bytes, name: str) -> Header:
    kind = {"MPO": "JPEG", "WEBP": "WebP"}.get(str(image.format), str(image.format))
    # A second picture behind a JPEG is a preview or a gain map, not a frame.
    if kind != "JPEG" and getattr(image, "n_frames", 1) > 1:
        pages = "holds several pages" if kind == "TIFF" else "is animated"
        raise PictureError(name, pages, "Save the one picture that shows the strips, as PNG or TIFF.")
    bits = _BITS.get(kind, _eight)(image, data)
    if kind == "TIFF":
        _check_tiff(image, data, name)
    exif = _png_exif(data) if kind == "PNG" else image.getexif()
    facts = {"format": kind, "bits": bits, "lossy": _is_lossy(kind, image, data), **exif_facts(exif)}
    if kind == "JPEG":
        facts["jpeg_quality"] = _quality(image)
    if kind == "TIFF" and bits == 16:
        facts["white_is_zero"] = _numbers(image, 262, (1,))[0] == 0
    facts["dpi"] = _resolution(image)
    if kind == "PNG" and "srgb" in image.info:
        facts["colour_space"] = "sRGB"
    alpha = image.mode in ("RGBA", "LA", "PA", "RGBa", "La") or "transparency" in image.info
    width, height = image.size
    orientation = int(exif.get(Base.Orientation, 1) or 1) if kind != "TIFF" else 1
    return Header(
        kind,
        image.mode,
        width,
        height,
        bits,
        alpha,
        orientation if orientation in range(1, 9) else 1,
        image.info.get("icc_profile") or None,
        facts,
    )


def _resolution(image: Image.Image) -> float | None:
    """Pixels per inch, if the file gives one for both ways; phones write 72, which means nothing."""
    across, down = image.info.get("dpi", (0, 0))
    return round(float(across), 2) if across == down and float(across) > 73 else None


def _png_exif(data: bytes) -> Image.Exif:
    """EXIF of a PNG, wherever its chunk stands; Pillow would decode the picture to look behind the pixels."""
    exif, at = Image.Exif(), 8
    while at + 8 <= len(data):
        size, name = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8]
        if name == b"eXIf":
            exif.load(b"Exif\0\0" + data[at + 8 : at + 8 + size])
            break
        at += 12 + size
    return exif


def _eight(image: Image.Image, data: bytes) -> int:
    return 8


_BITS: dict[str, Callable[[Image.Image, bytes], int]] = {
    "PNG": lambda image, data: max(8, data[24]),
    "TIFF": lambda image, data: max(8, *_numbers(image, 258, (1,))),
}


def _numbers(image: Image.Image, tag: int, default: tuple[int, ...]) -> tuple[int, ...]:
    """Values of a numeric TIFF tag."""
    value = image.tag_v2.get(tag, default)  # type: ignore[attr-defined]
    return tuple(int(v) for v in (value if isinstance(value, tuple) else (value,)))


def _check_tiff(image: Image.Image, data: bytes, name: str) -> None:
    """Refuse raw files, kinds of tones that mean no light, and strips that lie beyond the end of the file."""
    tags = image.tag_v2  # type: ignore[attr-defined]
    if 50706 in tags or _numbers(image, 254, (0,))[0] & 1 or data[8:10] == b"CR":
        raise PictureError(name, "is a camera raw file", "Save it as a 16-bit TIFF or as PNG first.")
    photometric, sample = _numbers(image, 262, (1,))[0], _numbers(image, 339, (1,))
    bits, planes = max(_numbers(image, 258, (1,))), _numbers(image, 284, (1,))[0]
    odd_depth = bits not in (1, 2, 4, 8, 16) or (bits == 16 and planes == 2)
    if photometric not in (0, 1, 2, 3, 5, 6) or set(sample) != {1} or odd_depth:
        reason = "stores its tones in a way this program does not read"
        raise PictureError(name, reason, "Save it as a plain 8- or 16-bit RGB TIFF or PNG.")
    for where, size in ((273, 279), (324, 325)):
        ends = (a + n for a, n in zip(_numbers(image, where, ()), _numbers(image, size, ()), strict=False))
        if max(ends, default=0) > len(data):
            raise PictureError(name, "is cut off", "Copy it again from the camera or scanner.")


def _is_lossy(kind: str, image: Image.Image, data: bytes) -> bool:
    if kind == "TIFF":
        return image.info.get("compression") == "jpeg"
    return kind == "JPEG" or (kind == "WebP" and b"VP8L" not in data[:4096])


def _quality(image: Image.Image) -> int | None:
    """Quality on the usual scale of 1 to 100, from the luminance table; rough for other encoders' own
    tables."""
    tables = getattr(image, "quantization", None)
    if not tables or 0 not in tables:
        return None
    scale = 100 * sum(tables[0]) / _QUALITY_50_SUM
    return round(max(1.0, min(100.0, (200 - scale) / 2 if scale <= 100 else 5000 / scale)))


def exif_facts(exif: Image.Exif) -> dict[str, Any]:
    """Facts of taking from EXIF: "software", "taken_at", "auto_mode" (a reason, or empty), "colour_space"."""
    photo = exif.get_ifd(IFD.Exif)
    interoperability = exif.get_ifd(IFD.Interop).get(1, "")
    software = _text(exif.get(Base.Software))
    taken = _text(photo.get(Base.DateTimeOriginal) or exif.get(Base.DateTime))
    if len(taken) >= 19:
        taken = taken[:10].replace(":", "-") + "T" + taken[11:19] + _text(photo.get(Base.OffsetTimeOriginal))
    adobe = photo.get(Base.ColorSpace) == 2 or _text(interoperability).startswith("R03")
    return {
        "software": software,
        "taken_at": taken,
        "auto_mode": _auto_mode(photo, software + " " + _text(exif.get(Base.ImageDescription))),
        "colour_space": "Adobe RGB (1998)" if adobe else "",
    }


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    return str(value or "").replace("\0", " ").strip()


def _auto_mode(photo: dict[int, Any], words: str) -> str:
    """The automatic mode the camera noted, in words; empty where it noted none."""
    rendered = photo.get(Base.CustomRendered, 0)
    found = [_RENDERED.get(rendered, "processed by the camera's own rules")] if rendered else []
    scene = photo.get(Base.SceneCaptureType, 0)
    found += [_SCENES[scene]] if scene in _SCENES else []
    found += [word for word in _MODE_WORDS if word in words.casefold()][:1]
    return ", ".join(dict.fromkeys(found))


# ---- HEIC --------------------------------------------------------------------------------------------------


def _read_heif(data: bytes, name: str) -> Header:
    brand = data[8:12]
    if brand in _MOVING_HEIF:
        raise PictureError(name, "holds a moving picture", "Save the one picture that shows the strips.")
    if brand not in _STILL_HEIF or b"avif" in data[8:64]:
        raise _unknown(data, name)
    _check_boxes(data, name)
    try:
        image = pi_heif.open_heif(data, convert_hdr_to_8bit=False)
        exif = Image.Exif()
        exif.load(image.info.get("exif") or b"")
        bits = 8 if image.info.get("bit_depth", 8) == 8 else 16
        facts = {"format": "HEIC", "bits": bits, "lossy": True, **exif_facts(exif)}
        facts["nclx"] = image.info.get("nclx_profile") or {}
        width, height = image.size
        profile = image.info.get("icc_profile") or None
        return Header("HEIC", image.mode, width, height, bits, image.has_alpha, 1, profile, facts)
    except Exception:  # whatever a damaged header provokes in the library
        raise _damaged(name) from None


def _check_boxes(data: bytes, name: str) -> None:
    """Refuse a file whose outermost boxes reach beyond its end (ISO/IEC 14496-12, 4.2)."""
    at = 0
    while at < len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        if size == 1:
            size = int.from_bytes(data[at + 8 : at + 16], "big")
        if size == 0:
            return
        if size < 8 or at + size > len(data):
            raise PictureError(name, "is cut off", "Copy it again from the phone.")
        at += size
