"""Unevenness of the paper, from the strips themselves.

Each mark carries the variance between parts of its patch, for parts of several sizes. For white noise the variance of a
part's mean falls as 1 / area; coating varies slowly and it falls less. The exponent is fitted to all patches of a
picture together, and the variance of a whole patch's mean follows from it. How it grows with density is fitted too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

#: Least standard deviation of a patch mean that is believed: rounding, decoding and trimming. [density]
FLOOR = 0.0008

#: Exponents tried, and what is expected of coated paper beforehand: few patches tell it badly.
_EXPONENTS = np.arange(0.15, 1.01, 0.05)
USUAL_EXPONENT, EXPONENT_SPREAD = 0.45, 0.15
#: The variances at several scales of one patch are not independent: their misfit counts for this share.
TOGETHER = 0.25


@dataclass(frozen=True)
class Noise:
    """Variance of a patch's mean density.

    Parameters
    ----------
    constant, rising : float
        Variance of the mean over one unit of area: `constant + rising * (density - d0)^2`.
    exponent : float
        Fall of the variance with area.
    d0 : float
        Density of unexposed paper.
    """

    constant: float
    rising: float
    exponent: float
    d0: float

    def variance(self, density: np.ndarray | float, area: np.ndarray | float) -> np.ndarray:
        """Variance of the mean density of patches.

        Parameters
        ----------
        density : array
        area : array
            Area averaged over, in the unit of the marks.
        """
        level = self.constant + self.rising * (np.maximum(np.asarray(density) - self.d0, 0.0)) ** 2
        return level * np.asarray(area, float) ** -self.exponent + FLOOR**2


def fit_noise(bodies: Sequence[Mapping[str, Any]], channel: int = 0) -> Noise:
    """Noise of the patches of one picture.

    Parameters
    ----------
    bodies : sequence of mark bodies
        With `density`, `scatter`, `parts`, `area`.
    channel : int
    """
    from scipy.optimize import nnls  # slow to import, and only needed here

    d0 = min(b["density"][channel] for b in bodies)
    rows = [
        (b["density"][channel] - d0, b["area"], parts, scatter[channel])
        for b in bodies
        for parts, scatter in zip(b["parts"], b["scatter"], strict=True)
        if parts >= 3
    ]
    if not rows:
        return Noise(0.005**2, 0.005**2, 0.5, d0)
    rise, area, parts, seen = (np.array(x, float) for x in zip(*rows, strict=True))
    best: tuple[float, Noise] | None = None
    for h in _EXPONENTS:
        fall = (area / parts) ** -h - area**-h
        design = np.stack([fall, fall * rise**2], axis=1)
        weight = 1 / (seen + np.median(seen) * 0.3 + 1e-9)
        # the spread of a variance estimate goes with its size: two rounds of relative weights
        for _ in range(3):
            (c, r), _ = nnls(design * weight[:, None], seen * weight)
            expected = design @ [c, r] + 1e-12
            weight = np.sqrt(parts - 1) / expected
        deviance = ((seen / expected) - 1 - np.log(np.maximum(seen, 1e-14) / expected)) * (parts - 1)
        misfit = TOGETHER * float(deviance.sum()) + ((h - USUAL_EXPONENT) / EXPONENT_SPREAD) ** 2
        if best is None or misfit < best[0]:
            best = (misfit, Noise(float(c), float(r), float(h), d0))
    assert best is not None
    return best[1]
