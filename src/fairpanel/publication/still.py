"""A picture for a video: strips of one paper sheet under each other, each with its number, to be read on a phone.

Drawn at 1920 by 1080 pixels with a typeface that comes with the PDF library, so that it looks the same everywhere.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

WIDTH, HEIGHT = 1920, 1080

#: Most strips that are still large enough to be seen on a phone.
MOST = 4

_GROUND, _INK, _QUIET, _LINE = "#fcfcfb", "#1b1f23", "#59616a", "#c9cdd1"
_EDGE, _TEXT_X, _GAP = 56, 1150, 48
_TITLE, _SMALL, _UNDER = 52, 33, 35
_FOOT_LINE = 42
_MARGIN = 12

#: Share of the room for a strip that it may take with its words beside it.
_BESIDE = 0.68


class CannotDraw(ValueError):
    """The picture cannot be made from this; the message says why."""


@dataclass(frozen=True)
class StillStrip:
    """One strip in the picture.

    Parameters
    ----------
    name : str
        What lay over it.
    number, interval : str
        As the findings have them ("14.5 %", "12.1 to 17.0"); empty where it has none.
    finding : str
        What may be said, in short ("Shown, 3 plates").
    what : str
        What is seen from left to right, under the strip.
    pixels : (h, w, 3) uint8 array
        sRGB codes. All strips have the same scale and the same stretch of tones.
    """

    name: str
    number: str
    interval: str
    finding: str
    what: str
    pixels: np.ndarray


def still(strips: Sequence[StillStrip], *, title: str, small: Sequence[str]) -> np.ndarray:
    """The picture.

    Parameters
    ----------
    strips : sequence of StillStrip
        From top to bottom; one to MOST.
    title : str
    small : sequence of str
        Paragraphs of small print at the foot.

    Returns
    -------
    (1080, 1920, 3) uint8 array
        sRGB codes. Strips are magnified alike and not otherwise changed.

    Raises
    ------
    CannotDraw
        No strips, or too many.
    """
    if not 1 <= len(strips) <= MOST:
        raise CannotDraw(f"A picture for video holds one to {MOST} strips; these are {len(strips)}.")
    canvas = Image.new("RGB", (WIDTH, HEIGHT), _GROUND)
    draw = ImageDraw.Draw(canvas)
    _fitted(draw, (_EDGE, 40), title, size=_TITLE, room=WIDTH - 2 * _EDGE, bold=True)
    lines = [line for text in small for line in wrapped(text, size=_SMALL, room=WIDTH - 2 * _EDGE)]
    foot = HEIGHT - 34 - _FOOT_LINE * len(lines)
    top = 40 + round(1.6 * _TITLE)
    tall = (foot - 20 - top) / len(strips)
    scale, beside = magnification(strips, tall=tall)
    for i, strip in enumerate(strips):
        _row(canvas, draw, strip, top=top + i * tall, tall=tall, scale=scale, beside=beside)
    draw.line([(_EDGE, foot - 14), (WIDTH - _EDGE, foot - 14)], fill=_LINE, width=2)
    for i, line in enumerate(lines):
        draw.text((_EDGE, foot + i * _FOOT_LINE), _plain(line), font=_font(_SMALL), fill=_QUIET)
    return np.asarray(canvas)


def magnification(strips: Sequence[StillStrip], *, tall: float) -> tuple[float, bool]:
    """How many times larger than its pixels every strip is drawn, one number for all; and where its words stand.

    Parameters
    ----------
    strips : sequence of StillStrip
    tall : float
        Height of the place for one strip with its words. [px]

    Returns
    -------
    scale : float
    beside : bool
        The words stand beside the strips, which makes short ones larger; else under them.
    """
    room = _TEXT_X - _EDGE - _GAP
    longest, broadest = (max(s.pixels.shape[axis] for s in strips) for axis in (1, 0))
    beside = min(_BESIDE * room / longest, (tall - 2 * _MARGIN) / broadest)
    under = min(room / longest, (tall - 2 * _MARGIN - _UNDER - 12) / broadest)
    return max(beside, under), beside >= under


def _row(
    canvas: Image.Image,
    draw: ImageDraw.ImageDraw,
    strip: StillStrip,
    *,
    top: float,
    tall: float,
    scale: float,
    beside: bool,
) -> None:
    draw.line([(_EDGE, top), (WIDTH - _EDGE, top)], fill=_LINE, width=2)
    image = _magnified(strip.pixels, scale)
    high, wide = image.shape[:2]
    y = round(top + (tall - high - (0 if beside else _UNDER + 12)) / 2)
    canvas.paste(Image.fromarray(image), (_EDGE, y))
    draw.rectangle([_EDGE - 1, y - 1, _EDGE + wide, y + high], outline=_LINE, width=1)
    x = _EDGE + (wide + 28 if beside else 0)
    room = _TEXT_X - _GAP - x
    lines = wrapped(strip.what, size=_UNDER, room=room) if beside else [strip.what]
    first = y + high / 2 - 0.6 * _UNDER * len(lines) if beside else y + high + 8
    for i, line in enumerate(lines):
        _fitted(draw, (x, first + 1.2 * _UNDER * i), line, size=_UNDER, room=room, fill=_QUIET)
    _numbers(draw, strip, top=top, tall=tall)


def _numbers(draw: ImageDraw.ImageDraw, strip: StillStrip, *, top: float, tall: float) -> None:
    """Name, number with its interval, finding: three lines, as large as the place allows."""
    unit = min(tall, 250.0)
    name, number, finding = round(0.20 * unit), round(0.40 * unit), max(round(0.16 * unit), _SMALL)
    room = WIDTH - _EDGE - _TEXT_X
    parts = [(strip.name, name, True, _INK), (strip.finding, finding, False, _INK)]
    height = 1.25 * name + (1.2 * number if strip.number else 0) + 1.25 * finding
    y = top + max((tall - height) / 2, 4)
    _fitted(draw, (_TEXT_X, y), parts[0][0], size=name, room=room, bold=True)
    y += 1.25 * name
    if strip.number:
        width = _fitted(draw, (_TEXT_X, y), strip.number, size=number, room=room, bold=True)
        beside = room - width - 28
        small = round(0.52 * number)
        drop = _font(number, True).getmetrics()[0] - _font(small).getmetrics()[0]
        if strip.interval and beside > 120:
            _fitted(draw, (_TEXT_X + width + 28, y + drop), strip.interval, size=small, room=beside)
        y += 1.2 * number
    _fitted(draw, (_TEXT_X, y), strip.finding, size=finding, room=room)


def _magnified(pixels: np.ndarray, scale: float) -> np.ndarray:
    size = (max(1, round(pixels.shape[1] * scale)), max(1, round(pixels.shape[0] * scale)))
    how = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_AREA
    return np.asarray(cv2.resize(np.ascontiguousarray(pixels), size, interpolation=how))


# ---- letters ---------------------------------------------------------------------------------------------------


@cache
def _font(size: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    """Bitstream Vera, which comes with ReportLab under a licence of its own that allows this."""
    data = files("reportlab").joinpath("fonts", "VeraBd.ttf" if bold else "Vera.ttf").read_bytes()
    return ImageFont.truetype(io.BytesIO(data), size)


def _plain(text: str) -> str:
    """A text with plain blanks: the typeface's own unbroken one is twice as wide."""
    return text.replace("\N{NO-BREAK SPACE}", " ")


