"""Reading a curve backwards: one routine for every curve, and the exact form for lines.

Every x on a grid is tried: how probable is a reading at most as great as the one seen, if x is true? The interval is
what is not contradicted (inversion of a test). What is uncertain about the curve comes as draws of it, or as a
covariance of its parameters. A limit that would lie beyond the grid is open: a bound instead of a number is a legal
answer, an invented end is not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, stdtr

Curve = Callable[[np.ndarray, np.ndarray], np.ndarray]

#: Degrees of freedom above which Student's t is taken for the normal.
MANY_DOF = 300.0


@dataclass(frozen=True)
class Inverse:
    """What readings correspond to along a curve.

    Parameters
    ----------
    value : (m,) array
        NaN where the reading itself lies beyond an end of the curve, or where nothing can be said.
    low, high : (m,) arrays
        Limits at the level asked for; -inf, inf where that end is open, NaN where nothing can be said. Both
        are inf, or both -inf, where the reading is off the curve altogether: then not even a bound may be
        given.
    """

    value: np.ndarray
    low: np.ndarray
    high: np.ndarray

    @property
    def open_low(self) -> np.ndarray:
        """(m,) array of bool: no lower limit; only "at most" can be said."""
        return np.isneginf(self.low)

    @property
    def open_high(self) -> np.ndarray:
        """(m,) array of bool: no upper limit; only "at least" can be said."""
        return np.isposinf(self.high)

    @property
    def off_curve(self) -> np.ndarray:
        """(m,) array of bool: the reading lies beyond an end by more than its uncertainty explains."""
        return np.isposinf(self.low) | np.isneginf(self.high)


def tails_of_draws(
    seen: float,
    expected: np.ndarray,
    uncertainty: np.ndarray | float,
    *,
    dof: float = np.inf,
    weights: np.ndarray | None = None,
) -> np.ndarray:
    """Probability, at each x, of a reading at most as great as the one seen.

    Parameters
    ----------
    seen : float
    expected : (n, s) array
        Heights of n drawn curves at s values of x.
    uncertainty : float or (s,) array
        Standard uncertainty of the reading, apart from the curve's.
    dof : float
        Degrees of freedom behind it; where few, Student's t stands for the normal.
    weights : (n,) array, optional
        Of the draws; they add to one.

    Returns
    -------
    (s,) array

    Source
    ------
    t as a normal deviate of the same tail: D. L. Wallace, Ann. Math. Statist. 30, 1124 (1959), from memory.
    """
    z = (seen - expected) / uncertainty
    if dof < MANY_DOF:
        z = np.sign(z) * np.sqrt(dof * np.log1p(z**2 / dof)) * (8 * dof + 1) / (8 * dof + 3)
    share = ndtr(z)
    return share.mean(axis=0) if weights is None else weights @ share


def kept(x: np.ndarray, tails: np.ndarray, *, level: float = 0.95) -> tuple[float, float]:
    """The x that are not contradicted: where neither tail is below half of what the level leaves.

    Parameters
    ----------
    x : (s,) array
        Rising.
    tails : (s,) array
        Probability of a reading at most as great as the one seen, falling along x.
    level : float
        Probability between the limits, 0 to 1.

    Returns
    -------
    low, high : float
        Between grid points by linear interpolation; -inf, inf where that end is open; both inf, or both -inf, where
        the reading lies above, or below, everything the curve reaches.

    Examples
    --------
    >>> x = np.linspace(-4, 4, 801)
    >>> low, high = kept(x, ndtr(-x))
    >>> round(low, 3), round(high, 3)
    (-1.96, 1.96)
    """
    half = (1 - level) / 2
    not_above, not_below = np.flatnonzero(tails < 1 - half), np.flatnonzero(tails > half)
    if not len(not_above):
        return np.inf, np.inf
    if not len(not_below):
        return -np.inf, -np.inf
    first, last = int(not_above[0]), int(not_below[-1])
    low = -np.inf if first == 0 else _crossing(x, tails, first - 1, 1 - half)
    high = np.inf if last == len(x) - 1 else _crossing(x, tails, last, half)
    return low, high


def _crossing(x: np.ndarray, tails: np.ndarray, i: int, level: float) -> float:
    """Where between x[i] and x[i + 1] the tail passes a level."""
    rise = tails[i + 1] - tails[i]
    share = (level - tails[i]) / rise if rise else 0.5
    return float(x[i] + float(np.clip(share, 0, 1)) * (x[i + 1] - x[i]))


def read_back(
    y,
    *,
    curve: Curve,
    x,
    best,
    drawn=None,
    covariance=None,
    uncertainty,
    dof: float = np.inf,
    level: float = 0.95,
) -> Inverse:
    """Where on a curve readings lie, with the uncertainty of reading and curve together.

    Parameters
    ----------
    y : (m,) array
        Readings, or means of readings.
    curve : callable
        `curve(x, parameters)`, monotone over the grid, taking x (s,) and parameters (..., p), giving (..., s).
    x : (s,) array
        The grid, rising. Make it fine against the uncertainty: limits are interpolated between its points.
    best : (p,) array
        Parameters of the curve as fitted; the value is read with these.
    drawn : (n, p) array, optional
        Draws of the parameters; see `Fit.draws`.
    covariance : (p, p) array, optional
        Of the parameters, instead of draws: the height of the curve is then taken for normal.
    uncertainty : float or (m,) array
        Standard uncertainty of the readings, apart from the curve's.
    dof : float
        Degrees of freedom: of the reading's uncertainty beside draws, of the whole beside a covariance.
    level : float
        Probability between the limits, 0 to 1.

    Raises
    ------
    ValueError
        Neither draws nor a covariance.

    Source
    ------
    G. A. F. Seber and C. J. Wild, Nonlinear Regression (1989), section 5.9, from memory. The form for a line is
    `fieller`.

    Examples
    --------
    >>> line = lambda x, p: p[..., :1] + p[..., 1:] * x
    >>> found = read_back([2.0], curve=line, x=np.linspace(0, 3, 301), best=[0.0, 2.0], covariance=np.zeros((2, 2)),
    ...                   uncertainty=0.1)
    >>> found.value.round(3), found.low.round(3), found.high.round(3)
    (array([1.]), array([0.902]), array([1.098]))
    """
    y, x, best = np.atleast_1d(np.asarray(y, float)), np.asarray(x, float), np.asarray(best, float)
    if drawn is None and covariance is None:
        raise ValueError("Draws of the curve's parameters or their covariance are needed.")
    height = curve(x, best)
    side = 1.0 if height[-1] >= height[0] else -1.0
    expected = side * curve(x, np.asarray(drawn, float)) if drawn is not None else None
    own = np.zeros(len(x)) if covariance is None else variance_along(x, curve, best, covariance)
    u = np.broadcast_to(np.asarray(uncertainty, float), len(y))
    value, low, high = np.empty((3, len(y)))
    for i in range(len(y)):
        if expected is not None:
            tails = tails_of_draws(side * y[i], expected, u[i], dof=dof)
        else:
            tails = _student((side * (y[i] - height)) / np.sqrt(u[i] ** 2 + own), dof)
        value[i] = np.interp(side * y[i], side * height, x, left=np.nan, right=np.nan)
        low[i], high[i] = kept(x, tails, level=level)
    known = np.isfinite(y)
    return Inverse(value, np.where(known, low, np.nan), np.where(known, high, np.nan))


def _student(z: np.ndarray, dof: float) -> np.ndarray:
    return stdtr(dof, z) if np.isfinite(dof) else ndtr(z)


def variance_along(x: np.ndarray, curve: Curve, parameters: np.ndarray, covariance) -> np.ndarray:
    """(s,) array: variance of a curve's height at each x, to first order."""
    slopes = parameter_slopes(curve, x, parameters)
    return np.einsum("...i,ij,...j->...", slopes, np.asarray(covariance, float), slopes)


