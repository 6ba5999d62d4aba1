"""Made cameras: what a phone or a scanner makes of the light a scene gives back.

Every photo has its own exposure, white balance and tone curve, which is never exactly that of the colour
space. Sizes are estimates.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from fairpanel.rehearsal.colour import SPACES, encoded, from_working

_LEVELS = 8192


@dataclass(frozen=True)
class Camera:
    """How one picture is taken and developed.

    Parameters
    ----------
    space : str
        Colour space of the codes.
    white : float
        Linear light of the lightest paper after exposure; full white is 1. [1]
    balance : (3,) tuple
        Error of white balance, gain of each channel. [1]
    saturation : float
        Stretch of colours away from grey. [1]
    contrast, gamma, lift : float
        The tone curve on top of the space's own: share of an S-curve, exponent on the codes, black level. [1]
    gradient : (x, y)
        Change of light from one side of the picture to the other. [1]
    vignette : float
        Loss of light in the corners. [1]
    tint : float
        Change of the light's colour across the picture. [1]
    veil, veil_near : float
        Share of the light that is spread over the picture, and the part of it that stays near its source. [1]
    blur_px, defocus_px : float
        Softness of the lens (Gaussian sd) and radius of the disc of defocus. [px]
    grain : float
        Noise of the square root of light; noise at white is twice this, relative. [1]
    sharpen, sharpen_px : float
    local_tone : float
        Strength with which an automatic mode evens out light and dark areas; 0 for none. [1]
    shadow : float
        Depth of a hard shadow; 0 for none. [1]
    shadow_edge_mm : float
        Softness of its edge. [mm]
    glare : float
        Light of a mirrored lamp relative to paper; 0 for none. [1]
    bits : {8, 16}
    """

    space: str = "sRGB"
    white: float = 0.85
    balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    saturation: float = 0.0
    contrast: float = 0.0
    gamma: float = 1.0
    lift: float = 0.0
    gradient: tuple[float, float] = (0.0, 0.0)
    vignette: float = 0.0
    tint: float = 0.0
    veil: float = 0.0
    veil_near: float = 0.2
    blur_px: float = 0.6
    defocus_px: float = 0.0
    grain: float = 0.004
    sharpen: float = 0.0
    sharpen_px: float = 1.0
    local_tone: float = 0.0
    shadow: float = 0.0
    shadow_edge_mm: float = 1.0
    glare: float = 0.0
    bits: int = 8

    def tone(self, linear: np.ndarray) -> np.ndarray:
        """Codes from 0 to 1 of exposed linear light: the space's curve and the camera's own."""
        v = encoded(linear, SPACES[self.space]) ** self.gamma
        v = v + self.contrast * (v * v * (3 - 2 * v) - v)
        return self.lift + (1 - self.lift) * v


def _three(values: np.ndarray) -> tuple[float, float, float]:
    red, green, blue = (float(v) for v in values)
    return red, green, blue


def draw_phone(rng: np.random.Generator) -> Camera:
    """A phone's automatic picture in ordinary, uneven room light."""
    direction = rng.uniform(0, 2 * np.pi)
    strength = rng.uniform(0.03, 0.20)
    return Camera(
        space=str(rng.choice(["sRGB", "Display P3"], p=[0.4, 0.6])),
        white=float(rng.uniform(0.60, 0.88)),
        balance=_three(np.exp(rng.normal(0, [0.04, 0.01, 0.05]))),
        saturation=float(rng.uniform(0.0, 0.06)),
        contrast=float(rng.uniform(0.0, 0.40)),
        gamma=float(rng.uniform(0.92, 1.08)),
        lift=float(rng.uniform(0.0, 0.012)),
        gradient=(float(strength * np.cos(direction)), float(strength * np.sin(direction))),
        vignette=float(rng.uniform(0.02, 0.18)),
        tint=float(rng.normal(0, 0.012)),
        veil=float(rng.uniform(0.003, 0.014)),
        blur_px=float(rng.uniform(0.55, 1.0)),
        grain=float(rng.uniform(0.003, 0.009)),
        sharpen=float(rng.uniform(0.2, 0.9)),
        sharpen_px=float(rng.uniform(0.8, 1.4)),
    )


