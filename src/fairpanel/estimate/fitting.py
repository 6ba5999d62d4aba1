"""Many small curve fits at once: damped least squares (Levenberg-Marquardt) vectorised over strips or draws.

Damping is by the largest column norms met so far (J. J. More, Lecture Notes in Mathematics 630, 105 (1978))
with the gain-ratio update of H. B. Nielsen (IMM-REP-1999-05), both from memory. A fit is called converged by
the relative offset of D. M. Bates and D. G. Watts (Technometrics 23, 179 (1981), from memory): how far, in
standard errors, the next undamped step would still go. So a stop on a plateau is seen and said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fairpanel.estimate._least_squares import Model, Task, curvature, descend, make_task

#: Largest offset, in standard errors, at which a fit is called converged.
LARGEST_OFFSET = 1e-4


@dataclass(frozen=True)
class Fit:
    """Outcome of one or many fits; `...` stands for the shape of the batch.

    Parameters
    ----------
    parameters : (..., p) array
        NaN nowhere: where `ok` is false they are the last ones tried and must not be used.
    covariance : (..., p, p) array
        Of the parameters; NaN where the data do not fix them all. Scaled by rss / dof if the uncertainty of
        the observations was not given.
    rss : (...) array
        Sum of squared, weighted residuals of the observations, without the priors' part.
    penalty : (...) array
        The priors' part of the minimised sum; 0 without priors.
    dof : (...) array
        Observations and priors less parameters.
    converged : (...) array of bool
        The next step would move by less than a ten-thousandth of a standard error.
    identified : (...) array of bool
        The observations (and priors) fix every parameter.
    residuals : (..., n) array
        Weighted, observed less fitted; 0 where the observation is missing.
    scaled : bool
        The covariance was scaled by rss / dof.
    steps : int
        Steps taken by the slowest member.
    """

    parameters: np.ndarray
    covariance: np.ndarray
    rss: np.ndarray
    penalty: np.ndarray
    dof: np.ndarray
    converged: np.ndarray
    identified: np.ndarray
    residuals: np.ndarray
    scaled: bool
    steps: int

    @property
    def ok(self) -> np.ndarray:
        """(...) array of bool: the fit may be used."""
        return self.converged & self.identified

    @property
    def standard_errors(self) -> np.ndarray:
        """(..., p) array; NaN where the data do not fix the parameters."""
        return np.sqrt(np.diagonal(self.covariance, axis1=-2, axis2=-1))

    @property
    def residual_sd(self) -> np.ndarray:
        """(...) array: square root of (rss + penalty) / dof; NaN without degrees of freedom."""
        return np.sqrt((self.rss + self.penalty) / np.where(self.dof > 0, self.dof, np.nan))

    def why_not(self) -> np.ndarray:
        """(...) array of str: in plain words why a fit may not be used; empty where it may."""
        unfixed = "the readings do not fix all parts of the curve"
        unsettled = "the curve did not settle"
        return np.where(~self.identified, unfixed, np.where(self.converged, "", unsettled))

    def draws(self, count: int, *, rng: np.random.Generator) -> np.ndarray:
        """Draws of the parameters, normal about the fit (multivariate t where the noise was estimated).

        Parameters
        ----------
        count : int
        rng : numpy Generator

        Returns
        -------
        (..., count, p) array
            NaN where the fit may not be used.
        """
        usable = np.where(self.ok[..., None, None], self.covariance, 0.0)
        size, vectors = np.linalg.eigh(usable)
        root = vectors * np.sqrt(np.clip(size, 0, None))[..., None, :]
        normal = rng.standard_normal((*self.rss.shape, count, self.parameters.shape[-1]))
        if self.scaled:
            dof = np.maximum(self.dof, 1)[..., None]
            normal /= np.sqrt(rng.chisquare(dof, (*self.rss.shape, count)) / dof)[..., None]
        drawn = self.parameters[..., None, :] + normal @ np.swapaxes(root, -1, -2)
        return np.where(self.ok[..., None, None], drawn, np.nan)


def fit(
    model: Model,
    start,
    observed,
    *,
    uncertainty=None,
    covariance=None,
    prior_mean=None,
    prior_sd=None,
    jacobian: Model | None = None,
    per_member: Sequence[np.ndarray] = (),
    scaled: bool | None = None,
    most_steps: int = 200,
    settled: float = 1e-14,
) -> Fit:
    """Least squares of a curve, for one set of observations or a whole batch of them.

    Parameters
    ----------
    model : callable
        `model(parameters, *per_member)` with parameters (..., p), giving (..., n). It must accept further
        leading axes; values that are not finite count as "too far" and shorten the step.
    start : (p,) or (..., p) array
        First guess.
    observed : (n,) or (..., n) array
        NaN marks a missing observation.
    uncertainty : (n,) or (..., n) array, optional
        Standard uncertainties of the observations; without them all count alike and the covariance is scaled
        by rss / dof.
    covariance : (n, n) or (..., n, n) array, optional
        Of the observations, instead of `uncertainty`, where their errors are shared.
    prior_mean, prior_sd : (p,) or (..., p) arrays, optional
        What is known of the parameters beforehand; an infinite sd means nothing. An error in a dose is a
        parameter with a prior. They need `uncertainty` or `covariance`: without those the two cannot be
        weighed.
    jacobian : callable, optional
        Same arguments as the model, giving (..., n, p); without it central differences are taken.
    per_member : sequence of arrays
        What differs between the members besides their observations, each with the batch's shape first.
    scaled : bool, optional
        Scale the covariance by rss / dof; by default only where no uncertainty was given.
    most_steps : int
    settled : float
        A step that promises to lower the sum by no more than this share of it is the last.

    Returns
    -------
    Fit
        Ask `ok` before using a number.

    Raises
    ------
    ValueError
        Shapes that do not fit together, uncertainties not above zero, priors without uncertainties, more
        parameters than observations and priors.

    Examples
    --------
    >>> dose = np.array([0.0, 1.0, 2.0, 4.0])
    >>> line = lambda p: p[..., :1] + p[..., 1:] * dose
    >>> found = fit(line, [0.0, 1.0], [1.0, 3.0, 5.0, 9.0], uncertainty=[0.1] * 4)
    >>> found.parameters.round(6), bool(found.ok)
    (array([1., 2.]), True)
    """
    task = make_task(
        model, start, observed, uncertainty, covariance, prior_mean, prior_sd, jacobian, per_member, scaled
    )
    with np.errstate(all="ignore"):
        parameters, steps = descend(task, most_steps, settled)
        return _finish(task, parameters, steps)


def fit_with_restarts(model: Model, start, observed, *, tries: int = 24, decades: float = 2.0, **options) -> Fit:
    """`fit`, and where that fails the best of further first guesses spread about the first.

    Parameters
    ----------
    start : (p,) or (..., p) array
        Each parameter is tried at this value times 10 ** -decades to 10 ** decades, its sign kept; a first
        guess of zero is tried from -decades to decades.
    tries : int
        Further first guesses; the same ones every time.
    model, observed, options
        As for `fit`.

    Returns
    -------
    Fit
        Where no first guess leads to a usable fit, `ok` is false.
    """
    first = fit(model, start, observed, **options)
    if np.all(first.ok):
        return first
    start = np.asarray(start, float)
    p = start.shape[-1]
    # Additive recurrence with the root of x^(p+1) = x + 1 (M. Roberts, 2018, from memory): even in p
    # dimensions.
    root = max(np.roots([1.0, *[0.0] * (p - 1), -1.0, -1.0]).real)
    spread = (0.5 + np.arange(1, tries + 1)[:, None] * root ** -np.arange(1.0, p + 1)) % 1
    moves = (2 * spread - 1).reshape(tries, *[1] * (start.ndim - 1), p) * decades
    starts = np.where(start != 0, start * 10**moves, moves)
    second = fit_best(model, starts, observed, **options)
    return _member_by_member(np.where(first.ok, 0, 1), [first, second])


def fit_best(model: Model, starts, observed, **options) -> Fit:
    """The best of several fits from different first guesses.

    Parameters
    ----------
    starts : (s, p) or (s, ..., p) array
        First guesses, one after the other.
    model, observed, options
        As for `fit`. `per_member` needs the batch's shape only.

    Returns
    -------
    Fit
        Member by member the usable fit of least sum; where none is usable, one that is not `ok`.
    """
    found = [fit(model, guess, observed, **options) for guess in np.asarray(starts, float)]
    sums = np.stack([np.where(f.ok, f.rss + f.penalty, np.inf) for f in found])
    return _member_by_member(np.argmin(sums, axis=0), found)


def _member_by_member(which: np.ndarray, found: Sequence[Fit]) -> Fit:
    def pick(name: str) -> np.ndarray:
        stack = np.stack([getattr(f, name) for f in found])
        index = which.reshape((1, *which.shape, *[1] * (stack.ndim - 1 - which.ndim)))
        return np.take_along_axis(stack, index, axis=0)[0]

    names = ("parameters", "covariance", "rss", "penalty", "dof", "converged", "identified", "residuals")
    return Fit(**{n: pick(n) for n in names}, scaled=found[0].scaled, steps=max(f.steps for f in found))


def _finish(task: Task, at: np.ndarray, steps: int) -> Fit:
    everyone = np.arange(len(at))
    residuals = task.residuals(at, everyone)
    rss = np.einsum("kn,kn->k", residuals, residuals)
    penalty = task.sums(at, residuals, everyone) - rss
    covariance, identified, still_to_go = curvature(*task.normal(at, residuals, everyone))
    identified &= task.dof >= 0
    noise = (rss + penalty) / np.where(task.dof > 0, task.dof, np.nan)
    unit = noise if task.scaled else np.ones(len(at))
    if task.scaled:
        covariance = covariance * noise[:, None, None]
    whole = np.einsum("kn,kn->k", *[task.whitened(task.observed, everyone)] * 2)
    near = still_to_go <= LARGEST_OFFSET**2 * at.shape[1] * np.nan_to_num(unit)
    exact = still_to_go <= 1e-20 * whole  # a curve through every point leaves no residual to compare with
    covariance = np.where(identified[:, None, None], covariance, np.nan)

    def shaped(a: np.ndarray) -> np.ndarray:
        return a.reshape((*task.shape, *a.shape[1:]))

    return Fit(
        parameters=shaped(at),
        covariance=shaped(covariance),
        rss=shaped(rss),
        penalty=shaped(penalty),
        dof=shaped(task.dof),
        converged=shaped((near | exact) & np.isfinite(rss)),
        identified=shaped(identified),
        residuals=shaped(residuals),
        scaled=task.scaled,
        steps=steps,
    )
