"""Pictures of step tablets and test strips as one finds them on other people's tables, drawn flat and photographed.

Shares nothing with the project's own maker of pictures: things are painted on a sheet of millimetres with OpenCV, the
sheet is seen at a slant under coloured, uneven light, and saved as JPEG. All of it is made up; shapes and habits of
the tablets (ten to twenty-one steps of density 0.1 or 0.15, numerals beside them, dark frames, lines between patches)
are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
import pytest

from fairpanel.picture.colour import SRGB, transfer
from fairpanel.picture.upright import Upright

#: Pixels of the flat sheet in a millimetre.
FINE = 6.0


@dataclass
class Sheet:
    """A flat sheet of light, (height, width, 3), and what lies on it."""

    light: np.ndarray
    rng: np.random.Generator
    strips: list[np.ndarray] = field(default_factory=list)

    @property
    def size(self) -> np.ndarray:
        """Width and height. [mm]"""
        return np.array(self.light.shape[1::-1]) / FINE

    def lay(self, piece: np.ndarray, at: tuple[float, float], degrees: float, cover: np.ndarray | None = None) -> None:
        """A piece of light laid down with its middle at a place. [mm]"""
        height, width = piece.shape[:2]
        turn = cv2.getRotationMatrix2D((width / 2, height / 2), -degrees, 1.0)
        turn[:, 2] += np.array(at) * FINE - (width / 2, height / 2)
        own = np.ones((height, width), np.float32) if cover is None else cover
        mask = cv2.warpAffine(own, turn, self.light.shape[1::-1], flags=cv2.INTER_AREA)[..., None]
        self.light = self.light * (1 - mask) + mask * cv2.warpAffine(piece, turn, self.light.shape[1::-1])

    def strip_at(self, size: tuple[float, float], at: tuple[float, float], degrees: float) -> None:
        """Note where a strip's patches lie: length and width, middle, turn. [mm, degrees]"""
        a = np.radians(degrees)
        along, across = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
        half, wide = size[0] / 2 * along, size[1] / 2 * across
        corners = np.array([-half - wide, -half + wide, half + wide, half - wide]) + at
        self.strips.append(corners)


@dataclass(frozen=True)
class Taken:
    """A photograph: the picture, its JPEG, the corners of its strips (the step strip first), the number of steps."""

    picture: Upright
    jpeg: bytes
    strips: list[np.ndarray]
    steps: int


def clouds(rng: np.random.Generator, shape: tuple[int, int], size_px: tuple[float, float]) -> np.ndarray:
    """Smooth noise of unit spread, by enlarging small noise."""
    small = rng.standard_normal((int(shape[0] / size_px[1]) + 3, int(shape[1] / size_px[0]) + 3)).astype(np.float32)
    return cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC)


def table(rng: np.random.Generator, kind: str, size: tuple[float, float]) -> Sheet:
    """A bare table of some kind. [mm]"""
    shape = (round(size[1] * FINE), round(size[0] * FINE))
    colour = {
        "wood": (0.36, 0.22, 0.11),
        "pale wood": (0.62, 0.47, 0.30),
        "black": (0.012, 0.012, 0.013),
        "card": (0.80, 0.80, 0.78),
        "grey": (0.18, 0.18, 0.18),
        "cloth": (0.25, 0.28, 0.33),
        "stone": (0.52, 0.50, 0.47),
    }[kind]
    light = np.ones((*shape, 3), np.float32) * np.array(colour, np.float32)
    if "wood" in kind:
        grain = 0.10 * clouds(rng, shape, (500, 9)) + 0.07 * clouds(rng, shape, (260, 40))
        light *= np.exp(grain)[..., None]
        for y in np.arange(rng.uniform(0.2, 0.6), 1, 0.75) * shape[0]:
            cv2.line(light, (0, int(y)), (shape[1], int(y + rng.uniform(-4, 4))), (0.08, 0.05, 0.03), 4)
    elif kind == "cloth":
        y, x = np.mgrid[: shape[0], : shape[1]]
        weave = 0.12 * np.sin(x * 2.1) * np.sin(y * 2.1) + 0.05 * clouds(rng, shape, (300, 300))
        light *= np.exp(weave + 0.07 * clouds(rng, shape, (5, 5)))[..., None].astype(np.float32)
    elif kind == "stone":
        light *= np.exp(0.10 * clouds(rng, shape, (14, 14)) + 0.08 * clouds(rng, shape, (60, 60)))[..., None]
    return Sheet(light.astype(np.float32), rng)


