"""Picture files to upright pixels with their way to linear light, and clean files for publications.

JPEG, PNG, TIFF, WebP and BMP are decoded by OpenCV (16 bit exactly), CMYK and TIFF with alpha by Pillow, HEIC
by libheif. What cannot be read whole is refused: a half-decoded picture never gets further.
"""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from collections.abc import Callable

import cv2
import numpy as np
import pi_heif
from PIL import Image, ImageCms

from fairpanel.files.colour_profiles import (
    ProfileError,
    TableProfile,
    colour_model,
    description,
    transfer_of,
)
from fairpanel.files.library_messages import heard, tell_of_damage
from fairpanel.files.picture_headers import Header, PictureError, read_header
from fairpanel.picture.colour import ADOBE_RGB, DISPLAY_P3, SRGB, transfer
from fairpanel.picture.upright import Transfer, Upright

__all__ = ["Header", "PictureError", "clean_jpeg", "clean_png", "decode", "inspect"]

_COLOUR = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_ANYDEPTH | cv2.IMREAD_IGNORE_ORIENTATION
_REDUCED = cv2.IMREAD_REDUCED_COLOR_8 | cv2.IMREAD_IGNORE_ORIENTATION
_DAMAGED_PROFILE = "assumed sRGB (its own profile is damaged)"
_COPY_AGAIN = "Copy it again from the camera or scanner."

#: EXIF orientation to what turns the stored picture upright (CIPA DC-008, tag 274).
_TURNS: dict[int, Callable[[np.ndarray], np.ndarray]] = {
    2: lambda p: cv2.flip(p, 1),
    3: lambda p: cv2.rotate(p, cv2.ROTATE_180),
    4: lambda p: cv2.flip(p, 0),
    5: lambda p: cv2.transpose(p),
    6: lambda p: cv2.rotate(p, cv2.ROTATE_90_CLOCKWISE),
    7: lambda p: cv2.flip(cv2.transpose(p), -1),
    8: lambda p: cv2.rotate(p, cv2.ROTATE_90_COUNTERCLOCKWISE),
}


def inspect(data: bytes, name: str) -> Header:
    """Find out whether a file can be read whole, for take-in.

    JPEG is decoded at an eighth of its size, which meets every byte at a quarter of the cost; the others are
    decoded and thrown away.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        As the tester named it, for messages.

    Raises
    ------
    PictureError
        See `decode`.
    """
    header = read_header(data, name)
    _pixels(data, header, name, reduced=header.format == "JPEG" and header.mode != "CMYK")
    return header


def decode(data: bytes, name: str) -> Upright:
    """Decode a picture, turned the way it is looked at.

    Grey becomes three equal channels, a palette is expanded, CMYK is converted, opaque alpha is dropped and
    varying alpha laid on white; each is noted in the facts.

    Parameters
    ----------
    data : bytes
        The whole file: JPEG, PNG or TIFF (8 or 16 bit), HEIC, WebP or BMP.
    name : str
        As the tester named it.

    Raises
    ------
    PictureError
        Empty, cut off, damaged, of another format, animated, smaller than 64 px a side, larger than 120
        megapixels, or with a header that does not fit what follows it.
    """
    header = read_header(data, name)
    pixels, facts = _pixels(data, header, name)
    facts = {"grey": False, "palette": False, "cmyk": False, "alpha": "none", **header.facts, **facts}
    pixels, way = _way_to_light(pixels, header, facts)
    turn = _TURNS.get(header.orientation)
    if turn is not None:
        pixels = turn(pixels)
    facts["grey"] = facts["grey"] or _looks_grey(pixels)
    facts["profile"] = way.name
    return Upright(name, hashlib.sha256(data).hexdigest(), pixels, way, facts)


# ---- pixels ------------------------------------------------------------------------------------------------


def _pixels(data: bytes, header: Header, name: str, reduced: bool = False) -> tuple[np.ndarray, dict]:
    """Stored pixels as red, green, blue (CMYK left as it is), and what was done to them."""
    damaged = PictureError(name, "is cut off or damaged", _COPY_AGAIN)
    try:
        with heard() as messages:
            pixels, facts = _route(header)(data, header, reduced)
    except (PictureError, MemoryError):
        raise
    except Exception:  # every library has its own; all mean the same to the tester
        raise damaged from None
    if tell_of_damage(messages):
        raise damaged
    if not reduced and pixels.shape[:2] not in ((header.height, header.width), (header.width, header.height)):
        raise PictureError(name, "has another size than its header says", _COPY_AGAIN)
    return pixels, facts


