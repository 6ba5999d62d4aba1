"""The paper's characteristic curve: density against the logarithm of dose.

    density = D0 + (D1 - D0) F(psi),   F = 1 - (1 + e^psi / 2)^-2

psi rises with ln(dose), in straight pieces between knots a quarter apart. Its slope may change slowly: a random walk
holds neighbouring slopes together. A constant slope is close to the logistic curve; the freedom is what a real paper's
toe and shoulder need, and what is not known between the steps shows as uncertainty, not as a wrong curve. Everything is
vectorised over leading dimensions of the parameters.

Source
------
Sigmoid in log dose with a shape shared by unknowns and calibration: parallel-line and parallel-curve bioassay (USP
<1034>, from its summary). Smoothing by a random walk of the slope: cubic smoothing spline as a stochastic process (G.
Wahba, 1978, from memory). The link F (a Burr XII distribution function with shape 2) lies between papers that reach
their full density slowly and those that reach it at once; it is ours.
"""

from __future__ import annotations

import numpy as np

#: Distance between knots, and the knots: ln(dose) less the reference of the curve.
STEP = 0.25
KNOTS = np.arange(-6.5, 4.5 + 1e-9, STEP)

#: Curve parameters: D0, D1, the knots' reference in ln(dose) (a constant), psi at the knots.
SIZE = 3 + len(KNOTS)

#: psi where half of the range is reached.
PSI_HALF = float(np.log(2 * (np.sqrt(2.0) - 1)))

#: Slope of psi expected beforehand, its spread, and how far it wanders for each square root of a unit of ln(dose),
#: below and above the middle. Chosen on six families of curves, none of them this one; see docs/reading.md.
TYPICAL_SLOPE, SLOPE_SPREAD = 1.35, 0.5
WANDER_TOE, WANDER_SHOULDER = 0.30, 0.30
#: Rise of the slope expected for each unit of ln(dose) down the toe: many papers only start after a first dose.
TOE_RISE = 0.15

#: Least slope beyond the knots.
_LEAST_SLOPE = 0.3


def _link(psi: np.ndarray) -> np.ndarray:
    return 1 - (1 + 0.5 * np.exp(np.minimum(psi, 60.0))) ** -2


def _link_slope(psi: np.ndarray) -> np.ndarray:
    e = np.exp(np.minimum(psi, 60.0))
    return e * (1 + 0.5 * e) ** -3


