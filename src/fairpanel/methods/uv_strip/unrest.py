"""How far patches scatter and how far lamp and paper wander, from all curves of a campaign together.

Both have starting values. How well steps and glass-only patches agree with the curves then says how right these are: a
grid of factors is weighted by what is held beforehand and by the likelihood of the densities. Many glass-only patches,
on half plates or strips of their own, tell it well; a single step strip tells little, since the curve can follow it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fairpanel.methods.uv_strip import starting_values as taken
from fairpanel.methods.uv_strip.calibration import Calibration, Offset, Patch, likelihoods

#: Spread of the logarithm of how far lamp and paper wander against the starting values.
RESTLESS_SPREAD = 0.5

_SCATTER = np.geomspace(0.3, 5.0, 13)
_RESTLESS = np.geomspace(0.5, 4.5, 12)

Inputs = Callable[[float], tuple[Sequence[Patch], dict[str, Offset]]]


@dataclass(frozen=True)
class Unrest:
    """What the campaign says of its own scatter.

    Parameters
    ----------
    noise_ratio : float
        Variance of patch means against what their blocks foretell. [1]
    dof : float
        Degrees of freedom behind it.
    restless : float
        How far lamp and paper wander, against the starting values. [1]
    """

    noise_ratio: float
    dof: float
    restless: float


def unrest_of(curves: Sequence[tuple[Calibration, Inputs]]) -> Unrest:
    """Scatter and wandering that the curves of a campaign show.

    Parameters
    ----------
    curves : sequence of (Calibration, callable)
        Fitted with the starting values; the callable gives the patches and offsets of a curve, as they are with lamp
        and paper so many times as restless.

    Source
    ------
    Marginal likelihood of a linear model, the curve's parameters integrated over their priors (textbook; e.g. Gelman et
    al., Bayesian Data Analysis, chapter 14, from memory).
    """
    held = taken.NOISE_DOF
    score = np.add.outer(
        -0.5 * held * (np.log(_SCATTER) + 1 / _SCATTER), -0.5 * (np.log(_RESTLESS) / RESTLESS_SPREAD) ** 2
    )
    for c, inputs in curves:
        for i, restless in enumerate(_RESTLESS):
            score[:, i] += likelihoods(c, *inputs(float(restless)), taken.NOISE_RATIO * _SCATTER)
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    scatter, restless = np.exp(weight.sum(axis=1) @ np.log(_SCATTER)), np.exp(weight.sum(axis=0) @ np.log(_RESTLESS))
    return Unrest(taken.NOISE_RATIO * float(scatter), held + sum(c.dof for c, _ in curves), float(restless))