def draw_hard_phone(rng: np.random.Generator) -> Camera:
    """A phone's picture with faults of light or focus, one or two at a time."""
    phone = draw_phone(rng)
    if rng.random() < 0.7:
        phone = replace(phone, shadow=float(rng.uniform(0.12, 0.45)), shadow_edge_mm=float(rng.uniform(0.4, 8.0)))
    if rng.random() < 0.5:
        phone = replace(phone, glare=float(rng.uniform(0.08, 0.6)))
    if rng.random() < 0.2:
        phone = replace(phone, defocus_px=float(rng.uniform(1.5, 4.0)))
    gradient = (1.3 * phone.gradient[0], 1.3 * phone.gradient[1])
    return replace(phone, gradient=gradient, veil=float(rng.uniform(0.005, 0.03)), veil_near=0.4)


def draw_scanner(rng: np.random.Generator, *, bits: int = 8) -> Camera:
    """A flat-bed scanner with its automatic corrections switched off."""
    return Camera(
        space=str(rng.choice(["sRGB", "Adobe RGB (1998)"], p=[0.6, 0.4])),
        white=float(rng.uniform(0.78, 0.93)),
        balance=_three(np.exp(rng.normal(0, 0.008, 3))),
        gamma=float(rng.uniform(0.985, 1.015)),
        gradient=(float(rng.normal(0, 0.006)), float(rng.normal(0, 0.003))),
        veil=float(rng.uniform(0.002, 0.012)),
        blur_px=float(rng.uniform(0.45, 0.8)),
        grain=float(rng.uniform(0.0015, 0.004)),
        sharpen=float(rng.choice([0.0, 0.25])),
        bits=bits,
    )


def develop(rng: np.random.Generator, light: np.ndarray, camera: Camera, *, px_per_mm: float) -> np.ndarray:
    """Codes of a picture of this light.

    Parameters
    ----------
    light : (height, width, 3) float32 array
        Light given back by the scene under even light, working space; overwritten.
    px_per_mm : float
        Scale of the picture, for faults whose size is in millimetres.

    Returns
    -------
    (height, width, 3) uint8 or uint16 array
    """
    light *= _lit(camera, light.shape)
    if camera.shadow:
        light *= _shadow(rng, camera, light.shape, px_per_mm)[..., None]
    if camera.glare:
        light += camera.glare * _glare(rng, light.shape, px_per_mm)[..., None]
    light = _softened(light, camera)
    light = _veiled(light, camera)
    light = cv2.transform(light, _exposed(light, camera))
    if camera.local_tone:
        light *= _evened(light, camera.local_tone)[..., None]
    return _coded(_grained(rng, light, camera), camera)


