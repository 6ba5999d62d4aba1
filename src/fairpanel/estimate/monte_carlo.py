"""Propagation of distributions by Monte Carlo: JCGM 101:2008, from memory.

Each input is drawn by its own class; correlated inputs are drawn together through a normal (exact for
normals).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Normal:
    """Gaussian: mean and standard uncertainty, in the input's unit."""

    mean: float
    sd: float

    def quantile(self, share: np.ndarray) -> np.ndarray:
        """Value below which that share of the draws lies."""
        from scipy import special

        return self.mean + self.sd * special.ndtri(share)

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """(count,) array."""
        return self.mean + self.sd * rng.standard_normal(count)


@dataclass(frozen=True, slots=True)
class StudentT:
    """Scaled and shifted t: a mean of few readings. `scale` is s / sqrt(n), not the standard deviation."""

    mean: float
    scale: float
    dof: float

    def quantile(self, share: np.ndarray) -> np.ndarray:
        """Value below which that share of the draws lies."""
        from scipy import special

        return self.mean + self.scale * special.stdtrit(self.dof, share)

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """(count,) array."""
        return self.mean + self.scale * rng.standard_t(self.dof, count)


@dataclass(frozen=True, slots=True)
class Rectangular:
    """Anywhere between two ends with equal probability."""

    low: float
    high: float

    def quantile(self, share: np.ndarray) -> np.ndarray:
        """Value below which that share of the draws lies."""
        return self.low + (self.high - self.low) * np.asarray(share)

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """(count,) array."""
        return self.quantile(rng.random(count))


@dataclass(frozen=True, slots=True)
class InexactRectangular:
    """A rectangle whose ends are known only to `give`, its middle exactly (curvilinear trapezoid)."""

    low: float
    high: float
    give: float

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """(count,) array."""
        low = self.low - self.give + 2 * self.give * rng.random(count)
        return low + (self.low + self.high - 2 * low) * rng.random(count)


@dataclass(frozen=True, slots=True)
class Triangular:
    """Symmetric triangle between two ends: the sum of two equal rectangles."""

    low: float
    high: float

    def quantile(self, share: np.ndarray) -> np.ndarray:
        """Value below which that share of the draws lies."""
        share = np.asarray(share, float)
        rising = np.sqrt(share / 2)
        return self.low + (self.high - self.low) * np.where(share < 0.5, rising, 1 - np.sqrt((1 - share) / 2))

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """(count,) array."""
        return self.quantile(rng.random(count))


@dataclass(frozen=True, slots=True)
class Arcsine:
    """What a sine of unknown phase does between its two ends: a thermostat's swing."""

    low: float
    high: float

    def quantile(self, share: np.ndarray) -> np.ndarray:
        """Value below which that share of the draws lies."""
        return (self.low + self.high) / 2 - (self.high - self.low) / 2 * np.cos(np.pi * np.asarray(share))

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """(count,) array."""
        return self.quantile(rng.random(count))


Distribution = Normal | StudentT | Rectangular | InexactRectangular | Triangular | Arcsine


@dataclass(frozen=True)
class Propagated:
    """Draws of an output, sorted."""

    draws: np.ndarray

    @property
    def mean(self) -> float:
        """Mean of the draws."""
        return float(self.draws.mean())

    @property
    def standard_uncertainty(self) -> float:
        """Standard deviation of the draws."""
        return float(self.draws.std(ddof=1))

    def symmetric(self, *, level: float = 0.95) -> tuple[float, float]:
        """Interval that leaves equal shares of the draws on either side."""
        low, high = limits_of(self.draws, level=level)
        return float(low), float(high)

    def shortest(self, *, level: float = 0.95) -> tuple[float, float]:
        """Shortest interval that holds that share of the draws."""
        low, high = shortest_interval(self.draws, level=level, sorted_already=True)
        return float(low), float(high)


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


