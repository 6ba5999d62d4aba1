"""What luck alone gives: the best of many strips under products that block nothing, and order among equals.

Strips are counted as independent of each other but for the glass, which gives luck the most it can have: errors that
strips share move all of them and set none apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fairpanel.methods.uv_strip.ladder.eye import Eye, glasses
from fairpanel.methods.uv_strip.ladder.rungs import Ladder

#: What luck gives less often than this is not put down to luck. [1]
RARE = 0.05


@dataclass(frozen=True)
class Luck:
    """The best score among `strips` strips under products that block nothing.

    Parameters
    ----------
    under_glass : bool
        How the steps are taken to have lain.
    strips : int
    typical : float
        Score the best one has in the middle case.
    seldom_above : float
        Lowest score that the best one exceeds in less than 5 % of cases.
    reached : (k,) array
        Chance that the best one has at least the score of each grade. [1]
    one_above_lowest : float
        Chance that a single strip is scored above the lowest grade. [1]
    """

    under_glass: bool
    strips: int
    typical: float
    seldom_above: float
    reached: np.ndarray
    one_above_lowest: float


def best_by_luck(ladder: Ladder, inert: np.ndarray, *, strips: int, under_glass: bool, eye: Eye) -> Luck:
    """What the best of several strips gets where nothing blocks anything.

    Parameters
    ----------
    inert : (m, k) array
        Chance of each grade at 0 % blocked, as `eye.chances_by_glass` gives it.
    strips : int
        Scores among which the best was looked for.
    """
    _, weights = glasses(eye, under_glass=under_glass)
    up_to = np.minimum(np.cumsum(inert, axis=1), 1.0)
    best_up_to = weights @ up_to**strips
    best_up_to[-1] = 1.0
    return Luck(
        under_glass,
        strips,
        ladder.grades[int(np.argmax(best_up_to >= 0.5))],
        ladder.grades[int(np.argmax(best_up_to > 1 - RARE))],
        np.concatenate([[1.0], np.maximum(1.0 - best_up_to[:-1], 0.0)]),
        float(1.0 - weights @ up_to[:, 0]),
    )


def order_by_luck(
    chances: np.ndarray, at_least: int, at_most: int, *, strips: int, under_glass: bool, eye: Eye
) -> float:
    """Chance that among alike products one is scored `at_least` and another `at_most`, at the worst true value. [1]

    For two strips it is the chance that a given pair comes out this far apart, in either order; for all strips of a
    table, that any pair does.

    Parameters
    ----------
    chances : (m, b, k) array
        Of each grade, as `eye.chances_by_glass` gives them over all true values.
    at_least, at_most : int
        Grades; `at_least` is the higher.
    strips : int
        Alike products.
    """
    _, weights = glasses(eye, under_glass=under_glass)
    below = chances[:, :, :at_least].sum(axis=2)
    low = chances[:, :, : at_most + 1].sum(axis=2)
    between = chances[:, :, at_most + 1 : at_least].sum(axis=2)
    one_of_each = 1.0 - below**strips - (1.0 - low) ** strips + between**strips
    return float(np.clip((weights @ one_of_each).max(), 0.0, 1.0))
