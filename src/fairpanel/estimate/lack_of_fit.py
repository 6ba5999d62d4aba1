"""Does a fitted curve fit? By the readings' own uncertainty, or by their repeats."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np


class LackOfFit(NamedTuple):
    """Test of a fit.

    Parameters
    ----------
    statistic : float or array
        Chi-square, or F.
    dof : tuple
        Degrees of freedom: of chi-square, or of numerator and denominator of F.
    p_value : float or array
        Probability of a misfit at least as great if the curve is right; NaN where nothing is left to test.
    """

    statistic: float | np.ndarray
    dof: tuple
    p_value: float | np.ndarray


def by_uncertainty(chi_square, dof) -> LackOfFit:
    """Chi-square test of weighted squares, for readings of known uncertainty (`Fit.rss + Fit.penalty`,
    `Fit.dof`).

    Parameters
    ----------
    chi_square : float or array
        Sum of squared residuals, each over its standard uncertainty.
    dof : int or array
        Readings (and priors) less parameters.

    Examples
    --------
    >>> round(float(by_uncertainty(7.815, 3).p_value), 3)
    0.05
    """
    from scipy import special

    chi_square, dof = np.asarray(chi_square, float), np.asarray(dof)
    p = np.where(dof > 0, special.chdtrc(np.where(dof > 0, dof, 1), chi_square), np.nan)
    return LackOfFit(chi_square[()], (dof[()],), p[()])


def by_repeats(groups, fitted, *, parameters: int) -> LackOfFit:
    """F test of the misfit of group means against the scatter within groups.

    Parameters
    ----------
    groups : sequence of (n_i,) arrays
        Repeated readings at each point of the curve.
    fitted : (k,) array
        The curve there.
    parameters : int
        Parameters fitted to all readings.

    Raises
    ------
    ValueError
        No repeats, or no more points than parameters.
    """
    from scipy import special

    groups = [np.asarray(g, float) for g in groups]
    numerator = len(groups) - parameters
    denominator = sum(len(g) - 1 for g in groups)
    if numerator <= 0 or denominator <= 0:
        raise ValueError("A test by repeats needs repeated readings, and more points than the curve has parameters.")
    misfit = sum(len(g) * (g.mean() - f) ** 2 for g, f in zip(groups, fitted, strict=True)) / numerator
    scatter = sum(np.sum((g - g.mean()) ** 2) for g in groups) / denominator
    ratio = float(misfit / scatter) if scatter > 0 else np.inf
    p = float(special.fdtrc(numerator, denominator, ratio)) if np.isfinite(ratio) else 0.0
    return LackOfFit(ratio, (numerator, denominator), p)