def shortest_interval(draws, *, level: float = 0.95, sorted_already: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """Shortest interval holding a share of the draws: JCGM 101:2008, 7.7.4 (from memory).

    Its ends scatter more than those of the symmetric one: where the density is alike at both ends it hardly
    matters which of many is taken.

    Parameters
    ----------
    draws : (..., n) array
    level : float
        Share, 0 to 1.
    sorted_already : bool

    Returns
    -------
    low, high : (...) arrays
    """
    ordered = np.asarray(draws, float) if sorted_already else np.sort(draws, axis=-1)
    covered = min(int(level * ordered.shape[-1] + 0.5), ordered.shape[-1] - 1)
    width = ordered[..., covered:] - ordered[..., :-covered]
    first = np.argmin(width, axis=-1)[..., None]
    low = np.take_along_axis(ordered, first, axis=-1)[..., 0]
    return low, np.take_along_axis(ordered, first + covered, axis=-1)[..., 0]


def draw_inputs(
    inputs: Mapping[str, Distribution],
    *,
    draws: int,
    rng: np.random.Generator,
    correlation: Mapping[tuple[str, str], float] | None = None,
) -> dict[str, np.ndarray]:
    """Draws of every input, each (draws,).

    Parameters
    ----------
    inputs : mapping of name to distribution
    draws : int
    rng : numpy Generator
    correlation : mapping, optional
        {(name, name): correlation of the underlying normals}. Exact for normal inputs; other shapes keep
        their own distribution and come out correlated slightly less.

    Raises
    ------
    ValueError
        A name that is not an input, an input that cannot be correlated, or correlations that contradict each
        other.
    """
    together = {name: i for i, name in enumerate(dict.fromkeys(n for pair in correlation or {} for n in pair))}
    drawn = {name: d.draw(draws, rng) for name, d in inputs.items() if name not in together}
    if together:
        drawn |= _correlated(inputs, together, correlation or {}, draws, rng)
    return {name: drawn[name] for name in inputs}


def _correlated(inputs, together, correlation, draws, rng) -> dict[str, np.ndarray]:
    from scipy import special

    matrix = np.eye(len(together))
    for (a, b), r in correlation.items():
        matrix[together[a], together[b]] = matrix[together[b], together[a]] = r
    for name in together:
        if not hasattr(inputs.get(name), "quantile"):
            raise ValueError(f"Correlation names {name!r}, which is no input or has no quantiles.")
    size, vectors = np.linalg.eigh(matrix)
    if size[0] < -1e-9:
        raise ValueError(f"The correlations of {', '.join(together)} contradict each other.")
    normal = rng.standard_normal((draws, len(together))) @ (vectors * np.sqrt(np.clip(size, 0, None))).T
    out = {}
    for name, i in together.items():
        d = inputs[name]
        z = normal[:, i]
        out[name] = d.mean + d.sd * z if isinstance(d, Normal) else d.quantile(special.ndtr(z))
    return out


def propagate(
    model: Callable[..., np.ndarray],
    inputs: Mapping[str, Distribution],
    *,
    draws: int = 200_000,
    seed: int,
    correlation: Mapping[tuple[str, str], float] | None = None,
) -> Propagated:
    """Distribution of what a model makes of its inputs.

    Parameters
    ----------
    model : callable
        `model(**inputs)` with arrays of draws, giving one array of draws.
    inputs : mapping of name to distribution
    draws : int
    seed : int
        The same seed gives the same draws.
    correlation : mapping, optional
        See `draw_inputs`.

    Raises
    ------
    ValueError
        The model gave a draw that is not finite, or see `draw_inputs`.

    Examples
    --------
    >>> area = propagate(lambda a, b: a * b, {"a": Normal(2.0, 0.1), "b": Rectangular(2.9, 3.1)}, seed=1)
    >>> round(area.mean, 2), round(area.standard_uncertainty, 2)
    (6.0, 0.32)
    """
    rng = np.random.default_rng(seed)
    out = np.asarray(model(**draw_inputs(inputs, draws=draws, rng=rng, correlation=correlation)), float)
    if not np.all(np.isfinite(out)):
        share = 100 * np.mean(~np.isfinite(out))
        raise ValueError(f"The model gave no finite number for {share:.3g} % of the draws; check the inputs' ends.")
    return Propagated(np.sort(out))
