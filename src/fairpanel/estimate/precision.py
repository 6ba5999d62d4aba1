"""How well readings repeat, and how much specimens, sheets or runs differ beyond that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np


@dataclass(frozen=True)
class OneWay:
    """One-way analysis of variance.

    Parameters
    ----------
    ms_between, ms_within : float
        Mean squares; NaN where their degrees of freedom are 0.
    dof_between, dof_within : int
    ss_between, ss_within : float
        Sums of squares.
    mean : float
        Of all readings.
    typical_count : float
        Readings per group, weighted so that ms_between estimates within + typical_count times between
        (ISO 5725-2, from memory).
    """

    ss_between: float
    ss_within: float
    dof_between: int
    dof_within: int
    mean: float
    typical_count: float

    @property
    def ms_between(self) -> float:
        """Mean square between groups."""
        return self.ss_between / self.dof_between if self.dof_between else np.nan

    @property
    def ms_within(self) -> float:
        """Mean square within groups: the variance of repeats."""
        return self.ss_within / self.dof_within if self.dof_within else np.nan

    @property
    def f_ratio(self) -> float:
        """ms_between over ms_within; infinite where the repeats do not scatter at all."""
        if self.ms_within > 0:
            return self.ms_between / self.ms_within
        return np.inf if self.ms_between > 0 else np.nan

    @property
    def p_value(self) -> float:
        """Probability of an F at least as great if the groups do not differ."""
        from scipy import special

        return float(special.fdtrc(self.dof_between, self.dof_within, self.f_ratio))

    @property
    def residual_sd(self) -> float:
        """Standard deviation within groups."""
        return float(np.sqrt(self.ms_within))

    @property
    def between_variance(self) -> float:
        """Variance between groups beyond what the repeats explain; 0 where they explain it all."""
        excess = self.ms_between - self.ms_within
        return float(max(excess / self.typical_count, 0.0)) if np.isfinite(excess) else np.nan


def one_way(groups: Sequence) -> OneWay:
    """One-way analysis of variance of groups of readings.

    Parameters
    ----------
    groups : sequence of (n_i,) arrays
        Of any sizes. Centred before anything is squared.

    Raises
    ------
    ValueError
        Fewer than two groups, or an empty one.

    Examples
    --------
    >>> table = one_way([[1.0, 2.0, 3.0], [3.0, 4.0, 5.0]])
    >>> table.f_ratio, table.between_variance.__round__(6)
    (6.0, 1.666667)
    """
    groups = [np.asarray(g, float) for g in groups]
    if len(groups) < 2 or any(len(g) == 0 for g in groups):
        raise ValueError("An analysis of variance needs at least two groups, none of them empty.")
    origin = groups[0][0]
    groups = [g - origin for g in groups]
    counts = np.array([len(g) for g in groups])
    means = np.array([g.mean() for g in groups])
    whole, total = counts @ means / counts.sum(), counts.sum()
    return OneWay(
        ss_between=float(counts @ (means - whole) ** 2),
        ss_within=float(sum(np.sum((g - m) ** 2) for g, m in zip(groups, means))),
        dof_between=len(groups) - 1,
        dof_within=int(total - len(groups)),
        mean=float(whole + origin),
        typical_count=float((total - (counts**2).sum() / total) / (len(groups) - 1)),
    )


@dataclass(frozen=True)
class Precision:
    """Repeatability and reproducibility in the sense of ISO 5725.

    Parameters
    ----------
    mean : float
    repeatability_sd : float
        Of readings of the same thing by the same hands, in a short time.
    between_sd : float
        Of the groups (laboratories, days, runs) beyond that; 0 is a legal answer.
    dof : int
        Behind the repeatability.
    """

    mean: float
    repeatability_sd: float
    between_sd: float
    dof: int

    @property
    def reproducibility_sd(self) -> float:
        """Standard deviation of single readings in different groups."""
        return float(np.hypot(self.repeatability_sd, self.between_sd))

    @property
    def repeatability_limit(self) -> float:
        """What two readings in one group differ by in 95 % of cases: 2.8 times their standard deviation."""
        return 2.8 * self.repeatability_sd

    @property
    def reproducibility_limit(self) -> float:
        """What two readings in different groups differ by in 95 % of cases."""
        return 2.8 * self.reproducibility_sd


def precision(groups: Sequence) -> Precision:
    """Repeatability and reproducibility from groups of repeated readings: ISO 5725-2 (from memory).

    Parameters
    ----------
    groups : sequence of (n_i,) arrays
        Readings by laboratory, day or run, of any numbers.

    Raises
    ------
    ValueError
        No group has a repeat, or see `one_way`.
    """
    table = one_way(groups)
    if table.dof_within == 0:
        raise ValueError("Repeatability needs at least one group with two readings.")
    return Precision(table.mean, table.residual_sd, float(np.sqrt(table.between_variance)), table.dof_within)


class Pooled(NamedTuple):
    """A variance from several sources, and the degrees of freedom behind it."""

    variance: float
    dof: float

    @property
    def sd(self) -> float:
        """Standard deviation."""
        return float(np.sqrt(self.variance))


def pooled(variances, dofs) -> Pooled:
    """Variances weighted by their degrees of freedom.

    Parameters
    ----------
    variances, dofs : (k,) arrays
        Those without degrees of freedom are left out; one of infinite dof is known, and decides alone.

    Raises
    ------
    ValueError
        No degrees of freedom at all.

    Examples
    --------
    >>> pooled([1.0, 4.0], [3, 1])
    Pooled(variance=1.75, dof=4.0)
    """
    variances, dofs = np.asarray(variances, float), np.asarray(dofs, float)
    known = np.isinf(dofs)
    if np.any(known):
        return Pooled(float(variances[known].mean()), np.inf)
    used = dofs > 0
    if not np.any(used):
        raise ValueError("No degrees of freedom to pool: every group has a single reading.")
    total = dofs[used].sum()
    return Pooled(float(variances[used] @ dofs[used] / total), float(total))


def pooled_within(groups: Sequence) -> Pooled:
    """Variance of repeats pooled over groups; groups of one reading add nothing.

    Raises
    ------
    ValueError
        No group has a repeat.
    """
    groups = [np.asarray(g, float) for g in groups]
    several = [g for g in groups if len(g) > 1]
    return pooled([g.var(ddof=1) for g in several], [len(g) - 1 for g in several])
