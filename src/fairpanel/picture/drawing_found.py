"""A copy of a picture with what was found drawn on it: outlines, patches, names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from fairpanel.picture.upright import Upright

#: The two kinds of font that Pillow loads by default.
_Font = ImageFont.FreeTypeFont | ImageFont.ImageFont

#: The long side of the copy lies between these. [px]
LEAST_SIDE, MOST_SIDE = 1000, 2400

_DARK, _LIGHT = (20, 20, 20), (255, 255, 255)
#: Lines and plates of strips that are read, of the step strip, and of what the frame cuts; names say it too.
_COLOURS = {"strip": (255, 255, 255), "steps": (255, 196, 70), "cut": (190, 190, 190)}
_SAID = {"strip": "{}", "steps": "{} steps", "cut": "{} cut off"}


@dataclass(frozen=True)
class Drawn:
    """What is drawn of one strip.

    Parameters
    ----------
    name : str
    outline : (4, 2) array
        Start left, start right, end right, end left. [px]
    patches : (k, 4, 2) array or None
        As measured. [px]
    kind : {"strip", "steps", "cut"}
    """

    name: str
    outline: np.ndarray
    patches: np.ndarray | None
    kind: str


def drawn_over(picture: Upright, strips: Sequence[Drawn]) -> np.ndarray:
    """The picture, neither tiny nor huge, with the strips drawn over it.

    Parameters
    ----------
    picture : Upright
    strips : sequence of Drawn

    Returns
    -------
    (height, width, 3) uint8 array
    """
    copy, times = _copied(picture)
    thin = max(1, round(max(copy.shape) / 1000))
    for strip in strips:
        for patch in strip.patches if strip.patches is not None else ():
            _line_round(copy, _moved(patch, times), _COLOURS[strip.kind], thin)
        _line_round(copy, _moved(strip.outline, times), _COLOURS[strip.kind], 2 * thin)
    return _named(copy, strips, times)


def _copied(picture: Upright) -> tuple[np.ndarray, float]:
    """8-bit pixels at a readable size, and how many times the picture's own size that is."""
    pixels = picture.pixels if picture.pixels.dtype == np.uint8 else (picture.pixels >> 8).astype(np.uint8)
    side = max(pixels.shape[:2])
    times = float(np.clip(side, LEAST_SIDE, MOST_SIDE)) / side
    if times == 1.0:
        return pixels.copy(), 1.0
    size = (max(1, round(pixels.shape[1] * times)), max(1, round(pixels.shape[0] * times)))
    return cv2.resize(pixels, size, interpolation=cv2.INTER_AREA if times < 1 else cv2.INTER_CUBIC), times


def _moved(points: np.ndarray, times: float) -> np.ndarray:
    return (np.asarray(points) + 0.5) * times - 0.5


def _line_round(copy: np.ndarray, quad: np.ndarray, colour: tuple[int, int, int], width: int) -> None:
    """A closed line with a dark edge, so that it shows on every ground."""
    points = np.round(quad * 16).astype(np.int32)[:, None]
    cv2.polylines(copy, [points], True, _DARK, width + 2, cv2.LINE_AA, shift=4)
    cv2.polylines(copy, [points], True, colour, width, cv2.LINE_AA, shift=4)


def _named(copy: np.ndarray, strips: Sequence[Drawn], times: float) -> np.ndarray:
    image = Image.fromarray(copy)
    draw = ImageDraw.Draw(image)
    large = ImageFont.load_default(max(16.0, max(copy.shape) / 55))
    for strip in strips:
        quad = _moved(strip.outline, times)
        if strip.patches is not None and len(strip.patches) > 1:
            _number_patches(draw, [_moved(p, times) for p in strip.patches], copy.shape)
        _label(draw, _SAID[strip.kind].format(strip.name), _beside_start(quad, copy.shape), large, _COLOURS[strip.kind])
    return np.asarray(image)


def _beside_start(quad: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """Where a strip's name stands: on its first end, well inside the picture."""
    start = quad[:2].mean(axis=0)
    far = np.array(shape[1::-1])
    return np.clip(start, 0.03 * far, 0.97 * far)


def _number_patches(draw: ImageDraw.ImageDraw, quads: Sequence[np.ndarray], shape: tuple[int, ...]) -> None:
    """Numbers from the start, as large as the patches allow, left out where they would be too small to read."""
    room = float(np.min([[np.linalg.norm(q[3] - q[0]), np.linalg.norm(q[1] - q[0])] for q in quads]))
    size = min(0.5 * room, max(shape) / 60)
    if size < 9:
        return
    font = ImageFont.load_default(size)
    for k, quad in enumerate(quads, start=1):
        x, y = quad.mean(axis=0)
        draw.text((x, y), str(k), fill=_LIGHT, font=font, anchor="mm", stroke_width=2, stroke_fill=_DARK)


def _label(draw: ImageDraw.ImageDraw, text: str, at: np.ndarray, font: _Font, colour: tuple[int, int, int]) -> None:
    """A word on a plate."""
    x0, y0, x1, y1 = draw.textbbox((float(at[0]), float(at[1])), text, font=font, anchor="mm")
    spare = 0.25 * (y1 - y0) + 2
    draw.rounded_rectangle((x0 - spare, y0 - spare, x1 + spare, y1 + spare), radius=spare, fill=_DARK, outline=colour)
    draw.text((float(at[0]), float(at[1])), text, fill=colour, font=font, anchor="mm")
