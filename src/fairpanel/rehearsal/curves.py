"""How made paper darkens with dose: families of curves, none of them a logistic in log dose.

Each gives the share of the paper's density range reached after a dose, scaled so that half is reached at
dose 1. The families are textbook shapes or estimates; no real paper stands behind their figures.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr


def stretched(dose: np.ndarray, power: float) -> np.ndarray:
    """1 - exp(-dose^power): spots of the coating are used up (power above 1: by more than one hit)."""
    return -np.expm1(-(dose**power))


def two_rates(dose: np.ndarray, share: float, slower: float, power: float) -> np.ndarray:
    """A quick and a slow part of the coating: two exponentials, with a toe where power exceeds 1."""
    h = dose**power
    return 1 - share * np.exp(-h) - (1 - share) * np.exp(-slower * h)


def probit(dose: np.ndarray, width: float) -> np.ndarray:
    """Thresholds spread log-normally over the coating; `width` is their standard deviation in ln dose."""
    with np.errstate(divide="ignore"):
        return ndtr(np.log(dose) / width)


def delayed_uptake(dose: np.ndarray, delay: float, power: float) -> np.ndarray:
    """Michaelis saturation after a toe: something in the paper has to be used up first."""
    counted = dose + delay * np.expm1(-dose / delay)
    h = counted**power
    return h / (h + 1)


def dye_layer(dose: np.ndarray, growth: float, power: float) -> np.ndarray:
    """Density grows as the logarithm of the light absorbed, until the layer is used up."""
    return np.log1p(-growth * np.expm1(-(dose**power))) / np.log1p(growth)


def two_layers(dose: np.ndarray, share: float, apart: float, width: float) -> np.ndarray:
    """Odd paper: a quick layer over a slow one, with a shelf between them."""
    return share * probit(dose, width) + (1 - share) * probit(dose / apart, width)


def turning_back(dose: np.ndarray, power: float, loss: float) -> np.ndarray:
    """Odd paper: the blue is bleached a little again by a very long exposure."""
    return stretched(dose, power) * (1 - loss * ndtr(np.log(np.maximum(dose, 1e-9) / 9.0) / 0.7))


def _between(*ranges: tuple[float, float]) -> Callable[[np.random.Generator], tuple[float, ...]]:
    return lambda rng: tuple(float(rng.uniform(low, high)) for low, high in ranges)


#: A formula, and how its parameters are drawn for one paper.
Family = tuple[Callable[..., np.ndarray], Callable[[np.random.Generator], tuple[float, ...]]]
FAMILIES: dict[str, Family] = {
    "stretched": (stretched, _between((0.85, 1.45))),
    "two rates": (two_rates, _between((0.55, 0.85), (0.15, 0.45), (1.0, 1.5))),
    "probit": (probit, _between((0.80, 1.45))),
    "delayed uptake": (delayed_uptake, _between((0.1, 0.9), (1.05, 1.6))),
    "dye layer": (dye_layer, _between((0.6, 5.0), (1.0, 1.7))),
}
ODD_FAMILIES: dict[str, Family] = {
    "two layers": (two_layers, _between((0.5, 0.7), (3.0, 6.0), (0.55, 0.8))),
    "turning back": (turning_back, _between((0.9, 1.3), (0.02, 0.08))),
}


@dataclass(frozen=True)
class Curve:
    """One paper's curve.

    Parameters
    ----------
    family : str
    parameters : tuple of float
    scale : float
        Makes half of the range fall at dose 1.
    """

    family: str
    parameters: tuple[float, ...]
    scale: float

    def response(self, dose: np.ndarray) -> np.ndarray:
        """Share of the density range reached.

        Parameters
        ----------
        dose : array
            In half-way exposures; 0 is legal and gives 0. [1]
        """
        shape = (FAMILIES | ODD_FAMILIES)[self.family][0]
        return shape(self.scale * np.asarray(dose, dtype=float), *self.parameters)

    @property
    def contrast(self) -> float:
        """Slope at the half-way exposure as the power n of a dose^n law: 4 dF / d ln dose. [1]"""
        low, high = self.response(np.array([0.99, 1.01]))
        return float(4 * (high - low) / np.log(1.01 / 0.99))


def curve(family: str, parameters: tuple[float, ...]) -> Curve:
    """The curve of a family with these parameters, scaled to reach half of its range at dose 1."""
    shape = (FAMILIES | ODD_FAMILIES)[family][0]
    scale = brentq(lambda s: float(shape(np.array(s), *parameters)) - 0.5, 1e-3, 1e3)
    return Curve(family, tuple(parameters), float(scale))


def draw_curve(rng: np.random.Generator, *, family: str | None = None, odd: bool = False) -> Curve:
    """A curve at random whose contrast lies between 1 and 2.1 (not asked of odd ones)."""
    families = ODD_FAMILIES if odd else FAMILIES
    name = family or str(rng.choice(sorted(families)))
    while True:
        drawn = curve(name, (FAMILIES | ODD_FAMILIES)[name][1](rng))
        if odd or 1.0 <= drawn.contrast <= 2.1:
            return drawn