def fieller(y, *, intercept: float, slope: float, covariance, uncertainty, quantile: float) -> Inverse:
    """Reading a straight line backwards, exactly: E. C. Fieller (1954), here for any covariance of the line.

    The limits are where (y - intercept - slope x)^2 = quantile^2 (uncertainty^2 + variance of the line at x).

    Parameters
    ----------
    y : (m,) array
        Readings, or means of readings.
    intercept, slope : float
    covariance : (2, 2) array
        Of intercept and slope.
    uncertainty : float or (m,) array
        Standard uncertainty of y, apart from the line's; 0 to ask where the line itself has that height.
    quantile : float
        Student's t or the normal, two-sided: 1.96 for 95 % with many degrees of freedom.

    Returns
    -------
    Inverse
        Open at both ends where the slope itself cannot be told from zero (g of at least 1).

    Examples
    --------
    >>> found = fieller(
    ...     [3.0], intercept=1.0, slope=2.0, covariance=np.zeros((2, 2)), uncertainty=0.1, quantile=2.0
    ... )
    >>> found.value, found.low, found.high
    (array([1.]), array([0.9]), array([1.1]))
    """
    y = np.atleast_1d(np.asarray(y, float))
    v = np.asarray(covariance, float)
    q2 = quantile**2
    curvature = slope**2 - q2 * v[1, 1]
    if not curvature > 0:
        nothing = np.full(len(y), np.inf)
        return Inverse((y - intercept) / slope if slope else np.full(len(y), np.nan), -nothing, nothing)
    off = y - intercept
    middle = (slope * off + q2 * v[0, 1]) / curvature
    rest = (off**2 - q2 * (np.asarray(uncertainty, float) ** 2 + v[0, 0])) / curvature
    half = np.sqrt(np.maximum(middle**2 - rest, 0))
    return Inverse(off / slope, middle - half, middle + half)


def parameter_slopes(curve: Curve, x, parameters) -> np.ndarray:
    """(..., p) array: derivatives of a curve at x by its parameters, by central differences."""
    x, parameters = np.asarray(x, float), np.asarray(parameters, float)
    half = 6e-6 * np.where(parameters != 0, np.abs(parameters), 1.0)
    columns = [
        (curve(x, parameters + h * e) - curve(x, parameters - h * e)) / (2 * h)
        for h, e in zip(half, np.eye(len(parameters)))
    ]
    return np.stack(columns, axis=-1)


def delta_method(x, *, curve: Curve, parameters, covariance, uncertainty) -> tuple[np.ndarray, np.ndarray]:
    """First-order standard uncertainties of x read from a curve: the reading's part and the curve's part.

    For the error budget; the limits come from `read_back`, which does not take the curve for straight.

    Parameters
    ----------
    x : (m,) array
        Where on the curve the readings lie.
    curve, parameters, covariance, uncertainty
        As for `read_back`.
    """
    x = np.atleast_1d(np.asarray(x, float))
    parameters = np.asarray(parameters, float)
    h = 6e-6 * np.where(x != 0, np.abs(x), 1.0)
    slope = (curve(x + h, parameters) - curve(x - h, parameters)) / (2 * h)
    variance = variance_along(x, curve, parameters, covariance)
    return np.broadcast_to(uncertainty, x.shape) / np.abs(slope), np.sqrt(variance) / np.abs(slope)
