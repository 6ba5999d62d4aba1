"""Whether the other colours of a patch go with its red as they do in the steps.

Only red is read. Green and blue of exposed paper follow from red by one smooth relation, which the steps show. A stain,
toning, a reflection or coloured light moves a patch off that relation; how far is then also how far red may be off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fairpanel.methods.uv_strip.strips import Steps

#: Degree of the relation; with few steps one less.
DEGREE, FEW = 3, 6
#: Least standard deviation of a patch about the relation. [density]
LEAST_SPREAD = 0.003
#: Colours disagree from this many standard deviations and from this difference on. [1, density]
DISAGREE, LEAST_DIFFERENCE = 4.0, 0.012
#: Red may be off by this share of what another colour is off: brown and yellow stains hold back little red.
SHARE_OF_RED = 0.35
#: So far beyond the tones of the steps the relation is still used. [density]
BEYOND = 0.05


@dataclass(frozen=True)
class Colours:
    """Green and blue density against red, as the steps show them.

    Parameters
    ----------
    relation : (2, k) array
        Polynomial coefficients for green and blue.
    spread : (2,) array
        Standard deviation of the steps about it.
    range : (2,) array
        Red densities of the lightest and darkest step.
    """

    relation: np.ndarray
    spread: np.ndarray
    range: np.ndarray

    def off(self, density: Sequence[float]) -> float:
        """How far the colour that is furthest off its relation is off it; 0 beyond the steps. [density]"""
        red = density[0]
        if not self.range[0] - BEYOND <= red <= self.range[1] + BEYOND:
            return 0.0
        rest = np.array(density[1:3]) - [np.polyval(c, red) for c in self.relation]
        return float(rest[np.argmax(np.abs(rest) / self.spread)])

    def disagree(self, density: Sequence[float]) -> bool:
        """Whether a patch with these three densities is off the relation for certain."""
        return abs(self.off(density)) > max(LEAST_DIFFERENCE, DISAGREE * float(self.spread.max()))

    def doubt(self, density: Sequence[float]) -> float:
        """Standard uncertainty of red from what the other colours are off beyond their scatter. [density]"""
        beyond = self.off(density) ** 2 - (2 * float(self.spread.max())) ** 2
        return SHARE_OF_RED * math.sqrt(beyond) if beyond > 0 else 0.0


def colours_of(steps: Steps) -> Colours | None:
    """The relation as a set of steps shows it; None where it cannot: grey pictures, few steps."""
    spots = [s for strip in steps.strips for s in strip.spots]
    if any(s.mark.body["facts"]["grey"] for s in spots) or len(spots) < 4:
        return None
    density = np.array([s.mark.body["density"] for s in spots])
    degree = min(DEGREE if len(spots) >= FEW else DEGREE - 1, len(set(density[:, 0])) - 2)
    if degree < 1:
        return None
    red = density[:, 0]
    relation = np.array([np.polyfit(red, density[:, k], degree) for k in (1, 2)])
    rest = np.array([density[:, k + 1] - np.polyval(relation[k], red) for k in (0, 1)])
    free = max(len(red) - degree - 1, 1)
    spread = np.maximum(np.sqrt((rest**2).sum(axis=1) / free), LEAST_SPREAD)
    return Colours(relation, spread, np.array([red.min(), red.max()]))
