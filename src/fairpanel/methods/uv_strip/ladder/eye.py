"""How an eye reads a strip against a ladder: the chance of every score, given what the film blocks.

Model: the paper's tone is 1 - 2^(-dose / half-way dose); the dose under a plate varies from strip to strip by sheet,
place and lamp, the tone seen varies by the eye; the grade nearest in tone is given. The chances are sums over the
spread of the dose and the glass, not draws: they need no seed and carry no error of their own.

Source: simulation in our own notes, assumptions stated there; sizes are estimates, no published source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import ndtr

from fairpanel.methods.uv_strip import starting_values as taken
from fairpanel.methods.uv_strip.ladder.rungs import Ladder

#: Values of blocked UV tried when a score is turned into an interval. [%]
TRIED = np.linspace(0.0, 100.0, 401)


@dataclass(frozen=True)
class Eye:
    """What is assumed of paper, bench and eye. Estimates, no source; relative standard deviations unless said.

    Parameters
    ----------
    halfway_s : float
        Exposure under glass at which the paper is half-way to its darkest. [s]
    sheet, place, lamp : float
        Dose of a strip: paper sheet, place under the lamp, lamp from one exposure to the next. [1]
    eye : float
        Tone, as a share of the paper's full range. [1]
    ln_glass, glass_spread : float
        ln of the share of the light that glass passes, and its standard deviation from one kind of glass to another;
        used where the steps lay without glass. [1]
    """

    halfway_s: float = 62.4  # a time constant of 1.2 min without glass, under glass that passes 80 %
    sheet: float = 0.05
    place: float = 0.06
    lamp: float = 0.05
    eye: float = 0.04
    ln_glass: float = taken.GLASS
    glass_spread: float = taken.GLASS_SPREAD

    def told(self, ladder: Ladder) -> Eye:
        """With the paper's half-way exposure as the tester gave it, if they did."""
        return replace(self, halfway_s=ladder.halfway_s) if ladder.halfway_s else self

    @property
    def dose(self) -> float:
        """Standard deviation of ln of a strip's dose. [1]"""
        return float(np.sqrt(self.sheet**2 + self.place**2 + self.lamp**2))


def glasses(eye: Eye, *, under_glass: bool) -> tuple[np.ndarray, np.ndarray]:
    """Shares of light by which steps and strips differ, with their weights; one strip's glass is every strip's glass.

    Returns
    -------
    passes, weights : (m,) arrays
        1 alone where the steps lay under the same glass. [1]
    """
    if under_glass:
        return np.ones(1), np.ones(1)
    nodes, weights = _normal_nodes(9)
    return np.exp(eye.ln_glass + eye.glass_spread * nodes), weights


def chances_by_glass(ladder: Ladder, blocked: Any, *, under_glass: bool, eye: Eye) -> np.ndarray:
    """Chance of each grade for each share of light the glass may pass.

    Parameters
    ----------
    ladder : Ladder
    blocked : (b,) array
        True values. [%]
    under_glass : bool
        How the steps lay.

    Returns
    -------
    (m, b, k) array
        Rows add to 1; `m` as in `glasses`.
    """
    passes, _ = glasses(eye, under_glass=under_glass)
    nodes, weights = _normal_nodes(31)
    dose = np.outer(1.0 - np.asarray(blocked, dtype=float) / 100.0, np.exp(eye.dose * nodes)) * ladder.exposed_s
    tone = 1.0 - np.exp2(-dose / eye.halfway_s)
    # Steps without glass had the lamp's full light: more than the same time gives under glass.
    steps = 1.0 - np.exp2(-np.array(ladder.grade_seconds) / (eye.halfway_s * passes[:, None]))
    limits = (steps[:, :-1] + steps[:, 1:]) / 2
    darker = ndtr((tone[None, :, :, None] - limits[:, None, None, :]) / eye.eye)
    less = np.einsum("d,mbdk->mbk", weights, 1.0 - darker)  # blocks at least as much as the next grade
    reached = np.pad(less, ((0, 0), (0, 0), (1, 1)))
    reached[:, :, 0] = 1.0
    return np.maximum(-np.diff(reached, axis=2), 0.0)


def score_chances(ladder: Ladder, blocked: Any, *, under_glass: bool, eye: Eye) -> np.ndarray:
    """Chance of each grade. Blocked UV to scores, with their spread.

    Parameters
    ----------
    blocked : (b,) array
        True values. [%]

    Returns
    -------
    (b, k) array
    """
    _, weights = glasses(eye, under_glass=under_glass)
    return np.einsum("m,mbk->bk", weights, chances_by_glass(ladder, blocked, under_glass=under_glass, eye=eye))


def interval(chances: np.ndarray, first: int, last: int, *, out: float = 0.05) -> tuple[float | None, float | None]:
    """What a film may block that was given these grades: all values for which such a score is no rare event. [%]

    The test is turned round: a value stays in unless it would be scored so low, or so high, in under `out` / 2 of
    cases. No prior is used.

    Parameters
    ----------
    chances : (b, k) array
        Of each grade at the values `TRIED`.
    first, last : int
        Grades of the score or of the ends of a range.
    out : float
        1 less the confidence. [1]

    Returns
    -------
    low, high
        None where that side is open: "at most", "at least".
    """
    at_most, at_least = chances[:, : last + 1].sum(axis=1), chances[:, first:].sum(axis=1)
    stays = np.flatnonzero((at_most > out / 2) & (at_least > out / 2))
    if stays.size == 0:  # darker, or lighter, than any film makes a strip
        stays = np.array([0 if at_most.max() < at_least.max() else len(TRIED) - 1])
    low, high = TRIED[stays[0]], TRIED[stays[-1]]
    return (float(low) if stays[0] > 0 else None), (float(high) if stays[-1] < len(TRIED) - 1 else None)


def chance_of_order(
    ladder: Ladder, less: float, more: float, *, under_glass: bool, eye: Eye
) -> tuple[float, float, float]:
    """Of two products, chance that the one that blocks more is scored higher, the same, lower.

    Parameters
    ----------
    less, more : float
        True values. [%]
    """
    each = chances_by_glass(ladder, [less, more], under_glass=under_glass, eye=eye)
    _, weights = glasses(eye, under_glass=under_glass)
    both = np.einsum("m,mi,mj->ij", weights, each[:, 0], each[:, 1])
    return float(np.triu(both, 1).sum()), float(np.trace(both)), float(np.tril(both, -1).sum())


def _normal_nodes(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights that turn a sum into the mean over a standard normal."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(n)
    return nodes, weights / weights.sum()