def _lit(camera: Camera, shape: tuple) -> np.ndarray:
    """Light falling on the scene, 1 in the middle, with the fall of the lens."""
    rows, columns = max(shape[0] // 32, 2), max(shape[1] // 32, 2)
    y, x = np.meshgrid(np.linspace(-0.5, 0.5, rows), np.linspace(-0.5, 0.5, columns), indexing="ij")
    slope = 1 + camera.gradient[0] * x + camera.gradient[1] * y
    fall = 1 - camera.vignette * (x**2 + y**2) / 0.5
    tint = 1 + camera.tint * x[..., None] * np.array([1.0, 0.0, -1.0])
    field = ((slope * fall)[..., None] * tint).astype(np.float32)
    return cv2.resize(field, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)


def _shadow(rng, camera: Camera, shape: tuple, px_per_mm: float) -> np.ndarray:
    """Factor on the light behind the straight or bent edge of something between lamp and scene."""
    y, x = np.mgrid[: shape[0] : 4, : shape[1] : 4].astype(np.float32)
    angle = rng.uniform(0, 2 * np.pi)
    at = rng.uniform(0.25, 0.75, 2) * [shape[1], shape[0]]
    away = (x - at[0]) * np.cos(angle) + (y - at[1]) * np.sin(angle)
    across = (y - at[1]) * np.cos(angle) - (x - at[0]) * np.sin(angle)
    away = away + rng.uniform(-0.3, 0.3) * across**2 / max(shape[:2])
    depth = camera.shadow / (1 + np.exp(-away / (0.5 * camera.shadow_edge_mm * px_per_mm)))
    return cv2.resize((1 - depth).astype(np.float32), (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)


def _glare(rng, shape: tuple, px_per_mm: float) -> np.ndarray:
    """Blobs of mirrored light, 1 at their middle."""
    y, x = np.mgrid[: shape[0] : 8, : shape[1] : 8].astype(np.float32)
    total = np.zeros_like(x)
    for _ in range(rng.integers(1, 4)):
        at = rng.uniform(0.1, 0.9, 2) * [shape[1], shape[0]]
        size = rng.uniform(5, 22) * px_per_mm
        longer = rng.uniform(1, 2.5)
        total += np.exp(-(((x - at[0]) / size) ** 2 + ((y - at[1]) / size / longer) ** 2) / 2)
    return cv2.resize(total, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)


def _softened(light: np.ndarray, camera: Camera) -> np.ndarray:
    if camera.defocus_px:
        radius = int(np.ceil(camera.defocus_px))
        y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
        disc = np.clip(camera.defocus_px + 0.5 - np.hypot(x, y), 0, 1).astype(np.float32)
        light = cv2.filter2D(light, -1, disc / disc.sum(), borderType=cv2.BORDER_REPLICATE)
    return cv2.GaussianBlur(light, (5, 5), camera.blur_px)


def _veiled(light: np.ndarray, camera: Camera) -> np.ndarray:
    """A share of the light scattered in the lens, more of it near to where it came from."""
    small = cv2.resize(
        light, (max(light.shape[1] // 32, 1), max(light.shape[0] // 32, 1)), interpolation=cv2.INTER_AREA
    )
    near = cv2.GaussianBlur(small, (0, 0), max(small.shape[1] / 6, 1))
    spread = small.mean(axis=(0, 1)) * (1 - camera.veil_near) + near * camera.veil_near
    far = cv2.resize(spread.astype(np.float32), (light.shape[1], light.shape[0]), interpolation=cv2.INTER_LINEAR)
    return cv2.addWeighted(light, 1 - camera.veil, far, camera.veil, 0)


def _exposed(light: np.ndarray, camera: Camera) -> np.ndarray:
    """(3, 3) array: working space to exposed light of the picture's own space."""
    grey = np.full((3, 3), 1 / 3)
    richer = (1 + camera.saturation) * np.eye(3) - camera.saturation * grey
    matrix = richer @ from_working(camera.space) @ np.diag(camera.balance)
    sample = light[::9, ::9].reshape(-1, 3) @ matrix.T
    return (matrix * camera.white / np.percentile(sample, 99.0, axis=0).max()).astype(np.float32)


def _evened(light: np.ndarray, strength: float) -> np.ndarray:
    """Gain of an automatic mode that lightens dark areas and darkens light ones."""
    small = cv2.resize(light, (96, 96 * light.shape[0] // light.shape[1]), interpolation=cv2.INTER_AREA).mean(axis=-1)
    around = cv2.GaussianBlur(np.maximum(small, 0.02), (0, 0), 5)
    gain = (around / around.max()) ** -strength
    gain *= 1 / gain.mean() ** 0.5
    return cv2.resize(gain.astype(np.float32), (light.shape[1], light.shape[0]), interpolation=cv2.INTER_LINEAR)


def _grained(rng, light: np.ndarray, camera: Camera) -> np.ndarray:
    """Square root of the light, with noise: in that scale photon noise is the same everywhere."""
    root = np.sqrt(np.maximum(light, 0, out=light), out=light)
    fine = rng.standard_normal(root.shape[:2], dtype=np.float32)
    half = rng.standard_normal((root.shape[0] // 2 + 1, root.shape[1] // 2 + 1, 3), dtype=np.float32)
    coarse = cv2.resize(half, (root.shape[1], root.shape[0]), interpolation=cv2.INTER_LINEAR)
    root += (camera.grain * 0.8) * fine[..., None]
    return cv2.addWeighted(root, 1.0, coarse, camera.grain, 0, dst=root)


def _coded(root: np.ndarray, camera: Camera) -> np.ndarray:
    """Codes of the square root of exposed light, sharpened in codes as cameras do."""
    top = (1 << camera.bits) - 1
    table = (top * camera.tone(np.linspace(0, 1, _LEVELS) ** 2)).astype(np.float32)
    at = np.clip(root * (_LEVELS - 1) + 0.5, 0, _LEVELS - 1).astype(np.uint16)
    codes: np.ndarray = table[at]
    if camera.sharpen:
        soft = cv2.GaussianBlur(codes, (5, 5), camera.sharpen_px)
        codes = np.asarray(cv2.addWeighted(codes, 1 + camera.sharpen, soft, -camera.sharpen, 0))
    return np.clip(codes + 0.5, 0, top).astype(np.uint8 if camera.bits == 8 else np.uint16)
