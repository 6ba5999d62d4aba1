"""Limits and p values that hold for all comparisons of a campaign together (family-wise, max-t)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fairpanel.estimate.max_t import greatest_pair_t, greatest_t


@dataclass(frozen=True)
class Adjusted:
    """Comparisons with limits that all hold at once.

    Parameters
    ----------
    low, high : (k,) arrays, or (n, n) for pairs
        Limits; -inf or inf on the side not asked for.
    p_value : array
        Adjusted for all comparisons.
    critical : array
        What the standard uncertainty was multiplied by, for each comparison.
    """

    low: np.ndarray
    high: np.ndarray
    p_value: np.ndarray
    critical: np.ndarray


def adjusted_limits(
    estimates,
    *,
    covariance,
    dof=np.inf,
    level: float = 0.95,
    side: str = "both",
    against: float = 0.0,
    seed: int,
    draws: int | None = None,
) -> Adjusted:
    """Limits for several estimates that hold all together with probability `level`.

    Parameters
    ----------
    estimates : (k,) array
        For instance product less control.
    covariance : (k, k) array
        Of the estimates, shared errors and all.
    dof : float or (k,) array
        Degrees of freedom behind the uncertainties; where they differ, each comparison is judged as if all
        had its own.
    level : float
        Joint probability, 0 to 1.
    side : {"both", "low", "high"}
        "low" gives lower limits only (is it greater than `against`?), "high" upper limits only.
    against : float
        What the p values test.
    seed : int
        For the simulation, where one is needed.
    draws : int, optional
        See `greatest_t`.

    Returns
    -------
    Adjusted
        An estimate without variance is its own limits, and its p value 0 or 1.

    Examples
    --------
    >>> found = adjusted_limits([0.0, 3.0], covariance=[[1.0, 0.5], [0.5, 1.0]], seed=1)
    >>> found.low.round(2), found.high.round(2)
    (array([-2.21,  0.79]), array([2.21, 5.21]))
    """
    if side not in ("both", "low", "high"):
        raise ValueError(f"side is 'both', 'low' or 'high', not {side!r}.")
    estimates, covariance = np.asarray(estimates, float), np.asarray(covariance, float)
    dof = np.broadcast_to(np.asarray(dof, float), estimates.shape)
    u = np.sqrt(np.diag(covariance))
    moves = u > 0
    critical, p = np.zeros(len(u)), np.ones(len(u))
    off = estimates - against
    off = {"both": np.abs(off), "low": off, "high": -off}[side]
    if np.any(moves):
        correlation = covariance[np.ix_(moves, moves)] / np.outer(u[moves], u[moves])
        greatest = greatest_t(correlation, two_sided=side == "both", seed=seed, draws=draws)
        critical[moves] = greatest.critical(level=level, dof=dof[moves])
        p[moves] = greatest.beyond(off[moves] / u[moves], dof=dof[moves])
    p[~moves & (off > 0)] = 0.0
    low = estimates - critical * u if side != "high" else np.full(len(u), -np.inf)
    high = estimates + critical * u if side != "low" else np.full(len(u), np.inf)
    return Adjusted(low, high, p, critical)


def adjusted_pairs(
    estimates, *, covariance, dof=np.inf, level: float = 0.95, seed: int, draws: int | None = None
) -> Adjusted:
    """Limits for all differences between estimates that hold all together with probability `level`.

    Parameters
    ----------
    estimates : (n,) array
    covariance : (n, n) array
        Of the estimates, shared errors and all.
    dof : float or (n, n) array
        Degrees of freedom behind the differences.
    level, seed, draws
        As for `adjusted_limits`.

    Returns
    -------
    Adjusted
        Entry [i, j] is for estimate i less estimate j; the diagonal is 0, p value 1.

    Examples
    --------
    >>> found = adjusted_pairs([1.0, 2.0, 6.0], covariance=np.eye(3), seed=1)
    >>> found.p_value.round(3)[0]
    array([1.   , 0.759, 0.001])
    """
    estimates, covariance = np.asarray(estimates, float), np.asarray(covariance, float)
    n = len(estimates)
    difference = estimates[:, None] - estimates
    variance = np.diag(covariance)[:, None] + np.diag(covariance) - 2 * covariance
    u = np.sqrt(np.maximum(variance, 0.0))
    moves = u > 1e-9 * u.max(initial=0)
    dof = np.broadcast_to(np.asarray(dof, float), (n, n))
    critical, p = np.zeros((n, n)), np.where(difference == 0, 1.0, 0.0)
    if np.any(moves):
        greatest = greatest_pair_t(covariance, seed=seed, draws=draws)
        critical[moves] = greatest.critical(level=level, dof=dof[moves])
        p[moves] = greatest.beyond(np.abs(difference[moves]) / u[moves], dof=dof[moves])
    np.fill_diagonal(p, 1.0)
    return Adjusted(difference - critical * u, difference + critical * u, p, critical)


def holm(p_values) -> np.ndarray:
    """p values adjusted for their number when nothing is known of their dependence: S. Holm (1979).

    Parameters
    ----------
    p_values : (k,) array

    Examples
    --------
    >>> holm([0.01, 0.02, 0.03, 0.04, 0.005])
    array([0.04 , 0.06 , 0.06 , 0.06 , 0.025])
    """
    p = np.asarray(p_values, float)
    order = np.argsort(p)
    out = np.empty(len(p))
    out[order] = np.minimum(np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1)), 1)
    return out
