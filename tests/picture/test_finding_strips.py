"""Loose strips are found in made pictures whose outlines are known.

The small picture maker below shares nothing with the finder: rectangles of paper with soft-edged tones are
laid on a ground, seen through a plane projection, unevenly lit, blurred and given noise.
"""

from dataclasses import dataclass, field

import cv2
import numpy as np
import pytest

from fairpanel.picture.finding_strips import FoundStrip, as_step_strip, find_strips, reading_order
from fairpanel.picture.upright import Transfer, Upright

# ---- a small picture maker ---------------------------------------------------------------------------------

PAPER = np.array([0.80, 0.79, 0.73])
DEEPEST = np.array([1.45, 0.95, 0.50])  # density of the darkest blue in red, green, blue


def srgb_transfer():
    """Codes of an 8-bit sRGB picture to light (IEC 61966-2-1, from memory)."""
    code = np.arange(256) / 255
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return Transfer(np.repeat(light[:, None], 3, axis=1).astype(np.float32), np.eye(3), "sRGB")


def encoded(light):
    """Light to sRGB codes."""
    light = np.clip(light, 0, 1)
    return 255 * np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)


def blue(share, paper=PAPER):
    """Light given back by paper exposed to a share of its full change."""
    return paper * 10 ** (-share * DEEPEST)


@dataclass
class Strip:
    """A strip lying on the table. Sizes in mm; `tones` are lights of its patches from its start."""

    x: float
    y: float
    degrees: float
    length: float
    width: float
    tones: list
    shares: list | None = None
    penumbra: float = 0.8
    rim: float = 0.0

    def corners(self):
        """Start left, start right, end right, end left, before reading order. [mm]"""
        a = np.radians(self.degrees)
        along, across = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
        c = np.array([self.x, self.y])
        h, w = along * self.length / 2, across * self.width / 2
        return np.array([c - h - w, c - h + w, c + h + w, c + h - w])


@dataclass
class Scene:
    """Where strips lie and how they are pictured. `scale` is pixels in a millimetre."""

    width: float = 200.0
    height: float = 150.0
    scale: float = 4.0
    ground: object = (0.86, 0.87, 0.87)
    wood: float = 0.0
    strips: list = field(default_factory=list)
    tilt: tuple = (0.0, 0.0)
    gradient: tuple = (0.0, 0.0)
    shadow: float = 0.0
    edge_shadow: float = 0.3
    blur: float = 0.8
    noise: float = 1.5
    texture: float = 0.01
    streaks: float = 0.0
    grey: bool = False
    seed: int = 1


def projection(scene):
    """Millimetres on the table to pixels of the picture."""
    w, h, s = scene.width, scene.height, scene.scale
    flat = np.array([[s, 0, -0.5], [0, s, -0.5], [0, 0, 1.0]])
    tx, ty = scene.tilt
    slant = np.array([[1, 0, 0], [0, 1, 0], [tx / w, ty / h, 1 - (tx + ty) / 2]])
    return flat @ slant


def projected(points, matrix):
    """Points through a projection."""
    return cv2.perspectiveTransform(np.asarray(points, float).reshape(1, -1, 2), matrix)[0]


