"""Variance between specimens (plates, sheets, runs) whose readings each have a known uncertainty.

Values in groups (plates in products): y = group mean + scale b + e, with e of known covariance and b of
unknown variance t2, the same for all. Within each group the values are turned into contrasts free of the
group's mean whose variances are 1 + l t2; restricted likelihood, moments and exact limits then all follow
from these pairs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Between:
    """Variance between specimens.

    Parameters
    ----------
    variance : float
        Restricted maximum likelihood; 0 is a legal answer.
    dof : float
        Degrees of freedom that a pooled variance of this certainty would have (Satterthwaite); 0 where the
        variance came out 0.
    low, high : float
        Exact limits of the variance at the level asked for (Q profile, W. Viechtbauer, Stat. Med. 26, 37
        (2007), from memory). low may be 0; high is NaN where even 0 is too much: the readings agree better
        than their uncertainties allow.
    contrasts : int
        Values less groups: what there is to learn from.
    p_value : float
        Of no variance at all (Cochran's Q).
    """

    variance: float
    dof: float
    low: float
    high: float
    contrasts: int
    p_value: float

    @property
    def sd(self) -> float:
        """Standard deviation between specimens."""
        return float(np.sqrt(self.variance))


def between(values, *, within, groups=None, scale=None, level: float = 0.95) -> Between:
    """Variance between specimens beyond the known uncertainty of their readings.

    Parameters
    ----------
    values : (n,) array
        One reading of each specimen.
    within : (n,) array of variances, or (n, n) covariance
        Known, of the readings. A covariance may couple specimens of one group; between groups it is not used.
    groups : (n,) array, optional
        What each specimen is a specimen of (its product); all of one without it. Each group keeps its own
        mean.
    scale : (n,) array, optional
        Size of one unit of the effect in each value, for effects that grow with something (film variation
        grows with absorbance); 1 without it.
    level : float

    Raises
    ------
    ValueError
        No group with two specimens, or variances not above zero.

    Examples
    --------
    Equal uncertainties: the variance of the values less that of the readings.

    >>> found = between([1.0, 5.0, 3.0], within=[1.0, 1.0, 1.0])
    >>> round(found.variance, 6), round(found.dof, 3)
    (3.0, 1.125)
    """
    sizes, squares = _contrasts(values, within, groups, scale)
    variance = float(_restricted_likelihood(sizes, squares))
    information = np.sum((sizes / (1 + sizes * variance)) ** 2)
    low, high = _q_profile(sizes, squares, level)
    return Between(
        variance=variance,
        dof=float(variance**2 * information),
        low=low,
        high=high,
        contrasts=len(sizes),
        p_value=_p_value(squares),
    )


def moment_variance(values, *, within, groups=None, scale=None) -> float:
    """The same variance by moments: where the weighted squares equal their expectation, 0 where they fall
    short.

    R. C. Paule and J. Mandel (1982), from memory. Differs little from `between`; needs no normal
    distribution.
    """
    sizes, squares = _contrasts(values, within, groups, scale)
    return _where_q_is(sizes, squares, float(len(sizes))) or 0.0


@dataclass(frozen=True)
class Consensus:
    """Mean of specimens that differ.

    Parameters
    ----------
    mean : float
    standard_uncertainty : float
        From readings and specimens together.
    weights : (n,) array
        Of each specimen, adding to one.
    """

    mean: float
    standard_uncertainty: float
    weights: np.ndarray


def consensus(values, *, within, variance_between: float, scale=None) -> Consensus:
    """Weighted mean of specimens with known covariance of their readings and a given variance between them.

    Parameters
    ----------
    values : (n,) array
    within : (n,) array of variances, or (n, n) covariance
    variance_between : float
    scale : (n,) array, optional
        As for `between`.

    Examples
    --------
    >>> three = consensus([1.0, 5.0, 3.0], within=[1.0, 1.0, 1.0], variance_between=3.0)
    >>> three.mean, round(three.standard_uncertainty, 4)
    (3.0, 1.1547)
    """
    values = np.asarray(values, float)
    v = _matrix(within, len(values)) + variance_between * np.diag(_ones(scale, len(values)) ** 2)
    raised = np.linalg.solve(v, np.ones(len(values)))
    weights = raised / raised.sum()
    return Consensus(float(weights @ values), float(np.sqrt(1 / raised.sum())), weights)


# ---- contrasts
# ---------------------------------------------------------------------------------------------------


def _ones(scale, n: int) -> np.ndarray:
    return np.broadcast_to(np.asarray(1.0 if scale is None else scale, float), n)


def _matrix(within, n: int) -> np.ndarray:
    within = np.asarray(within, float)
    return within if within.ndim == 2 else np.diag(np.broadcast_to(within, n))


def _contrasts(values, within, groups, scale) -> tuple[np.ndarray, np.ndarray]:
    """Sizes l and squares of independent contrasts whose variances are 1 + l t2."""
    values, within = np.asarray(values, float), np.asarray(within, float)
    n = len(values)
    groups = np.zeros(n, int) if groups is None else np.unique(np.asarray(groups), return_inverse=True)[1]
    scale = _ones(scale, n)
    parts = []
    for members in np.split(np.argsort(groups, kind="stable"), np.cumsum(np.bincount(groups))[:-1]):
        if len(members) > 1:
            known = within[np.ix_(members, members)] if within.ndim == 2 else np.diag(within[members])
            parts.append(_group_contrasts(values[members], known, scale[members]))
    if not parts:
        raise ValueError("No two specimens of the same thing: the variance between them cannot be found.")
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


def _group_contrasts(values, known, scale) -> tuple[np.ndarray, np.ndarray]:
    n = len(values)
    # Helmert's rows: each value against the mean of those before it
    free = np.tril(np.ones((n - 1, n)), 0) / np.arange(1, n)[:, None]
    free[np.arange(n - 1), np.arange(1, n)] = -1
    try:
        lower = np.linalg.cholesky(free @ known @ free.T)
    except np.linalg.LinAlgError:
        raise ValueError("The readings' variances must be above zero, and their covariance possible.") from None
    turned = np.linalg.solve(lower, free * scale)
    sizes, vectors = np.linalg.eigh(turned @ turned.T)
    return np.maximum(sizes, 0), (vectors.T @ np.linalg.solve(lower, free @ values)) ** 2


# ---- estimates from contrasts
# ------------------------------------------------------------------------------------


def _restricted_likelihood(sizes, squares) -> float:
    """Variance at which the likelihood's slope is zero; 0 where it falls from there on."""

    def slope(t2: float) -> float:
        spread = 1 + sizes * t2
        return float(np.sum(sizes * (squares - spread) / spread**2))

    top = float(squares.max() / max(sizes[sizes > 0].min(initial=np.inf), 1e-300)) if np.any(sizes > 0) else 0.0
    if top <= 0:
        return 0.0
    # The likelihood may have two humps where uncertainties differ widely: look over a grid, then close in.
    grid = np.concatenate([[0.0], np.geomspace(top * 1e-9, top, 120)])
    spread = 1 + np.multiply.outer(grid, sizes)
    best = int(np.argmin(np.sum(np.log(spread) + squares / spread, axis=1)))
    if best == 0 and slope(0.0) <= 0:
        return 0.0
    return _zero(slope, grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)])


def _q_profile(sizes, squares, level: float) -> tuple[float, float]:
    from scipy import special

    tail = (1 - level) / 2
    low = _where_q_is(sizes, squares, float(special.chdtri(len(sizes), tail)))
    high = _where_q_is(sizes, squares, float(special.chdtri(len(sizes), 1 - tail)))
    return low or 0.0, np.nan if high is None else high


def _where_q_is(sizes, squares, target: float) -> float | None:
    """t2 at which the weighted squares fall to the target; None where they start below it."""

    def excess(t2: float) -> float:
        return float(np.sum(squares / (1 + sizes * t2))) - target

    if excess(0.0) < 0:
        return None
    high = 1.0 / max(float(sizes.max()), 1e-300)
    for _ in range(400):
        if excess(high) <= 0:
            return _zero(excess, 0.0, high)
        high *= 2
    return np.inf


def _zero(falling, low: float, high: float) -> float:
    """Where a function that falls through zero between low and high does so."""
    while high - low > 1e-12 * high:
        middle = (low + high) / 2
        low, high = (middle, high) if falling(middle) > 0 else (low, middle)
    return (low + high) / 2


def _p_value(squares) -> float:
    from scipy import special

    return float(special.chdtrc(len(squares), squares.sum()))
