"""Distribution of the greatest of several correlated t's: what lets many comparisons be made at one error
rate.

Exact by quadrature where all comparisons share one cause (a common control, C. W. Dunnett, JASA 50, 1096
(1955)) or are all pairs of equally known values (Tukey's range); otherwise by simulating directions and
integrating the length exactly, which halves or better the scatter of plain simulation. All from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from fairpanel.estimate.monotone import MonotoneCurve

#: Numbers worked on at a time in a simulation.
BLOCK = 400_000

#: Greatest share of a comparison's variance in the common cause at which the quadrature is still smooth
#: enough.
MOST_COMMON = 0.97

_STEP = 0.025
_FARTHEST = 12.0


@dataclass(frozen=True)
class MaxT:
    """Distribution of the greatest of several t's that share their correlation, and their degrees of freedom.

    Parameters
    ----------
    heights : (k,) array, rising
        Heights of the greatest z (known noise).
    tails : (k,) array, falling
        Natural logarithm of the probability of going above each.
    exact : bool
        From quadrature rather than simulation.
    """

    heights: np.ndarray
    tails: np.ndarray
    exact: bool

    def beyond(self, t, *, dof=np.inf) -> np.ndarray:
        """Probability that the greatest t goes beyond t: the p value adjusted for all comparisons.

        Parameters
        ----------
        t : (...) array
            Absolute values where the comparisons are two-sided.
        dof : float or (...) array
            Where comparisons have different degrees of freedom, each is judged as if all had its own (M.
            Hasler and L. A. Hothorn, Biom. J. 50, 793 (2008), from memory).
        """
        t, dof = np.broadcast_arrays(np.asarray(t, float), np.asarray(dof, float))
        own, where = np.unique(dof, return_inverse=True)
        spread, weight = _scales(own)
        where = where.reshape(t.shape)
        return self._beyond(t, spread[where], weight[where])

    def _beyond(self, t: np.ndarray, spread: np.ndarray, weight: np.ndarray) -> np.ndarray:
        tails = np.exp(np.interp(t[..., None] * spread, self.heights, self.tails, right=-np.inf))
        return np.clip(np.sum(tails * weight, axis=-1), 0, 1)

    def critical(self, *, level: float = 0.95, dof=np.inf) -> np.ndarray:
        """Height that the greatest t stays below with probability `level`, for each `dof` (...)."""
        dof = np.asarray(dof, float)
        own, where = np.unique(dof, return_inverse=True)
        scales = _scales(own)
        low, high = np.full(own.shape, self.heights[0]), np.full(own.shape, 4.0)
        while np.any(short := self._beyond(high, *scales) > 1 - level):
            high = np.where(short, 2 * high, high)
        for _ in range(50):
            middle = (low + high) / 2
            above = self._beyond(middle, *scales) > 1 - level
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return high[where].reshape(dof.shape)


def greatest_t(correlation, *, two_sided: bool = True, seed: int, draws: int | None = None) -> MaxT:
    """Distribution of the greatest of k correlated t's (of their absolute values where two-sided).

    Parameters
    ----------
    correlation : (k, k) array
        Of the comparisons.
    two_sided : bool
    seed : int
        For the simulation, where one is needed; the same seed gives the same numbers.
    draws : int, optional
        Directions simulated: by default 20,000, more where the comparisons are few.

    Raises
    ------
    ValueError
        Not a correlation matrix.

    Examples
    --------
    >>> both = greatest_t([[1.0, 0.5], [0.5, 1.0]], seed=1)  # two products against one control, equal numbers
    >>> round(float(both.critical(dof=20)), 4)
    2.3787
    """
    r = np.asarray(correlation, float)
    k = len(r)
    if r.shape != (k, k) or not np.allclose(np.diag(r), 1) or np.any(np.abs(r) > 1 + 1e-9):
        raise ValueError("A correlation matrix is square, with ones on its diagonal and nothing beyond one.")
    heights = np.arange(0.0 if two_sided else -8.0, _FARTHEST, _STEP)
    common = _one_cause(r)
    if common is not None:
        tails = _one_cause_tails(common, heights, two_sided)
        return _made(heights, tails, k, two_sided, exact=True)
    root = _root(r)
    count = draws or int(np.clip(4_000_000 // k, 20_000, 200_000))

    def greatest(directions: np.ndarray) -> np.ndarray:
        z = directions @ root.T
        return np.abs(z).max(1) if two_sided else np.concatenate([z.max(1), (-z).max(1)])

    maxima = _simulated_maxima(greatest, root.shape, count, seed)
    return _made(heights, _direction_tails(maxima, heights, root.shape[1]), k, two_sided, exact=False)


def greatest_pair_t(covariance, *, seed: int, draws: int | None = None) -> MaxT:
    """Distribution of the greatest |difference| over its standard uncertainty, among all pairs of n
    estimates.

    Parameters
    ----------
    covariance : (n, n) array
        Of the estimates; pairs whose difference has no variance are left out.
    seed : int
        As for `greatest_t`.
    draws : int, optional
        Directions simulated: by default 100,000 for few pairs down to 4,000 for very many.

    Examples
    --------
    >>> four = greatest_pair_t(np.eye(4), seed=1)
    >>> round(float(four.critical(dof=16)), 4)  # Tukey's range 4.0461 over sqrt(2)
    2.861
    """
    v = np.asarray(covariance, float)
    n = len(v)
    variance = np.diag(v)[:, None] + np.diag(v) - 2 * v
    pairs = variance[np.triu_indices(n, 1)]
    heights = np.arange(0.0, _FARTHEST, _STEP)
    if n > 1 and np.ptp(pairs) <= 1e-9 * pairs.max() and pairs.max() > 0:
        return _made(heights, _range_tails(n, heights * np.sqrt(2)), len(pairs), True, exact=True)
    least = 1e-12 * np.diag(v).max()
    inverse = np.where(variance > least, 1 / np.sqrt(np.where(variance > least, variance, 1.0)), 0.0)
    inverse = inverse.astype(np.float32)
    size, vectors = np.linalg.eigh(v)
    kept = size > 1e-12 * size[-1]
    root = vectors[:, kept] * np.sqrt(size[kept])
    count = draws or int(np.clip(60_000_000 // max(len(pairs), 1), 4_000, 100_000))

    def greatest(directions: np.ndarray) -> np.ndarray:
        z = np.ascontiguousarray((directions @ root.T).T, dtype=np.float32)
        out = np.zeros(z.shape[1], np.float32)
        for i in range(n - 1):
            np.maximum(out, (np.abs(z[i + 1 :] - z[i]) * inverse[i, i + 1 :, None]).max(axis=0), out=out)
        return out.astype(float)

    maxima = _simulated_maxima(greatest, root.shape, count, seed)
    return _made(heights, _direction_tails(maxima, heights, root.shape[1]), len(pairs), True, exact=False)


# ---- shared numerics
# ---------------------------------------------------------------------------------------------


def _made(heights, tails, k: int, two_sided: bool, *, exact: bool) -> MaxT:
    """The table, kept between the tail of one comparison and the sum of all, and made finer."""
    from scipy import special

    single = special.ndtr(-heights) * (2 if two_sided else 1)
    if not exact:
        tails = _steadied(tails, k * single)
        tails = np.clip(tails, single, np.minimum(k * single, 1.0))
    tails = np.minimum.accumulate(np.clip(tails, 1e-300, 1.0))
    fine = np.linspace(heights[0], heights[-1], 8 * (len(heights) - 1) + 1)
    return MaxT(fine, -MonotoneCurve(heights, -np.log(tails)).at(fine), exact)


def _steadied(tails: np.ndarray, all_singles: np.ndarray) -> np.ndarray:
    """Simulated tails, where few draws are left held to their share of the sum of the single tails.

    That share grows towards one as events grow rarer, so p values far below 0.005 may come out too small by
    up to a factor of two, and no more.
    """
    share = tails / all_singles
    rare = tails < 0.005
    start = share[~rare][-1] if np.any(~rare) else 0.0
    return np.where(rare, np.maximum.accumulate(np.where(rare, np.maximum(share, start), 0.0)) * all_singles, tails)


@cache
def _legendre(nodes: int) -> tuple[np.ndarray, np.ndarray]:
    return np.polynomial.legendre.leggauss(nodes)


@cache
def _hermite(nodes: int) -> tuple[np.ndarray, np.ndarray]:
    """Values of a standard normal and their probabilities."""
    values, weight = np.polynomial.hermite_e.hermegauss(nodes)
    return values, weight / np.sqrt(2 * np.pi)


def _scales(dof: np.ndarray, nodes: int = 120) -> tuple[np.ndarray, np.ndarray]:
    """Values of s / sigma and their probabilities for each dof, both (d, nodes); even in the log of s."""
    from scipy import special

    x, w = _legendre(nodes)
    spread, weight = np.ones((len(dof), nodes)), np.zeros((len(dof), nodes))
    weight[:, 0] = 1.0
    finite = np.isfinite(dof)
    nu = dof[finite, None]
    # chi-square of nu between its 1e-14 and 1 - 1e-14 quantiles
    ends = np.log(special.gammaincinv(nu / 2, 1e-14)), np.log(special.gammainccinv(nu / 2, 1e-14))
    logs = (ends[0] + ends[1]) / 2 + (ends[1] - ends[0]) / 2 * x
    weight[finite] = np.exp(nu / 2 * logs - np.exp(logs) - special.gammaln(nu / 2)) * w * (ends[1] - ends[0]) / 2
    spread[finite] = np.exp(logs / 2) / np.sqrt(nu / 2)
    return spread, weight


def _root(r: np.ndarray) -> np.ndarray:
    size, vectors = np.linalg.eigh(r)
    if size[0] < -1e-6 * size[-1]:
        raise ValueError("The correlations of the comparisons contradict each other.")
    kept = size > 1e-12 * size[-1]
    root = vectors[:, kept] * np.sqrt(size[kept])
    return root / np.linalg.norm(root, axis=1, keepdims=True)


def _one_cause(r: np.ndarray) -> np.ndarray | None:
    """Loadings l with r = l_i l_j off the diagonal, if there are any and none is too near 1."""
    k = len(r)
    off = r - np.eye(k)
    loadings = np.zeros(k)
    if np.abs(off).max(initial=0) > 1e-12:
        first, second = np.unravel_index(np.argmax(np.abs(off)), off.shape)
        third = np.abs(off[first]) * np.abs(off[second])
        third[[first, second]] = -1
        j = int(np.argmax(third))
        square = abs(off[first, second])
        if k > 2 and third[j] > 1e-12:
            square = off[first, second] * off[first, j] / off[second, j]
        if not 0 < square < 1:
            return None
        loadings = off[first] / np.sqrt(square)
        loadings[first] = np.sqrt(square)
    rest = np.outer(loadings, loadings) - off
    np.fill_diagonal(rest, 0)
    fits = np.abs(rest).max(initial=0) < 1e-9 and np.max(loadings**2, initial=0) < MOST_COMMON
    return loadings if fits else None


def _one_cause_tails(loadings: np.ndarray, heights: np.ndarray, two_sided: bool) -> np.ndarray:
    from scipy import special

    cause, weight = _hermite(120)
    unlike, number = np.unique(np.abs(loadings) if two_sided else loadings, return_counts=True)
    stays = np.zeros((len(heights), len(cause)))
    for loading, times in zip(unlike, number):
        own = np.sqrt(1 - loading**2)
        above = special.ndtr((loading * cause - heights[:, None]) / own)
        if two_sided:
            above = above + special.ndtr((-loading * cause - heights[:, None]) / own)
        stays += times * np.log1p(-np.minimum(above, 1 - 1e-16))
    return -np.expm1(stays) @ weight


def _range_tails(n: int, ranges: np.ndarray) -> np.ndarray:
    """Probability that the range of n standard normals exceeds each of the ranges."""
    from scipy import special

    x, w = _legendre(300)
    lowest, weight = 10 * x, 10 * w * n * np.exp(-((10 * x) ** 2) / 2) / np.sqrt(2 * np.pi)
    # one value lowest, all others above it but one beyond the range
    above = special.ndtr(-lowest)
    within = special.ndtr(lowest + ranges[:, None]) - special.ndtr(lowest)
    return np.clip((above ** (n - 1) - within ** (n - 1)) @ weight, 0, 1)


def _simulated_maxima(greatest, shape: tuple[int, int], count: int, seed: int) -> np.ndarray:
    """Greatest comparison in each of `count` random directions of length one."""
    k, rank = shape
    rng = np.random.default_rng(seed)
    rows = max(1, BLOCK // max(k, rank))
    out = []
    for start in range(0, count, rows):
        directions = rng.standard_normal((min(rows, count - start), rank))
        out.append(greatest(directions / np.linalg.norm(directions, axis=1, keepdims=True)))
    return np.concatenate(out)


def _direction_tails(maxima: np.ndarray, heights: np.ndarray, rank: int) -> np.ndarray:
    """Tails of the greatest z when its length, a chi of `rank` degrees of freedom, is integrated exactly."""
    from scipy import special

    ordered = np.sort(maxima)
    top = len(ordered) - len(ordered) // 50
    groups = [g for part in (ordered[:top], ordered[top:]) for g in np.array_split(part, 300) if len(g)]
    values, share = np.array([g.mean() for g in groups]), np.array([len(g) for g in groups])
    with np.errstate(all="ignore"):
        square = (heights[:, None] / values) ** 2
        longer = special.chdtrc(rank, square)
        tails = np.where(heights[:, None] >= 0, np.where(values > 0, longer, 0.0), np.where(values < 0, 1 - longer, 1))
    return tails @ (share / share.sum())
