"""Decision and detection limits.

Decision limit: what a blank would exceed in a share alpha of cases. Detection limit: the least true value
that exceeds it in all but a share beta. The words are ISO 11843-1's; the formulas stand at each function.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from fairpanel.estimate.lines import Line
from fairpanel.estimate.monotone import rising


class Limits(NamedTuple):
    """Decision and detection limit, in the unit of the quantity (arrays where several were asked for)."""

    decision: float | np.ndarray
    detection: float | np.ndarray


def known_noise(sd_of_difference, *, alpha: float = 0.05, beta: float = 0.05) -> Limits:
    """Limits where the noise is known: L. A. Currie, Anal. Chem. 40, 586 (1968), from memory.

    Parameters
    ----------
    sd_of_difference : float or array
        Standard deviation of specimen less blank when there is nothing: sqrt(2) times the blank's where the
        two are read alike once each.
    alpha, beta : float
        Share of blanks called real; share of specimens at the detection limit missed.

    Examples
    --------
    >>> [round(float(x), 4) for x in known_noise(1.0)]
    [1.6449, 3.2897]
    """
    from scipy import special

    decision = special.ndtri(1 - alpha) * sd_of_difference
    return Limits(decision, decision + special.ndtri(1 - beta) * sd_of_difference)


def noncentrality(dof: float, *, alpha: float = 0.05, beta: float = 0.05) -> float:
    """Shift, in standard deviations, that exceeds Student's one-sided limit in all but a share beta.

    The delta(nu; alpha; beta) of ISO 11843-2 (noncentral t; text not seen).

    Parameters
    ----------
    dof : float
        Degrees of freedom behind the standard deviation; infinite where it is known.

    Examples
    --------
    >>> round(noncentrality(8), 4)
    3.6171
    """
    from scipy import special

    if not np.isfinite(dof):
        return float(special.ndtri(1 - alpha) + special.ndtri(1 - beta))
    return float(special.nctdtrinc(dof, beta, special.stdtrit(dof, 1 - alpha)))


def straight_calibration(line: Line, *, replicates: int = 1, alpha: float = 0.05, beta: float = 0.05) -> Limits:
    """Limits of a straight calibration with constant scatter: ISO 11843-2 (text not seen).

    Parameters
    ----------
    line : Line
        Signal against true value.
    replicates : int
        Readings averaged for one specimen.

    Raises
    ------
    ValueError
        The line does not rise or fall.
    """
    from scipy import special

    if line.slope == 0:
        raise ValueError("The calibration line is level: nothing can be read from it.")
    spread = np.sqrt(1 / replicates + 1 / line.points + line.x_mean**2 / line.sxx)
    unit = float(line.residual_sd * spread / abs(line.slope))
    decision = float(special.stdtrit(line.dof, 1 - alpha)) * unit
    return Limits(decision, noncentrality(line.dof, alpha=alpha, beta=beta) * unit)


def twice_the_decision(line: Line, *, replicates: int = 1, alpha: float = 0.01) -> Limits:
    """DIN 32645:1994 (text not seen): decision as in `straight_calibration`, detection at twice that."""
    decision = straight_calibration(line, replicates=replicates, alpha=alpha).decision
    return Limits(decision, 2 * decision)


def from_readings(true_values, readings, *, alpha: float = 0.05, beta: float = 0.05) -> Limits:
    """Limits from simulated readings: for any curve and any way of reading (idea of ISO 11843-5).

    Parameters
    ----------
    true_values : (k,) array, rising, the first the blank's
    readings : (..., k, n) array
        n simulated readings at each true value, read as a specimen is read; -inf and inf are legal.

    Returns
    -------
    Limits
        decision: quantile 1 - alpha of the readings at the blank. detection: least true value whose quantile
        beta reaches it, in a straight line between the true values; inf where even the greatest one fails.

    Raises
    ------
    ValueError
        True values that do not rise, or fewer than two.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> true = np.linspace(0, 6, 13)
    >>> [round(float(x), 1) for x in from_readings(true, true[:, None] + rng.normal(size=(13, 100_000)))]
    [1.6, 3.3]
    """
    true_values, readings = np.asarray(true_values, float), np.asarray(readings, float)
    if len(true_values) < 2 or np.any(np.diff(true_values) <= 0):
        raise ValueError("The true values must rise, beginning with the blank; at least two are needed.")
    decision = _quantile(readings[..., 0, :], 1 - alpha)
    return Limits(decision, _reaches(true_values, _rising(_quantile(readings, beta)), decision))


def _rising(heights: np.ndarray) -> np.ndarray:
    """What is seen must be seen at every greater true value too: evens out the scatter of the simulation."""
    if np.all(np.isfinite(heights)):
        return rising(heights)
    return np.minimum.accumulate(heights[..., ::-1], axis=-1)[..., ::-1]


def _quantile(values: np.ndarray, share: float) -> np.ndarray:
    place = min(max(int(np.ceil(share * values.shape[-1])) - 1, 0), values.shape[-1] - 1)
    return np.partition(values, place, axis=-1)[..., place]


def _reaches(true_values: np.ndarray, heights: np.ndarray, level: np.ndarray) -> np.ndarray:
    enough = heights >= np.asarray(level)[..., None]
    first = np.argmax(enough, axis=-1)
    before = np.maximum(first - 1, 0)
    above = np.take_along_axis(heights, first[..., None], axis=-1)[..., 0]
    below = np.take_along_axis(heights, before[..., None], axis=-1)[..., 0]
    with np.errstate(all="ignore"):
        share = np.where((first > 0) & np.isfinite(below), (level - below) / (above - below), 1.0)
    share = np.where(np.isfinite(share), share, 1.0)
    found = true_values[before] + share * (true_values[first] - true_values[before])
    return np.where(enough.any(-1), found, np.inf)


def simulated(
    read: Callable[[np.ndarray, np.random.Generator], np.ndarray],
    *,
    true_values,
    seed: int,
    alpha: float = 0.05,
    beta: float = 0.05,
) -> Limits:
    """Limits of a whole way of reading, by simulating it.

    Parameters
    ----------
    read : callable
        `read(true_values, rng)`, true values (k,), giving (..., k, n) readings.
    true_values : (k,) array, rising, the first the blank's
    seed : int
        The same seed gives the same limits.

    Returns
    -------
    Limits
        See `from_readings`.
    """
    true_values = np.asarray(true_values, float)
    readings = read(true_values, np.random.default_rng(seed))
    return from_readings(true_values, readings, alpha=alpha, beta=beta)
