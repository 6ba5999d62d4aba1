"""Transmission of a film: the shift along ln(dose) that makes its patches fit the glass-only curve.

Every shift on a fine grid is tried: given it, all patches of the strip have expected densities and one joint covariance
(patch noise, timing, lamp and paper shared by the strip, the curve). What fits best is the value; what is not rejected
is the interval (inversion of a test, as in Fieller's and Graybill's inverse prediction), asymmetric and, on the
shoulder or below the first step, possibly open. One exposure, a bracket, several steps and half plates are all this one
case.

The test uses draws of the curve, not its covariance alone: beyond the darkest step what is known of it is skewed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from fairpanel.estimate.inverse import kept, tails_of_draws
from fairpanel.estimate.lack_of_fit import by_uncertainty
from fairpanel.measured import Component, Measured
from fairpanel.methods.uv_strip import curve
from fairpanel.methods.uv_strip.calibration import (
    GRID,
    Calibration,
    Patch,
    dose_covariance,
    paper_of,
    slopes_by_parameters,
)

#: ln of the transmissions that are tried.
LN_T = np.arange(math.log(0.0003), math.log(5.0), GRID)

LEVEL = 0.95


@dataclass(frozen=True)
class Transmission:
    """What one strip says of ln(transmission).

    Parameters
    ----------
    measured : Measured
        Best value with its components. Where the interval is open the value is the end that is known.
    low, high : float or None
        95 % interval; None where open.
    disagreement : float
        p value of the strip's patches agreeing on one shift; 1 for a single patch. [1]
    spread_at : (2, k) array
        ln(transmission), and the standard uncertainty a strip exposed like this would have there.
    decision, detection : float
        ln(transmission) of the decision and the detection limit; -inf where no film would be detected.
    dose : float
        ln of the equivalent glass-only exposure of its first product patch. [ln s]
    outside : bool
        The patch is surely darker than the darkest or lighter than the lightest step.
    """

    measured: Measured
    low: float | None
    high: float | None
    disagreement: float
    spread_at: np.ndarray
    decision: float
    detection: float
    dose: float
    outside: bool


@dataclass(frozen=True)
class _Fitted:
    """Patches against the calibration at every shift tried."""

    rest: np.ndarray  # (s, k) residuals
    noise: np.ndarray  # (s, k) variances of the patches themselves
    dose: np.ndarray  # (s, k, k) covariance of densities from timing, lamp and paper
    j: np.ndarray  # (s, k, p) derivative by the calibration's parameters
    slope: np.ndarray  # (s, k) derivative by ln T


def _try_all(
    c: Calibration, theta: np.ndarray, film: Sequence[Patch], glass: Sequence[Patch], shifts: np.ndarray
) -> _Fitted:
    patches = [*film, *glass]
    moved = np.array([1.0] * len(film) + [0.0] * len(glass))
    part = np.array([[float(n in p.offsets) for n in c.names] for p in patches]).reshape(len(patches), len(c.names))
    base = np.array([p.ln_dose for p in patches]) + part @ theta[curve.SIZE :]
    x = base + shifts[:, None] * moved
    paper = paper_of(theta, c.top)
    flat = x.ravel()
    d = curve.density(paper, flat).reshape(x.shape)
    s = curve.slope(paper, flat).reshape(x.shape)
    own = slopes_by_parameters(c, theta, flat).reshape(*x.shape, curve.SIZE)
    j = np.concatenate([own, s[..., None] * part], axis=-1)
    noise = c.patch_variance(patches, d)
    dose = dose_covariance(patches) * s[:, :, None] * s[:, None, :]
    return _Fitted(np.array([p.density for p in patches]) - d, noise, dose, j, s * moved)


def transmission(c: Calibration, film: Sequence[Patch], glass: Sequence[Patch] = ()) -> Transmission:
    """ln(transmission) of the film over a strip.

    Parameters
    ----------
    c : Calibration
    film : sequence of Patch
        Patches under the product.
    glass : sequence of Patch
        Glass-only patches of the same strip. If the calibration was fitted to them, they are taken out of it first.
    """
    theta, cov = c.without(film[0].strip) if glass else (c.theta, np.linalg.inv(c.information))
    f = _try_all(c, theta, film, glass, LN_T)
    v = np.einsum("ski,ij,slj->skl", f.j, cov, f.j) + f.dose
    v += np.einsum("si,ij->sij", f.noise, np.eye(f.noise.shape[1]))
    inverse = np.linalg.inv(v)
    misfit = np.einsum("sk,skl,sl->s", f.rest, inverse, f.rest)
    best = int(np.argmin(misfit))
    value = _minimum(misfit, best)
    tail = _tail(c, film, glass, f, inverse[best] @ f.slope[best], _noise_dof(c, f, v, best))
    low, high = _told(*kept(LN_T, tail, level=LEVEL))
    information = np.einsum("sk,skl,sl->s", f.slope, inverse, f.slope)
    spread = 1 / np.sqrt(np.maximum(information, 1e-12))
    decision, detection = _limits(c, theta, f, v, film, glass, spread)
    agree = 1.0 if len(f.rest[0]) < 2 else float(by_uncertainty(misfit[best], len(f.rest[0]) - 1).p_value)
    measured = Measured(value, _components(c, f, v, inverse, cov, best))
    known = [x for x in (low, high) if x is not None]
    if low is None or high is None:
        measured = Measured(known[0] if known else value, measured.components)
    first = film[0]
    return Transmission(
        measured,
        low,
        high,
        agree,
        np.stack([LN_T[::20], spread[::20]]),
        decision,
        detection,
        first.ln_dose + value,
        _outside(c, first),
    )


def _outside(c: Calibration, patch: Patch) -> bool:
    """Whether a patch is surely darker than the darkest or lighter than the lightest patch of the calibration."""
    ends = np.array([min(p.density for p in c.patches), max(p.density for p in c.patches)])
    sd = np.sqrt(2 * c.patch_variance([patch, patch], ends))
    return bool(ends[0] - patch.density > 3 * sd[0] or patch.density - ends[1] > 3 * sd[1])


def _noise_dof(c: Calibration, f: _Fitted, v: np.ndarray, best: int) -> float:
    """Degrees of freedom of the whole error; those of patch noise count as far as it matters."""
    share = min(1.0, float(f.noise[best].sum() / np.trace(v[best])))
    return min(c.noise_dof / share**2, 1e6) if share > 0 else 1e6


def _tail(
    c: Calibration,
    film: Sequence[Patch],
    glass: Sequence[Patch],
    f: _Fitted,
    weight: np.ndarray,
    dof: float,
) -> np.ndarray:
    """Probability, at each shift, of densities (weighted together) at most as dark as those seen.

    Falls along the shift: small where the strip should be much darker than it is. What is lighter than any shift would
    have it, or darker, counts as if it were just as light or dark as can be: it bounds the transmission.
    """
    seen, expected = 0.0, np.zeros((len(c.drawn), len(LN_T)))
    for i, p in enumerate([*film, *glass]):
        expected += weight[i] * c.drawn_densities(p, LN_T if i < len(film) else np.zeros(1))
        seen += weight[i] * p.density
    middle = expected.mean(axis=0)
    seen = float(np.clip(seen, middle.min(), middle.max()))
    noise = np.sqrt((f.noise * weight**2).sum(axis=1) + np.einsum("i,sij,j->s", weight, f.dose, weight))
    weights = c.weights_without(film[0].strip if glass else "")
    return tails_of_draws(seen, expected, noise, dof=dof, weights=weights)


def _told(low: float, high: float) -> tuple[float | None, float | None]:
    """The ends, open ones None, with one at least told: where any shift fits, that less than nothing gets through is
    all that is known; a strip darker than glass alone would let it be has let through all there is."""
    if not math.isfinite(high):
        return (min(low, 0.0), None) if math.isfinite(low) else (float(LN_T[0]), None)
    return (low if math.isfinite(low) else None), high


def _minimum(misfit: np.ndarray, best: int) -> float:
    """Where the misfit is least, between grid points (a parabola through three)."""
    if best in (0, len(misfit) - 1):
        return float(LN_T[best])
    a, b, c = misfit[best - 1 : best + 2]
    bend = a - 2 * b + c
    move = 0.5 * (a - c) / bend if bend > 0 else 0.0
    return float(LN_T[best] + float(np.clip(move, -1, 1)) * (LN_T[1] - LN_T[0]))


def _components(
    c: Calibration, f: _Fitted, v: np.ndarray, inverse: np.ndarray, cov: np.ndarray, best: int
) -> tuple[Component, ...]:
    """The estimate's sensitivity to each cause, by the weights of generalised least squares at the best shift."""
    slope, inv = f.slope[best], inverse[best]
    weight = inv @ slope / max(float(slope @ inv @ slope), 1e-12)
    parts = [
        Component("patch", float(np.sqrt((weight**2) @ f.noise[best])), "", c.noise_dof),
        Component("lamp, paper, timing", float(np.sqrt(weight @ f.dose[best] @ weight))),
    ]
    half = np.linalg.cholesky(cov + 1e-14 * np.eye(len(cov)))
    sizes = -(weight @ f.j[best]) @ half
    parts += [Component("curve and steps", float(s), f"{c.key}/{i}") for i, s in enumerate(sizes) if abs(s) > 1e-5]
    return tuple(parts)