def smooth_noise(rng, shape, sigma):
    """Noise of unit spread that varies over `sigma` pixels."""
    step = max(1, int(max(np.atleast_1d(sigma).min() / 2, 1)))
    small = rng.standard_normal((-(-shape[0] // step) + 2, -(-shape[1] // step) + 2)).astype(np.float32)
    sx, sy = np.broadcast_to(sigma, 2) / step
    small = cv2.GaussianBlur(small, (0, 0), sigmaX=float(sx), sigmaY=float(sy))
    return cv2.resize(small / small.std(), shape[::-1], interpolation=cv2.INTER_CUBIC)


def lay(light, strip, scene, matrix, rng):
    """Draw one strip over the picture."""
    corners = projected(strip.corners(), matrix)
    low = np.maximum(np.floor(corners.min(axis=0)) - 14, 0).astype(int)
    high = np.minimum(np.ceil(corners.max(axis=0)) + 14, light.shape[1::-1]).astype(int)
    if np.any(high - low < 2):
        return
    x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    at = projected(np.stack([x, y], axis=-1), np.linalg.inv(matrix)).reshape(*x.shape, 2)
    a = np.radians(strip.degrees)
    d = at - (strip.x, strip.y)
    along = d @ (np.cos(a), np.sin(a)) + strip.length / 2
    across = d @ (-np.sin(a), np.cos(a)) + strip.width / 2
    inside = np.minimum.reduce([along, strip.length - along, across, strip.width - across])
    cover = np.clip(inside * scene.scale + 0.5, 0, 1)[..., None]
    shares = strip.shares or [1 / len(strip.tones)] * len(strip.tones)
    edges = np.cumsum(shares)[:-1] * (strip.length - 2 * strip.rim) + strip.rim
    tone = np.broadcast_to(strip.tones[0], (*along.shape, 3)).copy()
    for edge, before, after in zip(edges, strip.tones[:-1], strip.tones[1:]):
        part = np.clip((along - edge) / max(strip.penumbra, 0.05) + 0.5, 0, 1)[..., None]
        tone += part * part * (3 - 2 * part) * (np.asarray(after) - before)
    if strip.rim:
        tone = np.where((inside < strip.rim)[..., None], PAPER, tone)
    rough = scene.texture * smooth_noise(rng, along.shape, 2.0)
    if scene.streaks:
        vertical = abs(np.sin(a)) > 0.7
        rough = rough + scene.streaks * smooth_noise(rng, along.shape, (4.0, 60.0) if vertical else (60.0, 4.0))
    tone = tone * (1 + rough[..., None])
    part = light[low[1] : high[1], low[0] : high[0]]
    if scene.edge_shadow:
        cast = np.clip(1 - np.abs(inside * scene.scale + 1.5) / 3.0, 0, 1) * scene.edge_shadow
        part *= 1 - (cast * (across > strip.width / 2))[..., None]
    part *= 1 - cover
    part += cover * tone


def picture_of(scene):
    """A made picture and the true outlines (either end may come first)."""
    rng = np.random.default_rng(scene.seed)
    shape = (round(scene.height * scene.scale), round(scene.width * scene.scale))
    matrix = projection(scene)
    light = np.empty((*shape, 3), np.float32)
    light[:] = scene.ground
    if scene.wood:
        grain = 0.6 * smooth_noise(rng, shape, (160.0, 5.0)) + 0.4 * smooth_noise(rng, shape, (60.0, 25.0))
        light *= np.exp(scene.wood * grain)[..., None]
    light *= (1 + 0.006 * smooth_noise(rng, shape, 1.5))[..., None]
    for strip in scene.strips:
        lay(light, strip, scene, matrix, rng)
    y, x = np.meshgrid(np.linspace(-0.5, 0.5, shape[0]), np.linspace(-0.5, 0.5, shape[1]), indexing="ij")
    light *= (1 + scene.gradient[0] * x + scene.gradient[1] * y)[..., None].astype(np.float32)
    if scene.shadow:
        light *= (1 - scene.shadow / (1 + np.exp(-(x + 0.4 * y - 0.1) * 60)))[..., None].astype(np.float32)
    if scene.grey:
        light[:] = light.mean(axis=2, keepdims=True)
    codes = cv2.GaussianBlur(encoded(light).astype(np.float32), (0, 0), scene.blur)
    codes += scene.noise * rng.standard_normal(codes.shape).astype(np.float32)
    pixels = np.clip(np.round(codes), 0, 255).astype(np.uint8)
    return upright(pixels), [projected(s.corners(), matrix) for s in scene.strips]


def upright(pixels):
    """Pixels as a picture."""
    return Upright("made.png", "0" * 64, pixels, srgb_transfer(), {})


# ---- scenes ------------------------------------------------------------------------------------------------

STEPS = [blue(s) for s in (0.0, 0.35, 0.55, 0.7, 0.8, 0.88)]


def row_of_strips(seed, count=4, gap=8.0, turn=6.0, **scene):
    """A row of strips of one to three patches above a step strip."""
    rng = np.random.default_rng(seed)
    made = Scene(seed=seed, **scene)
    left = 100 - (count * 20 + (count - 1) * gap) / 2 + 10
    for k in range(count):
        tones = [blue(s) for s in rng.uniform(0.15, 1.0, rng.integers(1, 4))]
        degrees = 90 + rng.uniform(-turn, turn)
        made.strips.append(Strip(left + k * (20 + gap), 45 + rng.uniform(-2, 2), degrees, 60, 20, tones))
    made.strips.append(Strip(100, 110, rng.uniform(-5, 5), 150, 26, STEPS))
    return made


def corner_error_mm(scene, true, strip):
    """Greatest distance of a corner from the truth, whichever corner comes first."""
    ways = [np.roll(way, k, axis=0) for way in (strip.outline, strip.outline[::-1]) for k in range(4)]
    return min(np.linalg.norm(way - true, axis=1).max() for way in ways) / scene.scale


def errors_mm(scene, truths, found):
    """For each true outline the corner error of the nearest found strip."""
    return [min((corner_error_mm(scene, true, strip) for strip in found), default=np.inf) for true in truths]


def assert_all_found(scene, limit_mm=1.2):
    """Every strip is found once, to within a limit, and nothing else."""
    picture, truths = picture_of(scene)
    found = find_strips(picture)
    assert len(found) == len(truths)
    assert max(errors_mm(scene, truths, found)) < limit_mm
    return found


WOOD = {"ground": (0.38, 0.24, 0.13), "wood": 0.12}
GROUNDS = {
    "white lid": {},
    "lid as white as the paper": {"ground": (0.815, 0.81, 0.77)},
    "black card": {"ground": (0.03, 0.03, 0.035)},
    "wood, slanted, uneven light": {**WOOD, "tilt": (0.15, -0.1), "gradient": (0.25, -0.1)},
    "table, slanted, uneven light": {"tilt": (-0.15, 0.1), "gradient": (-0.2, 0.2)},
    "grey picture": {"grey": True, "gradient": (0.2, 0.0)},
    "streaky coating": {"streaks": 0.03},
    "noisy and soft": {"noise": 5.0, "blur": 1.8},
}


@pytest.mark.parametrize("name", GROUNDS)
@pytest.mark.parametrize("seed", [1, 2])
def test_strips_are_found_on_every_ground(name, seed):
    """All strips are found once each, and nothing else; corners within 1.2 mm, 2 if noisy and soft."""
    assert_all_found(row_of_strips(seed, **GROUNDS[name]), 2.0 if name == "noisy and soft" else 1.2)


@pytest.mark.parametrize("degrees", range(-80, 91, 34))
def test_a_step_strip_is_found_at_any_angle(degrees):
    """A turned step strip keeps its corners, its patches and its reading direction."""
    scene = Scene(strips=[Strip(100, 75, degrees, 110, 16, STEPS)], seed=degrees + 100)
    (strip,) = assert_all_found(scene)
    assert strip.patches == len(STEPS)
    along = strip.outline[3] - strip.outline[0]
    assert along[0] > 0 if abs(along[0]) > abs(along[1]) else along[1] > 0
    pale_end = picture_of(scene)[1][0][:2].mean(axis=0)
    starts_pale = np.linalg.norm(strip.outline[:2].mean(axis=0) - pale_end) < 10
    assert strip.direction == ("darkens" if starts_pale else "lightens")


@pytest.mark.parametrize("seed", range(4))
def test_touching_strips_are_told_apart(seed):
    """Strips laid side by side without a gap, some shifted along each other, are single strips."""
    rng = np.random.default_rng(seed)
    scene = row_of_strips(seed, count=4, gap=0.0, turn=0.0, edge_shadow=0.0)
    for strip in scene.strips[:-1]:
        strip.y = 45 + rng.choice([0, 0, 5, -4])
    assert_all_found(scene)


@pytest.mark.parametrize("overhang", [8.0, 25.0])
def test_a_strip_half_out_of_the_frame_is_marked(overhang):
    """A strip cut by the frame is found and said to touch it; the others are not."""
    scene = row_of_strips(3)
    scene.strips[0] = Strip(30.0 - overhang, 110, 0, 60, 20, [blue(0.6), blue(0.3)])
    scene.strips[-1] = Strip(125, 110, 1.0, 120, 26, STEPS)
    found = find_strips(picture_of(scene)[0])
    assert [strip.touches_frame for strip in found] == [False] * 3 + [True, False]


@pytest.mark.parametrize("name", ["blank", "black", "noise", "gradient", "wood"])
def test_nothing_is_found_where_there_is_nothing(name):
    """Blank, black and noise pictures, uneven light and bare wood hold no strips."""
    rng = np.random.default_rng(5)
    shape = (600, 800, 3)
    pixels = {
        "blank": np.full(shape, 250),
        "black": np.zeros(shape),
        "noise": rng.integers(0, 256, shape),
        "gradient": np.linspace(60, 240, 800)[None, :, None] * np.ones(shape),
        "wood": picture_of(Scene(**WOOD))[0].pixels,
    }[name]
    assert find_strips(upright(pixels.astype(np.uint8))) == []


GREYS = [np.full(3, 10**-d) for d in np.linspace(0.1, 1.9, 11)]


@pytest.mark.parametrize("ground", [0.2, 0.9, 0.03])
def test_a_grey_tablet_is_found_on_ground_as_grey_as_one_of_its_steps(ground):
    """Eleven steps on ground like a light, a middle or a dark one: one strip, the step strip of eleven."""
    scene = Scene(ground=(ground,) * 3, strips=[Strip(100, 75, -14, 150, 22, GREYS, penumbra=0.1)])
    (strip,) = assert_all_found(scene, 3.0)
    assert as_step_strip([strip], 11) is strip


def test_strips_on_a_sheet_on_a_wooden_table():
    """The sheet is no strip; the strips on it are."""
    scene = row_of_strips(7, **WOOD, tilt=(0.1, 0.1), gradient=(0.2, 0.0))
    scene.strips.insert(0, Strip(100, 77, 0.5, 186, 140, [np.array([0.86, 0.86, 0.85])]))
    picture, truths = picture_of(scene)
    found = find_strips(picture)
    assert len(found) == len(truths) - 1
    assert max(errors_mm(scene, truths[1:], found)) < 1.2


def test_touching_strips_of_one_tone_are_parted_by_their_size():
    """Like strips without a line between them are told apart by the size of others, or of one if asked."""
    plain = row_of_strips(3, count=4, gap=0.0, turn=0.0, edge_shadow=0.0)
    for k, strip in enumerate(plain.strips[:-1]):
        strip.y, strip.tones = 45, [blue(0.5)]
        strip.x += 12.0 * (k > 1) + 12.0 * (k > 2)
    picture, truths = picture_of(plain)
    assert len(find_strips(picture)) == len(truths)
    del plain.strips[3]
    picture, truths = picture_of(plain)
    assert len(find_strips(picture, len(truths))) == len(truths)


def test_sixteen_bits_and_eight_find_the_same():
    """The same picture with 16 bits gives the same strips to a hundredth of a pixel's size or so."""
    scene = row_of_strips(4)
    eight, _ = picture_of(scene)
    table = np.interp(np.arange(65536) / 257, np.arange(256), eight.transfer.table[:, 0])
    transfer = Transfer(np.repeat(table[:, None], 3, axis=1).astype(np.float32), np.eye(3), "sRGB")
    sixteen = Upright("made.tif", "1" * 64, eight.pixels.astype(np.uint16) * 257, transfer, {})
    for one, other in zip(find_strips(eight), find_strips(sixteen), strict=True):
        assert np.abs(one.outline - other.outline).max() < 0.3


# ---- order and choice --------------------------------------------------------------------------------------


def strip_at(x, y, width=20, height=60, patches=1, direction=None):
    """A found strip at a place, for the rules that need no picture."""
    quad = np.array([[x, y], [x, y + height], [x + width, y + height], [x + width, y]], float)
    edges = np.arange(1, patches) / patches
    return FoundStrip(quad, patches, edges, np.zeros((patches, 3)), direction, False, 1.0)


def test_reading_order_goes_by_rows():
    """Rows from the top, within a row left to right; a row reaches as far down as its topmost strip."""
    a, b, c = strip_at(100, 12), strip_at(10, 20), strip_at(50, 0)
    d, e = strip_at(200, 90), strip_at(5, 70)
    assert [id(s) for s in reading_order([d, a, e, b, c])] == [id(s) for s in (b, c, a, e, d)]


def test_the_longest_strip_with_as_many_patches_is_the_step_strip():
    """Length decides between strips with the right number of patches; others do not count."""
    short = strip_at(0, 0, 100, 20, 5, "darkens")
    right = strip_at(0, 40, 150, 20, 5, "darkens")
    longer = strip_at(0, 80, 190, 20, 2)
    assert as_step_strip([short, longer, right], 5) is right
    assert as_step_strip([longer], 5) is None


def test_a_step_strip_with_saturated_steps_still_counts():
    """Five steps of which the last two look alike: four patches, edges at fifths."""
    quad = strip_at(0, 0, 150, 20).outline
    seen = FoundStrip(quad, 4, np.array([0.2, 0.4, 0.6]), np.zeros((4, 3)), "darkens", False, 1.0)
    odd = FoundStrip(quad, 4, np.array([0.1, 0.3, 0.5]), np.zeros((4, 3)), "darkens", False, 1.0)
    assert as_step_strip([seen], 5) is seen
    assert as_step_strip([odd], 5) is None
