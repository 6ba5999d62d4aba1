"""The ladder: steps of known exposure, each with the score it was given.

A strip that looks like the step of e minutes has had as much light as e minutes give. Under a plate exposed for t
minutes that is a share e / t of the light: equal steps of exposure are equal steps of blocked UV, whatever the scores
say. Of the doubling scores 0, 2, 4, 8, 16 given to 4, 3, 2, 1, 0 of 4 minutes each one is 25 points from the next.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

YES, NO, NOT_KNOWN = "yes", "no", "not known"


@dataclass(frozen=True)
class Ladder:
    """Rungs from the longest exposure to the shortest: from nothing blocked to all of it.

    A *grade* is a place a strip can be given: a rung, or half-way between two, counted from 0 at the longest exposure.

    Parameters
    ----------
    scores : tuple of k floats
        As the tester gave them; rising or falling all along.
    seconds : tuple of k floats, falling
        Exposure of the step that has this score. [s]
    exposed_s : float
        Exposure of the strips under products. [s]
    glass : {"yes", "no", "not known"}
        Whether glass lay over the steps as it did over the strips.
    half_scores : bool
        Scores half-way between rungs were given too.
    halfway_s : float or None
        Exposure under glass at which the paper is half-way to its darkest, if known. [s]
    """

    scores: tuple[float, ...]
    seconds: tuple[float, ...]
    exposed_s: float
    glass: str
    half_scores: bool
    halfway_s: float | None = None

    @cached_property
    def grades(self) -> tuple[float, ...]:
        """Score of each grade."""
        return _with_halves(self.scores) if self.half_scores else self.scores

    @cached_property
    def grade_seconds(self) -> tuple[float, ...]:
        """Exposure each grade stands for. [s]"""
        return _with_halves(self.seconds) if self.half_scores else self.seconds

    @property
    def readings(self) -> tuple[bool, ...]:
        """How the steps may have lain, True for under glass: one way, or both where it is not known."""
        return {YES: (True,), NO: (False,), NOT_KNOWN: (True, False)}[self.glass]

    def grade_of(self, score: float) -> int | None:
        """Grade with that score, or None where the ladder has none."""
        return next((i for i, s in enumerate(self.grades) if math.isclose(s, score, abs_tol=1e-9)), None)


def _with_halves(values: tuple[float, ...]) -> tuple[float, ...]:
    halves = [(a + b) / 2 for a, b in pairwise(values)]
    return tuple(v for pair in zip(values, (*halves, math.nan), strict=True) for v in pair)[:-1]


def blocked_at(equivalent_s: float, *, exposed_s: float, passes: float = 1.0) -> float:
    """UV blocked by the film over a strip as dark as that exposure of the steps. [%]

    Parameters
    ----------
    equivalent_s : float
        Exposure of the matching step. [s]
    exposed_s : float
        Exposure of the strip. [s]
    passes : float
        Share of the light the glass lets through, where the steps lay without it. [1]

    Examples
    --------
    >>> blocked_at(180, exposed_s=240)
    25.0
    >>> round(blocked_at(180, exposed_s=240, passes=0.8), 2)
    6.25
    """
    return 100.0 * (1.0 - equivalent_s / (passes * exposed_s))


def nominal_interval(
    ladder: Ladder, first: int, last: int, *, passes: float = 1.0
) -> tuple[float | None, float | None]:
    """What the score says by itself: to half-way to the neighbouring grades, with no error of eye or paper. [%]

    Parameters
    ----------
    ladder : Ladder
    first, last : int
        Grades of the score, or of the ends of a range of scores; `first` blocks less.
    passes : float
        As in `blocked_at`.

    Returns
    -------
    low, high
        None where the ladder ends: "at most", "at least".

    Examples
    --------
    >>> doubling = Ladder((0, 2, 4, 8, 16), (240, 180, 120, 60, 0), 240, "yes", half_scores=False)
    >>> nominal_interval(doubling, 1, 1), nominal_interval(doubling, 0, 0)
    ((12.5, 37.5), (None, 12.5))
    """
    at = ladder.grade_seconds
    low = high = None
    if first > 0:
        low = blocked_at((at[first - 1] + at[first]) / 2, exposed_s=ladder.exposed_s, passes=passes)
    if last < len(at) - 1:
        high = blocked_at((at[last] + at[last + 1]) / 2, exposed_s=ladder.exposed_s, passes=passes)
    return low, high


def perfect_score(blocked: float, ladder: Ladder) -> float:
    """Score a perfect eye would give with steps under glass, parts of a rung included.

    Parameters
    ----------
    blocked : float
        True value; beyond the ends of the ladder its last score is given. [%]

    Examples
    --------
    >>> doubling = Ladder((0, 2, 4, 8, 16), (240, 180, 120, 60, 0), 240, "yes", half_scores=False)
    >>> round(perfect_score(80.0, doubling), 9)
    9.6
    """
    equivalent = ladder.exposed_s * (1.0 - blocked / 100.0)
    return float(np.interp(equivalent, ladder.seconds[::-1], ladder.scores[::-1]))
