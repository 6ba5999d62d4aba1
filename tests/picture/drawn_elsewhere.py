"""Step tablets and strips drawn from scratch, photographed askew, with the truth of every step.

Shares nothing with the package's own made pictures: other geometry, other light, another lens. A sheet is drawn flat in
linear light, seen through a homography, lit unevenly, made noisy and kept as JPEG. All sizes are in units of one step's
length unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from fairpanel.picture.colour import SRGB, transfer
from fairpanel.picture.upright import Upright

#: Pixels of the flat drawing for one step's length.
FINE = 60
GROUNDS = {"white table": (0.80, 0.80, 0.78), "black cloth": (0.02, 0.02, 0.022), "oak": (0.35, 0.24, 0.13)}
BORDERS = {"none": (0.0, None), "fine black": (0.05, 0.015), "fine white": (0.05, 0.85), "broad black": (0.2, 0.015)}


@dataclass(frozen=True)
class Tablet:
    """What is drawn.

    Parameters
    ----------
    steps : int
    ground : str
        One of `GROUNDS`.
    border : str
        One of `BORDERS`: lines between the steps, and around them.
    dense : float
        Density of the last step above the first.
    blue : bool
        Blue paper; else grey film or print.
    wide : float
        Width of the steps.
    """

    steps: int
    ground: str = "white table"
    border: str = "none"
    dense: float = 1.3
    blue: bool = False
    wide: float = 1.4

    def light(self) -> np.ndarray:
        """(steps, 3) linear light of each step, falling."""
        density = 0.08 + self.dense * np.linspace(0, 1, self.steps) ** 0.8
        colour = np.array([1.0, 0.72, 0.38]) if self.blue else np.ones(3)
        return 10.0 ** -(density[:, None] * colour)


@dataclass(frozen=True)
class View:
    """How it is seen: turned, from the side, lit from one side, noisy, kept as JPEG.

    Parameters
    ----------
    turn : float
        [degrees]
    aslant : float
        How much shorter the far side of the sheet looks. [1]
    falloff : float
        Light lost from one side of the picture to the other. [1]
    noise : float
        Of one pixel, relative to white. [1]
    quality : int
        Of the JPEG.
    width, height : int
        [px]
    """

    turn: float = 0.0
    aslant: float = 0.0
    falloff: float = 0.0
    noise: float = 0.004
    quality: int = 90
    width: int = 1400
    height: int = 1050


@dataclass(frozen=True)
class Photo:
    """A picture with its JPEG, the true corners of the steps' tones (n, 4, 2), without borders, and their light."""

    picture: Upright
    data: bytes
    steps: np.ndarray
    light: np.ndarray


def photo(tablet: Tablet, view: View, *, seed: int, caption: str = "") -> Photo:
    """A tablet drawn, seen and kept."""
    rng = np.random.default_rng([seed, tablet.steps])
    sheet, corners = _drawn(tablet, caption, rng)
    matrix = _seen_from(view, sheet.shape)
    size = (view.width, view.height)
    seen = cv2.warpPerspective(sheet, matrix, size, flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE)
    picture, data = _kept(seen, view, rng, f"{tablet.ground}.jpg")
    there = cv2.perspectiveTransform(corners.reshape(1, -1, 2).astype(np.float32), matrix)[0]
    return Photo(picture, data, there.reshape(-1, 4, 2).astype(float), tablet.light())