def _where(theta: np.ndarray, ln_dose: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Knot before each dose, and the share of the way to the next; doses beyond the knots go on straight."""
    at = (np.clip(ln_dose - theta[..., 2:3], -30.0, 30.0) - KNOTS[0]) / STEP
    i = np.clip(np.floor(at).astype(int), 0, len(KNOTS) - 2)
    return i, at - i


def psi_at(theta: np.ndarray, ln_dose: np.ndarray) -> np.ndarray:
    """psi at doses; (..., n)."""
    psi = theta[..., 3:]
    i, part = _where(theta, ln_dose)
    shape = np.broadcast_shapes(i.shape[:-1], psi.shape[:-1])
    i, part = np.broadcast_to(i, (*shape, i.shape[-1])), np.broadcast_to(part, (*shape, part.shape[-1]))
    psi = np.broadcast_to(psi, (*shape, psi.shape[-1]))
    low = np.take_along_axis(psi, i, axis=-1)
    rise = np.take_along_axis(psi, i + 1, axis=-1) - low
    rise = np.where((part < 0) | (part > 1), np.maximum(rise, _LEAST_SLOPE * STEP), rise)
    return low + rise * part


def density(theta: np.ndarray, ln_dose: np.ndarray) -> np.ndarray:
    """Density at doses; a dose of zero (ln = -inf) gives D0.

    Parameters
    ----------
    theta : (..., SIZE) array
    ln_dose : (..., n) array
        ln of seconds in full light.

    Returns
    -------
    (..., n) array
    """
    f = np.where(np.isfinite(ln_dose), _link(psi_at(theta, ln_dose)), 0.0)
    return theta[..., :1] + (theta[..., 1:2] - theta[..., :1]) * f


def slope(theta: np.ndarray, ln_dose: np.ndarray) -> np.ndarray:
    """Rise of density per unit of ln(dose); zero at a dose of zero. Shapes as in `density`."""
    h = 0.5 * STEP
    rise = (psi_at(theta, ln_dose + h) - psi_at(theta, ln_dose - h)) / (2 * h)
    found = (theta[..., 1:2] - theta[..., :1]) * _link_slope(psi_at(theta, ln_dose)) * rise
    return np.where(np.isfinite(ln_dose), found, 0.0)


def jacobian(theta: np.ndarray, ln_dose: np.ndarray) -> np.ndarray:
    """Derivatives of density by D0, D1 and psi at the knots (the reference is a constant: zero).

    Parameters
    ----------
    theta : (..., SIZE) array
    ln_dose : (..., n) array

    Returns
    -------
    (..., n, SIZE) array
    """
    psi = psi_at(theta, ln_dose)
    there = np.isfinite(ln_dose)
    f = np.where(there, _link(psi), 0.0)
    i, part = _where(theta, ln_dose)
    i, part = np.broadcast_to(i, psi.shape), np.broadcast_to(part, psi.shape)
    steep = np.where(there, (theta[..., 1:2] - theta[..., :1]) * _link_slope(psi), 0.0)
    j = np.zeros((*psi.shape, SIZE))
    j[..., 0], j[..., 1] = 1 - f, f
    np.put_along_axis(j, (i + 3)[..., None], (steep * (1 - part))[..., None], axis=-1)
    np.put_along_axis(j, (i + 4)[..., None], (steep * part)[..., None], axis=-1)
    return j


def ln_dose(theta: np.ndarray, target: np.ndarray) -> np.ndarray:
    """ln of the dose that gives a density: the curve read backwards, between the knots.

    Parameters
    ----------
    theta : (SIZE,) array
    target : (n,) array
        Densities.

    Returns
    -------
    (n,) array
        -inf at or below the density of no exposure, inf at or above that of full exposure.
    """
    share = (np.asarray(target, float) - theta[0]) / (theta[1] - theta[0])
    inside = (share > 0) & (share < 1)
    psi = np.log(2 * ((1 - np.where(inside, share, 0.5)) ** -0.5 - 1))
    x = np.interp(psi, np.maximum.accumulate(theta[3:]), KNOTS) + theta[2]
    return np.where(share <= 0, -np.inf, np.where(share >= 1, np.inf, x))


def halfway(theta: np.ndarray) -> float:
    """ln of the dose that reaches half of the range."""
    return float(np.interp(PSI_HALF, np.maximum.accumulate(theta[3:]), KNOTS) + theta[2])


def start(ln_doses: np.ndarray, densities: np.ndarray) -> np.ndarray:
    """A first guess from steps: ends from the lightest and darkest, the middle by interpolation.

    Parameters
    ----------
    ln_doses, densities : (n,) array
        Rising doses; -inf for no exposure.
    """
    d0, d1 = float(densities.min()), float(densities.max())
    d1 = d0 + 1.08 * max(d1 - d0, 0.02)
    finite = np.isfinite(ln_doses)
    x, y = ln_doses[finite], np.maximum.accumulate(densities[finite])
    half = (d0 + d1) / 2
    middle = float(np.interp(half, y, x)) if y[0] < half else float(x[0] - np.log(2))
    return np.concatenate([[d0, d1, middle], PSI_HALF + TYPICAL_SLOPE * KNOTS])


def prior() -> tuple[np.ndarray, np.ndarray]:
    """What the prior holds against psi: rows and targets, in standard deviations.

    Returns
    -------
    rows (len(KNOTS) - 1, SIZE), targets (len(KNOTS) - 1,)
        `targets - rows @ theta` are its residuals: one for the slope in the middle, one for each change of slope.
    """
    n = len(KNOTS)
    slopes = (np.eye(n)[1:] - np.eye(n)[:-1]) / STEP
    middles = (KNOTS[1:] + KNOTS[:-1]) / 2
    wander = np.where(KNOTS[1:-1] < 0, WANDER_TOE, WANDER_SHOULDER) * np.sqrt(STEP)
    rows = np.vstack(
        [slopes[int(np.argmin(np.abs(middles)))] / SLOPE_SPREAD, np.diff(slopes, axis=0) / wander[:, None]]
    )
    targets = np.concatenate([[0.0], np.where(KNOTS[1:-1] < 0, -TOE_RISE * STEP, 0.0) / wander])
    targets[0] = TYPICAL_SLOPE / SLOPE_SPREAD
    return np.hstack([np.zeros((n - 1, 3)), rows]), targets
