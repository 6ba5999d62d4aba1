"""Strips without pictures: densities of a paper whose curve is none that the reader fits, as marks and rows."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from fairpanel.methods.contract import Entered, Mark
from fairpanel.methods.uv_strip import METHOD

SCALES = (2, 3, 4, 6)


@dataclass
class Strips:
    """Collects rows and marks. Density follows D0 + range (1 - exp(-(H / scale)^shape)), a Weibull curve.

    Parameters
    ----------
    noise : float
        Standard deviation of a patch's mean; its blocks foretell a variance 1.6 times smaller, as coatings do that vary
        slowly. [density]
    lamp, place : float
        Spread of ln(dose) from strip to strip, and from patch to patch of a strip. [1]
    """

    seed: int = 1
    noise: float = 0.0
    lamp: float = 0.0
    place: float = 0.0
    half_seconds: float = 60.0
    shape: float = 0.95
    base: float = 0.08
    range: float = 1.1
    entered: list[Entered] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)

    def __post_init__(self):
        self.rng = np.random.default_rng(self.seed)

    def density(self, seconds):
        """Red density after an exposure. [s]"""
        scale = self.half_seconds / np.log(2) ** (1 / self.shape)
        return self.base + self.range * -np.expm1(-((np.asarray(seconds, float) / scale) ** self.shape))

    def strip(self, name, patches, *, picture="scan.png", shift=0.0, **more):
        """A strip of patches (role, product, seconds, transmission); `shift` is added to the red density."""
        lamp = float(np.exp(self.rng.normal(0, self.lamp))) if self.lamp else 1.0
        for role, product, seconds, t in patches:
            speed = float(np.exp(self.rng.normal(0, self.place))) if self.place else 1.0
            red = float(self.density(seconds * t * lamp * speed)) + shift + self.rng.normal(0, self.noise or 1e-12)
            self.patch(name, role, product, seconds, red, picture=picture, **more)

    def patch(self, name, role, product, seconds, red, *, picture="scan.png", blue=0.0, **more):
        """A patch of a known red density; `blue` is added to what the paper's colours would be."""
        key = str(len(self.entered))
        row = METHOD.Row(picture=picture, strip=name, role=role, seconds=seconds, product=product, **more)
        self.entered.append(Entered(key, row, len(self.entered) + 2))
        self.marks.append(Mark(key, self.body(red, blue)))

    def body(self, red, blue):
        """What is measured of a patch: here just its tone, evenly grained."""
        grain = max(self.noise, 0.001) ** 2 / 1.6
        over = red - self.base
        return {
            "density": [red, 0.07 + 0.5 * over + 0.03 * over**2 + 0.4 * blue, 0.09 + 0.22 * over + blue],
            "spread": [0.01, 0.01, 0.01],
            "scatter": [[grain * (k * k) ** 0.5 * 0.8] * 3 for k in SCALES],
            "parts": [k * k for k in SCALES],
            "area": 2.0,
            "light_error": 0.001,
            "light_step": 0.0,
            "range": [red] * 5,
            "facts": {"grey": False, "lossy": False},
        }

    def steps(self, seconds=(0, 8, 15, 25, 40, 65, 105, 170), *, role="step", name="steps", **more):
        """A step strip."""
        self.strip(name, [(role, None, t, 1.0) for t in seconds], **more)

    def product(self, name, blocked, *, seconds=85.0, **more):
        """A strip of one patch under a product that blocks so much. [%]"""
        self.strip(name, [("product", name, seconds, 1 - blocked / 100)], **more)

    def half_plate(self, name, blocked, *, seconds=85.0, **more):
        """A strip under a half plate: half product, half glass only."""
        halves = [("product", name, seconds, 1 - blocked / 100), ("glass only", None, seconds, 1.0)]
        self.strip(name, halves, **more)

    def read(self):
        """Readings by product, and refusals."""
        readings, refused = METHOD.readings(self.marks, self.entered)
        return {r.product: r for r in readings}, refused


@pytest.fixture
def made():
    """Makes a fresh collection of strips: `made(noise=0.003)`."""
    return Strips