def _limits(
    c: Calibration,
    theta: np.ndarray,
    f: _Fitted,
    v: np.ndarray,
    film: Sequence[Patch],
    glass: Sequence[Patch],
    spread: np.ndarray,
) -> tuple[float, float]:
    """Decision and detection limit of a strip read like this one. [ln T]

    A single patch: the reading's distribution follows from the density's through the curve, so both limits are exact on
    the curve (5 % on each side). Several patches: the reading is normal with the spread at its shift.
    """
    z = float(ndtri(0.95))
    if len(film) == 1 and not glass:
        x = LN_T + film[0].ln_dose
        d = curve.density(paper_of(theta, c.top), x)
        sd = np.sqrt(v[:, 0, 0])
        none = int(np.argmin(np.abs(LN_T)))
        floor = d[none] - z * sd[none]
        decision = float(np.interp(floor, d, LN_T)) if floor > d[0] else -math.inf
        beyond = d + z * sd - floor
    else:
        decision = -z * float(np.interp(0.0, LN_T, spread))
        beyond = LN_T + z * spread - decision
    reach = np.flatnonzero((beyond <= 0) & (LN_T < 0))
    if not len(reach):
        return decision, -math.inf
    i = int(reach[-1])
    return decision, float(LN_T[i] + (LN_T[1] - LN_T[0]) * beyond[i] / min(beyond[i] - beyond[i + 1], -1e-12))