def _route(header: Header) -> Callable[[bytes, Header, bool], tuple[np.ndarray, dict]]:
    if header.format == "HEIC":
        return _by_heif
    rare_tiff = header.format == "TIFF" and header.bits == 8 and header.alpha
    return _by_pillow if header.mode == "CMYK" or rare_tiff else _by_opencv


def _read(data: bytes, flags: int) -> np.ndarray:
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if pixels is None:
        raise ValueError("not decoded")
    return pixels


def _by_opencv(data: bytes, header: Header, reduced: bool) -> tuple[np.ndarray, dict]:
    facts = {
        "grey": header.mode in ("1", "L", "LA", "I", "I;16", "I;16B"),
        "palette": header.mode in ("P", "PA"),
    }
    if reduced:
        return _read(data, _REDUCED), facts
    if header.format != "TIFF" and not header.alpha:
        return _read(data, _COLOUR), facts
    # With those flags the TIFF reader leaves 16-bit pixels in blue, green, red; so read as stored, then swap.
    pixels = _read(data, cv2.IMREAD_UNCHANGED)
    if pixels.ndim == 2:
        pixels = ~pixels if header.facts.get("white_is_zero") else pixels
        return cv2.cvtColor(pixels, cv2.COLOR_GRAY2RGB), facts
    if pixels.shape[2] == 4:
        return _on_white(cv2.cvtColor(pixels, cv2.COLOR_BGRA2RGB), pixels[..., 3], facts)
    return cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB, dst=pixels), facts


def _by_pillow(data: bytes, header: Header, reduced: bool) -> tuple[np.ndarray, dict]:
    """CMYK as stored, and 8-bit TIFF with alpha, of which the other reader would lose a part."""
    # Pillow fills up what is missing without a word; this read is for the other library's complaints.
    _read(data, _REDUCED)
    with Image.open(io.BytesIO(data)) as image:
        if image.mode == "CMYK":
            return np.array(image), {"cmyk": True}
        facts = {"grey": image.mode in ("LA", "La"), "palette": image.mode == "PA"}
        pixels = np.asarray(image.convert("RGBA"))
    return _on_white(np.ascontiguousarray(pixels[..., :3]), pixels[..., 3], facts)


def _by_heif(data: bytes, header: Header, reduced: bool) -> tuple[np.ndarray, dict]:
    image = pi_heif.open_heif(data, convert_hdr_to_8bit=False)
    pixels = np.array(image)
    if pixels.dtype == np.uint16:  # the library puts 10 bits at the top; fill below so that white is 65535
        pixels |= pixels >> int(image.info["bit_depth"])
    if pixels.ndim == 2 or pixels.shape[2] == 1:
        return cv2.cvtColor(pixels, cv2.COLOR_GRAY2RGB), {"grey": True}
    if pixels.shape[2] == 4:
        return _on_white(np.ascontiguousarray(pixels[..., :3]), pixels[..., 3], {})
    return pixels, {}


def _on_white(rgb: np.ndarray, alpha: np.ndarray, facts: dict) -> tuple[np.ndarray, dict]:
    """Pixels laid on white by their alpha, in codes as viewers do."""
    top = np.iinfo(rgb.dtype).max
    if alpha.min() == top:
        return rgb, {**facts, "alpha": "opaque"}
    share = alpha.astype(np.float32)[..., None] / top
    laid = np.rint(rgb * share + top * (1 - share)).astype(rgb.dtype)
    return laid, {**facts, "alpha": "varying"}


def _looks_grey(pixels: np.ndarray) -> bool:
    some = pixels[::16, ::16]
    return bool((some[..., 0] == some[..., 1]).all() and (some[..., 1] == some[..., 2]).all())


# ---- colour ------------------------------------------------------------------------------------------------