def patches(
    rng: np.random.Generator, tones: np.ndarray, size: tuple[float, float], *, between: float = 0.0, line: float = 0.02
) -> np.ndarray:
    """Patches in a row along x, each of one tone (n, 3); lines of some tone may part them. [mm]"""
    width, height = round(size[0] * FINE), round(size[1] * FINE)
    place = np.minimum(np.arange(width) * len(tones) // width, len(tones) - 1)
    piece = np.repeat(tones[place][None], height, axis=0).astype(np.float32)
    piece *= (1 + 0.006 * clouds(rng, (height, width), (9, 9)))[..., None]
    if between:
        for k in range(1, len(tones)):
            x = round(k * width / len(tones))
            piece[:, round(x - between * FINE / 2) : round(x + between * FINE / 2)] = line
    return piece


def written(piece: np.ndarray, text: str, at: tuple[float, float], *, height: float, tone: float = 0.03) -> None:
    """Print on a piece, from the lower left corner of the text. [mm]"""
    origin = (round(at[0] * FINE), round(at[1] * FINE))
    scale = height * FINE / 22
    ink = np.zeros(piece.shape[:2], np.uint8)
    cv2.putText(ink, text, origin, cv2.FONT_HERSHEY_SIMPLEX, scale, 255, max(1, round(scale * 2)), cv2.LINE_AA)
    share = ink[..., None] / np.float32(255)
    piece[:] = piece * (1 - share) + tone * share


def greys(n: int, step: float = 0.15, first: float = 0.05) -> np.ndarray:
    """Light of n grey steps of even density. (n, 3)"""
    return np.repeat(10 ** -(first + step * np.arange(n))[:, None], 3, axis=1)


def blues(doses: np.ndarray, paper: tuple[float, float, float] = (0.78, 0.77, 0.70)) -> np.ndarray:
    """Light of blue paper at some doses, in half-way doses: an exponential rise, unlike the reader's curve. (n, 3)"""
    share = 1 - np.exp(-np.log(2) * np.asarray(doses, float))
    return np.array(paper) * 10 ** (-share[:, None] * np.array([1.15, 0.66, 0.30]))


# ---- what lies there -------------------------------------------------------------------------------------------


def light_box(rng: np.random.Generator) -> tuple[Sheet, int]:
    """A grey film wedge with a clear edge and numerals, on a lit box in the dark."""
    n = int(rng.choice([11, 14, 21]))
    sheet = table(rng, "black", (230, 150))
    glow = np.full((round(96 * FINE), round(190 * FINE), 3), 0.93, np.float32)
    sheet.lay(glow, (115, 75), rng.uniform(-2, 2))
    long, wide = float(rng.uniform(110, 150)), float(rng.uniform(12, 22))
    film = np.full((round((wide + 9) * FINE), round((long + 8) * FINE), 3), 0.72, np.float32)
    inner = patches(rng, 0.9 * greys(n, 3.0 / 20 if n == 21 else 0.2, 0.06), (long, wide), between=rng.choice([0, 0.3]))
    film[round(2 * FINE) :][: inner.shape[0], round(4 * FINE) :][:, : inner.shape[1]] = inner
    for k in range(n):
        written(film, str(k + 1), (4 + (k + 0.2) * long / n, wide + 7), height=2.6)
    at, turn = (115 + rng.uniform(-8, 8), 75 + rng.uniform(-12, 12)), rng.uniform(-9, 9)
    sheet.lay(film, at, turn)
    a = np.radians(turn)
    away = np.array([-np.sin(a), np.cos(a)]) * -2.5
    sheet.strip_at((long, wide), tuple(np.array(at) + away), turn)
    return sheet, n


def printed_card(rng: np.random.Generator) -> tuple[Sheet, int]:
    """A grey scale on white card with a frame, a title and numerals, on a table."""
    n = int(rng.choice([10, 12, 17, 20]))
    sheet = table(rng, str(rng.choice(["wood", "grey", "cloth"])), (260, 150))
    card = np.full((round(70 * FINE), round(210 * FINE), 3), 0.84, np.float32)
    long, wide = float(rng.uniform(150, 180)), float(rng.uniform(14, 26))
    inner = patches(rng, 0.85 * greys(n, 1.75 / (n - 1), 0.03), (long, wide), between=rng.choice([0, 0.25, 0.5]))
    left, top = round((105 - long / 2) * FINE), round(24 * FINE)
    card[top:][: inner.shape[0], left:][:, : inner.shape[1]] = inner
    if rng.random() < 0.5:
        corner = (left + inner.shape[1], top + inner.shape[0])
        cv2.rectangle(card, (left - 2, top - 2), corner, (0.03,) * 3, 3)
    for k in range(n):
        written(card, str(k), (105 - long / 2 + (k + 0.3) * long / n, 24 + wide + 5), height=3)
    written(card, "Step scale, reflection", (30, 14), height=4)
    at, turn = (130, 75), rng.uniform(-12, 12)
    sheet.lay(card, at, turn)
    a = np.radians(turn)
    away = np.array([-np.sin(a), np.cos(a)]) * (24 + wide / 2 - 35)
    sheet.strip_at((long, wide), tuple(np.array(at) + away), turn)
    return sheet, n


def brushed_strips(rng: np.random.Generator) -> tuple[Sheet, int]:
    """Blue strips on white paper, coating with uneven brushed edges, pencil notes, on wood: steps and two others."""
    n = int(rng.integers(5, 9))
    sheet = table(rng, str(rng.choice(["wood", "pale wood", "stone"])), (230, 190))
    doses = np.concatenate([[0.0], np.geomspace(0.2, 4, n - 1)])
    _brushed(sheet, rng, blues(doses), (float(rng.uniform(120, 150)), 24), (115, 140), rng.uniform(-6, 6), "min")
    for k, dose in enumerate(rng.uniform(0.3, 1.6, 2)):
        _brushed(sheet, rng, blues([dose]), (55, 24), (60 + 90 * k, 50), 90 + rng.uniform(-9, 9), f"No {k + 1}")
    return sheet, n


def _brushed(sheet, rng, tones, size, at, degrees, note) -> None:
    long, wide = size
    margin = 6.0
    paper = np.ones((round((wide + 2 * margin) * FINE), round((long + 2 * margin) * FINE), 3), np.float32)
    paper *= np.array((0.86, 0.85, 0.80), np.float32)
    inner = patches(rng, tones, size)
    inner *= np.exp(0.02 * clouds(rng, inner.shape[:2], (400, 8)))[..., None]
    edge = 1.0 * np.abs(clouds(rng, (2, inner.shape[1]), (60, 60)))  # the brush leaves the edge uneven [mm]
    y = np.arange(inner.shape[0])[:, None] / FINE
    coated = ((y > edge[:1]) & (y < wide - edge[1:]))[..., None]
    m = round(margin * FINE)
    part = paper[m : m + inner.shape[0], m : m + inner.shape[1]]
    part[:] = np.where(coated, inner, part)
    for k in range(len(tones)):
        written(paper, f"{k} {note}", (margin + (k + 0.15) * long / len(tones), margin - 1.5), height=2.6, tone=0.3)
    sheet.lay(paper, at, degrees)
    sheet.strip_at(size, at, degrees)


def filling(rng: np.random.Generator) -> tuple[Sheet, int]:
    """A tablet with a narrow border that fills the frame."""
    n = int(rng.choice([11, 15, 21]))
    long, wide = 170.0, 34.0
    sheet = table(rng, str(rng.choice(["card", "black", "grey"])), (long + 9, wide + 9))
    sheet.lay(patches(rng, 0.9 * greys(n, 0.1), (long, wide)), (long / 2 + 4.5, wide / 2 + 4.5), rng.uniform(-0.6, 0.6))
    sheet.strip_at((long, wide), (long / 2 + 4.5, wide / 2 + 4.5), 0.0)
    return sheet, n


def parted(rng: np.random.Generator) -> tuple[Sheet, int]:
    """Patches parted by thin lines, white or black, on a table, the dark end first or last."""
    n = int(rng.integers(6, 15))
    sheet = table(rng, str(rng.choice(["card", "grey", "cloth", "pale wood"])), (220, 130))
    blue = blues(np.concatenate([[0], np.geomspace(0.1, 5, n - 1)]))
    tones = 0.88 * greys(n, 1.6 / n) if rng.random() < 0.5 else blue
    tones = tones[::-1] if rng.random() < 0.5 else tones
    size = (float(rng.uniform(120, 170)), float(rng.uniform(14, 26)))
    turn = rng.uniform(-25, 25)
    piece = patches(rng, tones, size, between=rng.uniform(0.4, 1.0), line=rng.choice([0.02, 0.85]))
    sheet.lay(piece, (110, 65), turn)
    sheet.strip_at(size, (110, 65), turn)
    return sheet, n


def plain_blue(rng: np.random.Generator) -> tuple[Sheet, int]:
    """Blue strips cut without a border, on cloth, stone, card or wood: steps and three others."""
    n = int(rng.integers(5, 10))
    sheet = table(rng, str(rng.choice(["cloth", "stone", "card", "wood", "black"])), (230, 170))
    doses = np.concatenate([[0.0], np.geomspace(0.15, 5, n - 1)])
    tones = blues(doses)[:: int(rng.choice([1, -1]))]
    for tone, size, at, turn in [
        (tones, (float(rng.uniform(120, 160)), 24.0), (115, 128), rng.uniform(-7, 7)),
        *((blues([rng.uniform(0.3, 2)]), (60.0, 25.0), (50 + 60 * k, 52), 90 + rng.uniform(-12, 12)) for k in range(3)),
    ]:
        sheet.lay(patches(rng, tone, size), at, turn)
        sheet.strip_at(size, at, turn)
    return sheet, n


KINDS = {f.__name__: f for f in (light_box, printed_card, brushed_strips, filling, parted, plain_blue)}


# ---- photographing ---------------------------------------------------------------------------------------------


def photographed(kind: str, seed: int, *, width_px: int = 1600) -> Taken:
    """One of `KINDS`, seen a little from the side under uneven warm or cool light, as JPEG."""
    rng = np.random.default_rng([seed, sorted(KINDS).index(kind)])
    sheet, steps = KINDS[kind](rng)
    slant = 0.002 if kind == "filling" else 0.045
    mm = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * sheet.size
    seen = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) + rng.uniform(-slant, slant, (4, 2))
    size = (width_px, round(width_px * sheet.size[1] / sheet.size[0]))
    to_px = cv2.getPerspectiveTransform(mm.astype(np.float32), (seen * size).astype(np.float32))
    fine = np.diag([1 / FINE, 1 / FINE, 1.0])
    fine[:2, 2] = 0.5 / FINE
    light = cv2.warpPerspective(
        cv2.GaussianBlur(sheet.light, (0, 0), 1.2), to_px @ fine, size, borderMode=cv2.BORDER_REPLICATE
    )
    y, x = np.mgrid[-0.5 : 0.5 : size[1] * 1j, -0.5 : 0.5 : size[0] * 1j]
    slope = rng.uniform(-0.25, 0.25, 2)
    light *= np.exp(slope[0] * x + slope[1] * y - 0.3 * (x * x + y * y))[..., None].astype(np.float32)
    warm = rng.uniform(-0.16, 0.16)
    light = np.clip(light * np.array([1 + warm, 1, 1 - warm]) * rng.uniform(0.75, 1.0), 0, 1)
    codes = 255 * np.where(light < 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    codes = cv2.GaussianBlur(codes, (0, 0), 0.8) + rng.normal(0, rng.uniform(0.5, 2.0), codes.shape)
    whole = np.clip(codes + 0.5, 0, 255).astype(np.uint8)[..., ::-1]
    _, jpeg = cv2.imencode(".jpg", whole, [1, int(rng.integers(80, 95))])
    pixels = np.ascontiguousarray(cv2.imdecode(jpeg, cv2.IMREAD_COLOR)[..., ::-1])
    picture = Upright(f"{kind}-{seed}.jpg", "0" * 64, pixels, transfer(SRGB), {})
    strips = [cv2.perspectiveTransform(s.reshape(1, -1, 2).astype(float), to_px)[0] for s in sheet.strips]
    return Taken(picture, jpeg.tobytes(), strips, steps)


@pytest.fixture
def elsewhere():
    """The maker of pictures of other people's tablets, by kind and seed."""
    return photographed