def plain_scene(kind: str, view: View, *, seed: int) -> Upright:
    """A picture without any strip: bare ground, a page of print, a chequered cloth, shelves."""
    rng = np.random.default_rng([seed, 77])
    sheet = np.full((900, 1200, 3), 0.7, np.float32)
    if kind == "print":
        for y in range(60, 860, 34):
            text = "".join(chr(c) for c in rng.integers(97, 123, 52))
            _print(sheet, text, (60, y), (0.03,) * 3)
    elif kind == "chequers":
        squares = (np.indices((900, 1200)) // 75).sum(axis=0) % 2
        sheet = (0.08 + 0.6 * squares[..., None]).astype(np.float32) * np.ones(3, np.float32)
    elif kind == "shelves":
        for y in range(0, 900, 150):
            sheet[y : y + 18] = 0.2
            for x in range(0, 1150, 60):
                sheet[y + 40 : y + 150, x : x + int(rng.integers(25, 55))] = rng.uniform(0.05, 0.7, 3)
    matrix = _seen_from(view, sheet.shape)
    seen = cv2.warpPerspective(sheet, matrix, (view.width, view.height), borderMode=cv2.BORDER_REPLICATE)
    return _kept(seen, view, rng, f"{kind}.jpg")[0]


def _drawn(tablet: Tablet, caption: str, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """(height, width, 3) light of the flat sheet, and (n, 4, 2) corners of the steps on it. [px of the sheet]"""
    n, (line, tone) = tablet.steps, BORDERS[tablet.border]
    width, height = round((n + 5) * FINE), round((tablet.wide + 6) * FINE)
    rough = cv2.resize(rng.normal(0, 1, (9, 12)).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC)
    ground = np.array(GROUNDS[tablet.ground], np.float32)
    sheet = ground * np.exp(0.02 * rough + rng.normal(0, 0.03, (height, width)).astype(np.float32))[..., None]
    x0, y0, wide = 2.5 * FINE, 3.0 * FINE, tablet.wide * FINE
    edge = line * FINE
    if tone is not None:
        _box(sheet, x0 - edge, y0 - edge, x0 + n * FINE + edge, y0 + wide + edge, np.full(3, tone))
    corners = []
    for k, light in enumerate(tablet.light()):
        a, b = x0 + k * FINE + edge / 2, x0 + (k + 1) * FINE - edge / 2
        _box(sheet, a, y0, b, y0 + wide, light)
        corners.append([[a, y0], [a, y0 + wide], [b, y0 + wide], [b, y0]])
    if caption:
        ink = (0.9,) * 3 if ground.mean() < 0.1 else (0.02,) * 3
        _print(sheet, caption, (round(x0), round(y0 + wide + 0.9 * FINE)), ink)
    return sheet, np.array(corners) - 0.5


def _print(sheet: np.ndarray, text: str, at: tuple[int, int], ink: tuple[float, ...]) -> None:
    cover = np.zeros(sheet.shape[:2], np.uint8)
    cv2.putText(cover, text, at, cv2.FONT_HERSHEY_SIMPLEX, 1.0, 255, 2, cv2.LINE_AA)
    sheet += (cover[..., None] / np.float32(255)) * (np.array(ink, np.float32) - sheet)


def _box(sheet: np.ndarray, x0: float, y0: float, x1: float, y1: float, light: np.ndarray) -> None:
    sheet[round(y0) : round(y1), round(x0) : round(x1)] = light


def _seen_from(view: View, shape: tuple[int, ...]) -> np.ndarray:
    """(3, 3) homography of a sheet's pixels to the picture's: turned, one side farther away, fitted to the frame."""
    height, width = shape[:2]
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
    c, s = np.cos(np.radians(view.turn)), np.sin(np.radians(view.turn))
    turned = (corners - corners.mean(axis=0)) @ np.array([[c, s], [-s, c]])
    far = 1.0 - view.aslant * (turned[:, 1].max() - turned[:, 1]) / np.ptp(turned[:, 1])
    turned[:, 0] *= far
    turned[:, 1] *= 1.0 - view.aslant / 2
    scale = 0.98 * min(view.width / np.ptp(turned[:, 0]), view.height / np.ptp(turned[:, 1]))
    there = (turned - (turned.min(axis=0) + turned.max(axis=0)) / 2) * scale + [view.width / 2, view.height / 2]
    return cv2.getPerspectiveTransform(corners.astype(np.float32), there.astype(np.float32))


def _kept(light: np.ndarray, view: View, rng: np.random.Generator, name: str) -> tuple[Upright, bytes]:
    """The picture as a reader gets it from the JPEG."""
    across = np.linspace(0, 1, light.shape[1], dtype=np.float32)[None, :, None]
    lit = 0.9 * light * (1 - view.falloff * across)
    lit = cv2.GaussianBlur(lit, (0, 0), 0.8)
    lit = lit + view.noise * np.sqrt(np.maximum(lit, 0.02)) * rng.standard_normal(lit.shape, dtype=np.float32)
    lit = np.clip(lit, 0, 1)
    codes = np.where(lit <= 0.0031308, 12.92 * lit, 1.055 * lit ** (1 / 2.4) - 0.055)  # sRGB, IEC 61966-2-1
    pixels = np.rint(255 * codes).astype(np.uint8)
    data = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, view.quality])[1].tobytes()
    back = np.ascontiguousarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)[..., ::-1])
    return Upright(name, "0" * 64, back, transfer(SRGB), {}), data