def _way_to_light(pixels: np.ndarray, header: Header, facts: dict) -> tuple[np.ndarray, Transfer]:
    """Pixels as red, green, blue codes, with their way to linear light."""
    levels = int(np.iinfo(pixels.dtype).max) + 1
    profile = header.profile
    if profile is None:
        return _without_cmyk(pixels), _unprofiled(header, levels)
    fitting = ("CMYK",) if facts["cmyk"] else ("RGB", "GRAY") if facts["grey"] else ("RGB",)
    if colour_model(profile) not in fitting:
        return _without_cmyk(pixels), transfer(SRGB, levels, "assumed sRGB (its own profile does not fit)")
    try:
        return pixels, transfer_of(profile, levels)
    except TableProfile:
        return _managed(pixels, profile)
    except ProfileError:
        return _without_cmyk(pixels), transfer(SRGB, levels, _DAMAGED_PROFILE)


def _unprofiled(header: Header, levels: int) -> Transfer:
    if header.facts.get("colour_space") == ADOBE_RGB.name:
        return transfer(ADOBE_RGB, levels)
    primaries = (header.facts.get("nclx") or {}).get("color_primaries", 2)
    if primaries == 12:  # ITU-T H.273: 1 is BT.709 and sRGB, 2 unspecified, 12 Display P3
        return transfer(DISPLAY_P3, levels)
    said = primaries == 1 or header.facts.get("colour_space") == SRGB.name
    return transfer(SRGB, levels, SRGB.name if said else "assumed sRGB")


def _without_cmyk(pixels: np.ndarray) -> np.ndarray:
    return np.array(Image.fromarray(pixels, "CMYK").convert("RGB")) if pixels.shape[2] == 4 else pixels


def _managed(pixels: np.ndarray, profile: bytes) -> tuple[np.ndarray, Transfer]:
    """Convert by colour management to sRGB, 8 bit; for profiles made of look-up tables."""
    if pixels.dtype == np.uint16:
        pixels = np.rint(pixels / 257).astype(np.uint8)
    image = Image.fromarray(pixels, "CMYK" if pixels.shape[2] == 4 else "RGB")
    if colour_model(profile) == "GRAY":
        image = image.getchannel(0)
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        turned = ImageCms.profileToProfile(
            image,
            source,
            ImageCms.createProfile("sRGB"),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
            outputMode="RGB",
        )
        name = f"{description(profile) or 'unnamed profile'}, converted to sRGB"
        return np.array(turned), transfer(SRGB, 256, name)
    except (ImageCms.PyCMSError, ProfileError, OSError):
        return _without_cmyk(pixels), transfer(SRGB, 256, _DAMAGED_PROFILE)


# ---- clean files for publications --------------------------------------------------------------------------


def clean_png(pixels: np.ndarray, *, say_srgb: bool = True) -> bytes:
    """A PNG that holds pixels and nothing else; the same bytes for the same pixels.

    Parameters
    ----------
    pixels : (height, width, 3) or (height, width) array, uint8 or uint16
        Red, green, blue (or grey) codes.
    say_srgb : bool
        Whether to say that the codes are sRGB.
    """
    stored = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR)
    data = cv2.imencode(".png", stored)[1].tobytes()
    chunks = [c for c in _png_chunks(data) if c[4:8] in (b"IHDR", b"IDAT", b"IEND")]
    body = b"sRGB\0"  # perceptual intent; chunk of the PNG specification, 11.3.2.5
    srgb = struct.pack(">I", 1) + body + struct.pack(">I", zlib.crc32(body))
    return data[:8] + chunks[0] + (srgb if say_srgb else b"") + b"".join(chunks[1:])


def _png_chunks(data: bytes) -> list[bytes]:
    chunks, at = [], 8
    while at < len(data):
        size = 12 + int.from_bytes(data[at : at + 4], "big")
        chunks.append(data[at : at + size])
        at += size
    return chunks


def clean_jpeg(pixels: np.ndarray, *, quality: int = 90) -> bytes:
    """A JPEG that holds pixels and nothing else; without a profile its codes mean sRGB.

    Parameters
    ----------
    pixels : (height, width, 3) or (height, width) uint8 array
        Red, green, blue (or grey) codes.
    quality : int
        1 to 100; colour is not thinned out from 90 up.
    """
    stored = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR)
    sampling = cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444 if quality >= 90 else cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420
    settings = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    return cv2.imencode(".jpg", stored, settings)[1].tobytes()
