"""Reading a curve backwards: one routine for every curve, and the exact forms for lines and regression
curves.

An inverse answers minus infinity or infinity where the reading lies beyond the curve's end, so that an
interval can be open: a bound instead of a number is a legal answer, an invented end is not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

Inverting = Callable[[np.ndarray, np.ndarray], np.ndarray]
Curve = Callable[[np.ndarray, np.ndarray], np.ndarray]

#: Numbers worked on at a time, so that they stay in the processor's cache.
BLOCK = 160_000


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
    draws : (m, draws) array or None
        The draws behind the limits, if asked for; -inf and inf beyond the curve's ends.
    """

    value: np.ndarray
    low: np.ndarray
    high: np.ndarray
    draws: np.ndarray | None = None

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


def limits_of(draws, *, level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
    """Probabilistically symmetric limits of draws: JCGM 101:2008, 7.7 (from memory), order statistics as they
    are.

    Not interpolated, so that draws at -inf or inf (beyond a curve's end) are as good as any.

    Parameters
    ----------
    draws : (..., n) array
        A NaN makes both limits NaN.
    level : float
        Probability between the limits, 0 to 1.

    Returns
    -------
    low, high : (...) arrays

    Examples
    --------
    >>> low, high = limits_of(np.arange(1, 1001.0))
    >>> float(low), float(high)
    (25.0, 975.0)
    """
    draws = np.asarray(draws, float)
    n = draws.shape[-1]
    covered = int(level * n + 0.5)
    first = max((n - covered + 1) // 2, 1) - 1
    last = min(first + covered, n - 1)
    ordered = np.partition(draws, (first, last, n - 1), axis=-1)
    known = ~np.isnan(ordered[..., -1])
    return np.where(known, ordered[..., first], np.nan), np.where(known, ordered[..., last], np.nan)


def read_back(
    y,
    *,
    inverse: Inverting,
    best,
    parameters,
    uncertainty,
    dof=np.inf,
    level: float = 0.95,
    rng: np.random.Generator,
    keep_draws: bool = False,
) -> Inverse:
    """Where on a curve readings lie, with the uncertainty of reading and curve together, by Monte Carlo.

    Parameters
    ----------
    y : (m,) array
        Readings.
    inverse : callable
        `inverse(y, parameters)`, y (..., n) and parameters (..., n, p) broadcasting against it, giving (...,
        n):
        -inf or inf where y lies beyond the end of the curve on that side. See `numeric_inverse`.
    best : (p,) or (m, p) array
        Parameters of the curve as fitted; the value is read with these.
    parameters : (n, p) or (m, n, p) array
        Draws of the parameters, shared by all readings or each with its own; see `Fit.draws`.
    uncertainty : float or (m,) array
        Standard uncertainty of the readings, apart from the curve's.
    dof : float or (m,) array
        Degrees of freedom behind it; where finite, Student's t is drawn instead of the normal.
    level : float
        Probability between the limits, 0 to 1.
    rng : numpy Generator
    keep_draws : bool
        Return the draws too.

    Returns
    -------
    Inverse
        An end is open where more than the tail probability of the draws runs beyond the curve's end.

    Examples
    --------
    >>> line = lambda y, p: (y - p[..., 0]) / p[..., 1]
    >>> found = read_back([2.0], inverse=line, best=[0.0, 2.0], parameters=np.tile([0.0, 2.0], (10_000, 1)),
    ...                   uncertainty=0.1, rng=np.random.default_rng(1))
    >>> float(found.value[0]), found.low.round(2), found.high.round(2)
    (1.0, array([0.9]), array([1.1]))
    """
    y = np.atleast_1d(np.asarray(y, float))
    parameters, best = np.asarray(parameters, float), np.asarray(best, float)
    m, n = len(y), parameters.shape[-2]
    u, dof = np.broadcast_to(uncertainty, m), np.broadcast_to(dof, m)
    low, high = np.empty(m), np.empty(m)
    kept = np.empty((m, n)) if keep_draws else None
    rows = max(1, BLOCK // n)
    with np.errstate(all="ignore"):
        value = inverse(y[:, None], best[..., None, :])[:, 0]
        for start in range(0, m, rows):
            part = slice(start, start + rows)
            noisy = y[part, None] + _noise(rng, u[part], dof[part], n)
            drawn = inverse(noisy, parameters[part] if parameters.ndim == 3 else parameters)
            low[part], high[part] = limits_of(drawn, level=level)
            if kept is not None:
                kept[part] = drawn
    return Inverse(np.where(np.isfinite(value) & ~np.isnan(low), value, np.nan), low, high, kept)


def _noise(rng: np.random.Generator, u: np.ndarray, dof: np.ndarray, n: int) -> np.ndarray:
    drawn = rng.standard_normal((len(u), n))
    finite = np.isfinite(dof)
    if np.any(finite):
        few = dof[finite, None]
        drawn[finite] /= np.sqrt(rng.chisquare(few, (len(few), n)) / few)
    drawn *= u[:, None]
    return drawn


def numeric_inverse(curve: Curve, *, low: float, high: float) -> Inverting:
    """Inverse of any monotone curve between two ends, for `read_back`.

    Parameters
    ----------
    curve : callable
        `curve(x, parameters)`, x (...) and parameters (..., p), giving (...); rising or falling throughout.
    low, high : float
        Ends of the x looked at; beyond them the inverse is -inf or inf.

    Returns
    -------
    callable
        `inverse(y, parameters)`. About thirty times slower than a closed form (Chandrupatla's method, scipy).
    """

    def inverse(y: np.ndarray, parameters: np.ndarray) -> np.ndarray:
        from scipy.optimize import elementwise

        parts = np.moveaxis(parameters, -1, 0)
        shape = np.broadcast_shapes(np.shape(y), parts.shape[1:])
        at_low, at_high = curve(np.asarray(low), parameters), curve(np.asarray(high), parameters)
        y = np.broadcast_to(y, shape)
        side = np.where(at_high > at_low, 1.0, -1.0)
        under, over = side * (y - at_low) < 0, side * (y - at_high) > 0
        inside = ~(under | over) & np.isfinite(y)
        args = tuple(np.broadcast_to(a, shape)[inside] for a in parts)
        found = np.full(shape, np.nan)
        if np.any(inside):
            found[inside] = elementwise.find_root(
                lambda x, y, *p: curve(x, np.stack(p, axis=-1)) - y,
                (np.full(inside.sum(), float(low)), np.full(inside.sum(), float(high))),
                args=(y[inside], *args),
            ).x
        return np.where(under, -np.inf, np.where(over, np.inf, found))

    return inverse


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


def limits_by_test(
    y,
    *,
    curve: Curve,
    parameters,
    covariance,
    uncertainty,
    quantile: float,
    low: float,
    high: float,
    grid: int = 400,
) -> Inverse:
    """Reading a fitted curve backwards by the points of it that the reading does not contradict.

    The limits are where |y - curve(x)| = quantile sqrt(uncertainty^2 + variance of the curve at x), sought
    outwards from the value. The form for a line is `fieller`.

    Parameters
    ----------
    y : (m,) array
        Readings, or means of readings.
    curve : callable
        `curve(x, parameters)`, monotone between `low` and `high`, taking x (...) and parameters (..., p).
    parameters : (p,) array
    covariance : (p, p) array
    uncertainty : float or (m,) array
        Standard uncertainty of y, apart from the curve's.
    quantile : float
        Two-sided, of the distribution the caller holds right; state its degrees of freedom.
    low, high : float
        Ends of the x looked at. A limit that would lie beyond is open.
    grid : int
        Points between the ends at which the test is first tried.

    Source
    ------
    G. A. F. Seber and C. J. Wild, Nonlinear Regression (1989), section 5.9, from memory.
    """
    y = np.atleast_1d(np.asarray(y, float))
    parameters = np.asarray(parameters, float)
    u2 = np.broadcast_to(np.asarray(uncertainty, float) ** 2, len(y))
    value = numeric_inverse(curve, low=low, high=high)(y, np.broadcast_to(parameters, (len(y), len(parameters))))

    def contradicted(x: np.ndarray) -> np.ndarray:
        slopes = parameter_slopes(curve, x, parameters)
        variance = np.einsum("...i,ij,...j->...", slopes, np.asarray(covariance, float), slopes)
        return np.abs(y[:, None] - curve(x, parameters)) - quantile * np.sqrt(u2[:, None] + variance)

    start = np.clip(np.where(np.isfinite(value), value, np.where(value > 0, high, low)), low, high)
    ends = [_first_crossing(contradicted, start, np.full(len(y), end), grid) for end in (low, high)]
    known = ~np.isnan(value)
    return Inverse(
        np.where(np.isfinite(value), value, np.nan),
        np.where(known, ends[0], np.nan),
        np.where(known, ends[1], np.nan),
    )


def _first_crossing(test, start: np.ndarray, end: np.ndarray, grid: int) -> np.ndarray:
    """First x from start towards end at which the test rises through zero; infinite, signed, if none does."""
    share = np.linspace(0, 1, grid)
    x = start[:, None] + share * (end - start)[:, None]
    beyond = test(x) > 0
    found = beyond.any(1)
    first = np.maximum(np.argmax(beyond, axis=1), 1)
    rows = np.arange(len(x))
    inner, outer = x[rows, first - 1], x[rows, first]
    for _ in range(60):
        middle = (inner + outer) / 2
        out = test(middle[:, None])[:, 0] > 0
        inner, outer = np.where(out, inner, middle), np.where(out, middle, outer)
    return np.where(found, (inner + outer) / 2, np.where(end > start, np.inf, -np.inf))


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

    For the error budget; the limits come from `read_back` or `limits_by_test`, which do not take the curve
    for straight.

    Parameters
    ----------
    x : (m,) array
        Where on the curve the readings lie.
    curve, parameters, covariance, uncertainty
        As for `limits_by_test`.
    """
    x = np.atleast_1d(np.asarray(x, float))
    parameters = np.asarray(parameters, float)
    h = 6e-6 * np.where(x != 0, np.abs(x), 1.0)
    slope = (curve(x + h, parameters) - curve(x - h, parameters)) / (2 * h)
    by_parameter = parameter_slopes(curve, x, parameters)
    variance = np.einsum("...i,ij,...j->...", by_parameter, np.asarray(covariance, float), by_parameter)
    return np.broadcast_to(uncertainty, x.shape) / np.abs(slope), np.sqrt(variance) / np.abs(slope)
