"""A number with where its uncertainty comes from.

Errors that several readings share (the curve of one step strip, the lamp in one run) must stay shared when the
readings are averaged, compared or listed in a budget. So a measured number carries signed components, each with a
key; components with the same source and key move together.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np


@dataclass(frozen=True, slots=True)
class Component:
    """One cause of error.

    Parameters
    ----------
    source : str
        Cause, in the words of the error budget ("curve", "lamp", "patch").
    size : float
        Signed standard uncertainty on the number's natural scale. The sign matters where the key is shared.
    key : str
        What shares this error ("sheet A7-3"); empty where nothing does.
    dof : float
        Degrees of freedom behind the size; infinite where it is assumed rather than estimated. [1]
    """

    source: str
    size: float
    key: str = ""
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its error components and flags.

    Parameters
    ----------
    value : float
        On the quantity's natural scale (for strips: ln of transmission).
    components : tuple of Component
        Independent of each other unless source and key agree.
    flags : tuple of str
        Names of quality flags.
    """

    value: float
    components: tuple[Component, ...] = ()
    flags: tuple[str, ...] = field(default=())

    @property
    def variance(self) -> float:
        """Variance; components that share source and key within this number add with their signs."""
        return covariance(self, self)

    @property
    def standard_uncertainty(self) -> float:
        """Standard uncertainty on the natural scale."""
        return math.sqrt(self.variance)

    @property
    def dof(self) -> float:
        """Effective degrees of freedom, Welch-Satterthwaite (JCGM 100:2008, G.4, equation G.2b, from memory)."""
        small = sum(size**4 / dof for size, dof in self._sizes() if math.isfinite(dof))
        return self.variance**2 / small if small > 0 else math.inf

    def _sizes(self) -> list[tuple[float, float]]:
        own = [(c.size, c.dof) for c in self.components if not c.key]
        shared: dict[tuple[str, str], list[Component]] = defaultdict(list)
        for c in self.components:
            if c.key:
                shared[c.source, c.key].append(c)
        return own + [(sum(c.size for c in same), min(c.dof for c in same)) for same in shared.values()]

    def scaled(self, factor: float) -> Measured:
        """The number times a constant."""
        return replace(
            self,
            value=self.value * factor,
            components=tuple(replace(c, size=c.size * factor) for c in self.components),
        )

    def with_component(self, *more: Component) -> Measured:
        """The number with further components."""
        return replace(self, components=self.components + more)

    def budget(self) -> list[tuple[str, float]]:
        """Standard uncertainty by source, biggest first, on the natural scale."""
        by_source: dict[str, float] = defaultdict(float)
        own: dict[tuple[str, str], float] = defaultdict(float)
        for c in self.components:
            if c.key:
                own[c.source, c.key] += c.size
            else:
                by_source[c.source] += c.size**2
        for (source, _), size in own.items():
            by_source[source] += size**2
        return sorted(((s, math.sqrt(v)) for s, v in by_source.items() if v > 0), key=lambda x: -x[1])


def covariance(a: Measured, b: Measured) -> float:
    """Covariance of two measured numbers from the components they share.

    Examples
    --------
    >>> one = Measured(0.0, (Component("lamp", 3.0, "run 1"), Component("patch", 4.0)))
    >>> two = Measured(0.0, (Component("lamp", 3.0, "run 1"), Component("patch", 4.0)))
    >>> covariance(one, two), covariance(one, one)
    (9.0, 25.0)
    """
    return float(covariance_matrix([a, b])[0, 1]) if a is not b else float(covariance_matrix([a])[0, 0])


def covariance_matrix(numbers: Sequence[Measured]) -> np.ndarray:
    """Covariance of several measured numbers, from the components they share.

    Parameters
    ----------
    numbers : sequence of n Measured

    Returns
    -------
    (n, n) array
        On the natural scale, squared.
    """
    n = len(numbers)
    own = np.zeros(n)
    columns: dict[tuple[str, str], np.ndarray] = {}
    for i, number in enumerate(numbers):
        for c in number.components:
            if c.key:
                columns.setdefault((c.source, c.key), np.zeros(n))[i] += c.size
            else:
                own[i] += c.size**2
    shared = np.array(list(columns.values())).reshape(len(columns), n)
    return shared.T @ shared + np.diag(own)


def combined(numbers: Sequence[Measured], weights: Iterable[float]) -> Measured:
    """Weighted sum that keeps shared errors shared.

    Unshared components of different numbers stay apart: each gets a key of its own place in the sum.

    Parameters
    ----------
    numbers : sequence of n Measured
    weights : iterable of n floats
        Used as given; they need not add to one.
    """
    pairs = list(zip(numbers, weights, strict=True))
    value = sum(number.value * w for number, w in pairs)
    shared: dict[tuple[str, str], list[Component]] = defaultdict(list)
    own: list[Component] = []
    for number, w in pairs:
        for c in number.components:
            weighted = replace(c, size=c.size * w)
            if c.key:
                shared[c.source, c.key].append(weighted)
            else:
                own.append(weighted)
    together = [
        Component(source, sum(c.size for c in same), key, min(c.dof for c in same))
        for (source, key), same in shared.items()
    ]
    flags = tuple(dict.fromkeys(f for number, _ in pairs for f in number.flags))
    return Measured(value, tuple(together + own), flags)
