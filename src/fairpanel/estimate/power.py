"""How many plates: the chance of finding a difference that is there, and what it takes to find it.

Noncentral t throughout; a finding on the wrong side is not counted.
"""

from __future__ import annotations

import numpy as np


def chance_of_finding(shift, *, dof: float, critical: float):
    """Probability that a t about `shift` goes beyond `critical`.

    Parameters
    ----------
    shift : float or array
        True difference over the standard uncertainty of its estimate.
    dof : float
        Behind that standard uncertainty.
    critical : float
        Student's, or one adjusted for many comparisons (`MaxT.critical`).

    Examples
    --------
    >>> round(float(chance_of_finding(3.2, dof=np.inf, critical=1.96)), 3)
    0.893
    """
    from scipy import special

    shift = np.asarray(shift, float)
    if np.isinf(dof):
        return special.ndtr(shift - critical)
    return 1 - special.nctdtr(dof, shift, critical)


def two_group_power(difference, *, plates: float, alpha: float = 0.05, two_sided: bool = True):
    """Chance of telling two groups of equally many plates apart, by Student's t.

    Parameters
    ----------
    difference : float or array
        True difference over the standard deviation between plates.
    plates : float
        In each group; fractions are legal, for planning.
    alpha : float
        Share of false findings.
    two_sided : bool
        Whether a difference either way is looked for.

    Examples
    --------
    >>> round(float(two_group_power(2.0, plates=4)), 4)
    0.6569
    """
    from scipy import special

    dof = 2 * plates - 2
    critical = float(special.stdtrit(dof, 1 - alpha / (2 if two_sided else 1)))
    return chance_of_finding(np.asarray(difference) * np.sqrt(plates / 2), dof=dof, critical=critical)


def plates_needed(
    difference: float,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    two_sided: bool = True,
    most: float = 10_000.0,
) -> float:
    """Plates in each of two groups to find a difference with a given chance; not rounded up.

    Parameters
    ----------
    difference : float
        True difference over the standard deviation between plates, above zero.
    power : float
        Chance wanted.
    alpha, two_sided
        As for `two_group_power`.
    most : float
        Above this the answer is infinite.

    Examples
    --------
    >>> round(plates_needed(1.0), 4)
    16.7148
    """

    def enough(plates: float) -> bool:
        return float(two_group_power(difference, plates=plates, alpha=alpha, two_sided=two_sided)) >= power

    low, high = 1.0 + 1e-9, 2.0
    while not enough(high):
        low, high = high, 2 * high
        if high > most:
            return float("inf")
    while high - low > 1e-9 * high:
        middle = (low + high) / 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