def _fitted(
    draw: ImageDraw.ImageDraw,
    at: tuple[float, float],
    text: str,
    *,
    size: int,
    room: float,
    bold: bool = False,
    fill: str = _INK,
) -> float:
    """Draw one line; what is too long is set smaller, down to half, then cut with dots. Gives its width. [px]"""
    text = _plain(text)
    smaller = size
    while smaller > size / 2 and _font(smaller, bold).getlength(text) > room:
        smaller -= 1
    font = _font(smaller, bold)
    if font.getlength(text) > room:
        while text and font.getlength(f"{text}…") > room:
            text = text[:-1]
        text = f"{text.rstrip()}…"
    drop = _font(size, bold).getmetrics()[0] - font.getmetrics()[0]
    draw.text((at[0], at[1] + drop), text, font=font, fill=fill)
    return float(font.getlength(text))


def wrapped(text: str, *, size: int, room: float) -> list[str]:
    """Lines of a paragraph that are no longer than `room`. [px]"""
    lines = [""]
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and _font(size).getlength(longer) > room:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def not_drawable(text: str) -> str:
    """Letters of a text that the typeface does not have, once each.

    >>> not_drawable("Wachs für 5 µm – “fein”"), not_drawable("воск")
    ('', 'воск')
    """
    font = _font(32)
    missing = bytes(font.getmask("\uffff"))
    return "".join(dict.fromkeys(c for c in text if not c.isspace() and bytes(font.getmask(c)) == missing))
