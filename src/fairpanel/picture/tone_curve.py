"""The camera's tone curve, from grey patches of known relative reflectance.

ln of the recorded light is turned into ln of the light that fell on the sensor by a smooth curve that keeps white at
white. Every grey patch says that its light and the white's beside it differ by ln(level). Reflectance relative to white
then does not depend on how brightly that place was lit. Absolute levels hardly matter for strips read against steps in
the same picture; uneven light with a curved tone scale does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: Terms of the curve above the straight line: powers of ln(light).
POWERS = (1, 2, 3)
#: How far each term is held to "no correction": standard deviations.
HELD = np.array([0.3, 0.15, 0.05])


@dataclass(frozen=True)
class ToneCurve:
    """ln(sensor light) as a function of u = ln(recorded light / brightest white).

    Parameters
    ----------
    terms : (3,) array
        Factors of u, u^2, u^3 added to u.
    misfit : float
        Root mean square error of the grey patches. [ln]
    """

    terms: np.ndarray
    misfit: float

    def straightened(self, u: np.ndarray) -> np.ndarray:
        """ln of the sensor's light for u (any shape). Below the darkest grey the curve goes on straight."""
        v = np.maximum(u, _DARKEST)
        out = v + sum(t * v**p for t, p in zip(self.terms, POWERS, strict=True))
        slope = 1 + sum(t * p * _DARKEST ** (p - 1) for t, p in zip(self.terms, POWERS, strict=True))
        return out + np.minimum(u - _DARKEST, 0.0) * slope


_DARKEST = float(np.log(0.04))


def straight() -> ToneCurve:
    """No correction."""
    return ToneCurve(np.zeros(3), 0.0)


def fit_tone_curve(grey: np.ndarray, white: np.ndarray, level: np.ndarray) -> ToneCurve:
    """The curve that makes grey patches agree with their levels.

    Parameters
    ----------
    grey, white : (n,) array
        ln of recorded light of the patches and of the white at the same places, relative to the brightest white.
    level : (n,) array
        Reflectance relative to white. [1]
    """
    design = np.stack([grey**p - white**p for p in POWERS], axis=1)
    target = np.log(level) - (grey - white)
    weight = np.full(len(grey), 1 / 0.04)
    for _ in range(3):
        a = np.vstack([design * weight[:, None], np.diag(1 / HELD)])
        b = np.concatenate([target * weight, np.zeros(len(HELD))])
        terms = np.linalg.lstsq(a, b, rcond=None)[0]
        rest = target - design @ terms
        weight = 1 / np.maximum(0.04, np.abs(rest))
    curve = ToneCurve(terms, float(np.sqrt(np.mean(rest**2))))
    u = np.linspace(_DARKEST, 0, 50)
    if (np.diff(curve.straightened(u)) <= 0).any():
        return ToneCurve(np.zeros(3), float(np.sqrt(np.mean((np.log(level) - (grey - white)) ** 2))))
    return curve
