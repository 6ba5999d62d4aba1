"""One joint fit of the paper's curve to steps and glass-only patches of a picture.

Errors in both: densities have the patches' own noise; doses have the lamp, the paper and the timing of each exposure,
which patches of one strip share. Parameters are the curve's and a few offsets of ln(dose), each with a prior: of a step
strip against the rest, of another sheet, another run, or of glass. A glass-only patch (or half) so tells about the
curve, the sheet and the run at once, as far as it is certain.

The density of full exposure lies above what was seen, often far above and never below; so the fit works with the
logarithm of its distance from the darkest step. What that leaves open is skewed, and is carried as draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from fairpanel.methods.uv_strip import curve
from fairpanel.methods.uv_strip.noise import Noise

#: Distance of full exposure from the darkest step, as a share of the steps' range, and the spread of its logarithm.
TOP_SHARE, TOP_SPREAD = 0.15, 1.2


#: Draws of the parameters (also their seed: same input, same output), rounds of fitting each, and the damping.
DRAWS, ROUNDS, DAMPING = 400, 10, 1e-6


#: Step of ln(dose) at which the drawn curves are tabled, and where: from a thousandth of a second to three hours.
GRID = 0.01
TABLED = np.arange(-9.0, 9.4, GRID)


@dataclass(frozen=True)
class Patch:
    """A patch as the fit sees it.

    Parameters
    ----------
    density : float
    area : float
        Averaged over, in the unit of the noise.
    ln_dose : float
        ln of seconds in full light through glass; -inf for no exposure.
    timing : float
        Standard uncertainty of its exposure's timing. [ln(dose)]
    exposure : str
        Patches of one exposure share its timing.
    strip : str
        Patches of one strip share lamp and paper.
    shared : float
        Standard uncertainty of what they share. [ln(dose)]
    offsets : tuple of str
        Names of the offsets that act on its dose.
    extra : float
        Further standard uncertainty of its density (another picture's tone curve).
    place : float
        Standard uncertainty by its place on the strip: paper is not equally fast all over. [ln(dose)]
    """

    density: float
    area: float
    ln_dose: float
    timing: float
    exposure: str
    strip: str
    shared: float
    offsets: tuple[str, ...] = ()
    extra: float = 0.0
    place: float = 0.0


@dataclass(frozen=True)
class Offset:
    """An offset of ln(dose) with its prior."""

    mean: float
    spread: float
    source: str
    key: str


@dataclass(frozen=True)
class Calibration:
    """The fitted curve with everything that is uncertain about it.

    Parameters
    ----------
    key : str
        What shares this curve's errors.
    theta : (SIZE + m,) array
        Curve parameters and offsets, as fitted: in the second place stands ln(D1 - top).
    top : float
        Density just below the darkest patch; D1 lies above it.
    names : tuple of str
        Names of the m offsets.
    information : (SIZE + m, SIZE + m) array
        Inverse covariance of theta, priors included.
    patches : tuple of Patch
        What it was fitted to.
    misfit, dof : float
        Weighted sum of squared residuals and the degrees of freedom left, without the priors.
    noise_ratio, noise_dof : float
        Variance of patch means against what their blocks foretell, and the degrees of freedom behind it.
    drawn : (DRAWS, SIZE + m) array
        Parameters drawn from what the patches leave open.
    """

    key: str
    theta: np.ndarray
    top: float
    names: tuple[str, ...]
    offsets: dict[str, Offset]
    information: np.ndarray
    noise: Noise
    patches: tuple[Patch, ...]
    misfit: float
    dof: float
    noise_ratio: float
    noise_dof: float = np.inf
    converged: bool = True
    drawn: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)), repr=False)

    @property
    def paper(self) -> np.ndarray:
        """The curve's own parameters, as `curve` takes them."""
        return paper_of(self.theta, self.top)

    def patch_variance(self, patches: Sequence[Patch], densities: np.ndarray) -> np.ndarray:
        """Variance of the mean density of n patches, were they as dark as (..., n) `densities`."""
        area = np.array([p.area for p in patches])
        extra = np.array([p.extra for p in patches])
        return self.noise_ratio * self.noise.variance(densities, area) + extra**2

    def drawn_densities(self, patch: Patch, shifts: np.ndarray) -> np.ndarray:
        """(DRAWS, s) densities of a patch for every draw, its ln(dose) moved by each of the shifts.

        Parameters
        ----------
        patch : Patch
        shifts : (s,) array
            Evenly apart by `GRID`.
        """
        part = np.array([float(n in patch.offsets) for n in self.names])
        if part.any():
            at = patch.ln_dose + (self.drawn[:, curve.SIZE :] @ part)[:, None] + shifts
            return curve.density(paper_of(self.drawn, self.top), at)
        place = (patch.ln_dose + shifts[0] - TABLED[0]) / GRID
        first = int(np.floor(place))
        if first < 0 or first + len(shifts) + 1 > len(TABLED):
            return curve.density(paper_of(self.drawn, self.top), patch.ln_dose + shifts)
        share = place - first
        before = self._tabled[:, first : first + len(shifts)]
        return before + share * (self._tabled[:, first + 1 : first + 1 + len(shifts)] - before)

    @cached_property
    def _tabled(self) -> np.ndarray:
        return curve.density(paper_of(self.drawn, self.top), TABLED)

    def weights_without(self, strip: str) -> np.ndarray:
        """Weights that make the draws as if they knew nothing of one strip's glass-only patches; they add to one."""
        own = [p for p in self.patches if p.strip == strip]
        if not own:
            return np.full(len(self.drawn), 1 / len(self.drawn))
        _, v, _ = _linear(self, own, self.theta)
        rest = np.array([p.density for p in own]) - _many(self, own, self.drawn)[0]
        logs = 0.5 * np.einsum("ki,ij,kj->k", rest, np.linalg.inv(v), rest)
        weight = np.exp(np.minimum(logs - logs.mean(), 3.0))
        return weight / weight.sum()

    def without(self, strip: str) -> tuple[np.ndarray, np.ndarray]:
        """Parameters and covariance as they would be without one strip's glass-only patches.

        Returns
        -------
        theta, covariance
        """
        own = [p for p in self.patches if p.strip == strip]
        if not own:
            return self.theta, np.linalg.inv(self.information)
        j, v, rest = _linear(self, own, self.theta)
        weighted = j.T @ np.linalg.inv(v)
        information = self.information - weighted @ j
        cov = np.linalg.inv(information)
        return self.theta - cov @ (weighted @ rest), cov


def paper_of(theta: np.ndarray, top: float) -> np.ndarray:
    """Curve parameters from fitted ones, (..., SIZE + m) to (..., SIZE)."""
    paper = np.array(theta[..., : curve.SIZE])
    paper[..., 1] = top + np.exp(np.minimum(paper[..., 1], 3.0))
    return paper


def slopes_by_parameters(c: Calibration, theta: np.ndarray, ln_doses: np.ndarray) -> np.ndarray:
    """(..., n, SIZE) derivatives of density by the fitted curve parameters."""
    paper = paper_of(theta, c.top)
    j = curve.jacobian(paper, ln_doses)
    j[..., 1] *= (paper[..., 1] - c.top)[..., None]
    return j


def dose_covariance(patches: Sequence[Patch]) -> np.ndarray:
    """(n, n) covariance of ln(dose): timing by exposure, lamp and paper by strip, the paper's speed by place."""
    same_exposure = np.array([[a.exposure == b.exposure for b in patches] for a in patches])
    same_strip = np.array([[a.strip == b.strip for b in patches] for a in patches])
    timing, shared = np.array([p.timing for p in patches]), np.array([p.shared for p in patches])
    own = np.diag([p.place**2 if np.isfinite(p.ln_dose) else 0.0 for p in patches])
    return same_exposure * np.outer(timing, timing) + same_strip * np.outer(shared, shared) + own


def _doses(names: tuple[str, ...], patches: Sequence[Patch], theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    part = np.array([[float(n in p.offsets) for n in names] for p in patches]).reshape(len(patches), len(names))
    return np.array([p.ln_dose for p in patches]) + part @ theta[curve.SIZE :], part


def _linear(c: Calibration, patches: Sequence[Patch], theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Jacobian, covariance and residual of patches at theta."""
    x, part = _doses(c.names, patches, theta)
    paper = paper_of(theta, c.top)
    d, s = curve.density(paper, x), curve.slope(paper, x)
    j = np.hstack([slopes_by_parameters(c, theta, x), s[:, None] * part])
    v = np.diag(c.patch_variance(patches, d)) + dose_covariance(patches) * np.outer(s, s)
    return j, v, np.array([p.density for p in patches]) - d


def _many(c: Calibration, patches: Sequence[Patch], theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(k, n) densities and (k, n, p) derivatives of patches for k sets of parameters."""
    _, part = _doses(c.names, patches, c.theta)
    x = np.array([p.ln_dose for p in patches]) + theta[:, curve.SIZE :] @ part.T
    paper = paper_of(theta, c.top)
    s = curve.slope(paper, x)
    return curve.density(paper, x), np.concatenate([slopes_by_parameters(c, theta, x), s[..., None] * part], axis=-1)


def _draw(c: Calibration, half: np.ndarray, rows: np.ndarray, targets: np.ndarray) -> np.ndarray:
    """Draws of the parameters: the fit repeated on data and priors moved by their own errors.

    So all draws still pass through the steps as nearly as the steps ask; a normal distribution of the parameters alone
    would not (randomised maximum likelihood: D. S. Oliver, N. He, A. C. Reynolds, 1996, from memory).
    """
    rng = np.random.default_rng(DRAWS)
    whiten = np.linalg.inv(half)
    seen = whiten @ np.array([p.density for p in c.patches]) + rng.standard_normal((DRAWS, len(c.patches)))
    wanted = targets + rng.standard_normal((DRAWS, len(targets)))
    theta = np.repeat(c.theta[None], DRAWS, axis=0)
    damping, cost, active = np.full(DRAWS, 1e-3), np.full(DRAWS, np.inf), np.arange(DRAWS)
    a, g = np.empty((DRAWS, theta.shape[1], theta.shape[1])), np.empty(theta.shape)
    trial = theta.copy()
    for _ in range(ROUNDS):
        d, j = _many(c, c.patches, trial[active])
        rest = np.concatenate([seen[active] - d @ whiten.T, wanted[active] - trial[active] @ rows.T], axis=1)
        new = (rest**2).sum(axis=1)
        better = new < cost[active]
        gain = cost[active] - new
        j = whiten @ j
        won = active[better]
        theta[won], cost[won] = trial[won], new[better]
        jt = np.swapaxes(j[better], 1, 2)
        a[won] = jt @ j[better] + rows.T @ rows
        g[won] = (jt @ rest[better, : len(seen[0]), None])[..., 0] + rest[better, len(seen[0]) :] @ rows
        damping[active] = np.where(better, damping[active] / 6, damping[active] * 8)
        active = active[~(better & (gain < 0.01))]
        if not len(active):
            break
        grow = np.maximum(a[active].diagonal(axis1=1, axis2=2), DAMPING) * damping[active, None] + DAMPING
        move = np.linalg.solve(a[active] + grow[:, :, None] * np.eye(theta.shape[1]), g[active][..., None])[..., 0]
        trial[active] = theta[active] + np.clip(move, -2.0, 2.0)
    return theta


def _prior_of(offsets: dict[str, Offset], span: float) -> tuple[np.ndarray, np.ndarray]:
    """Rows and targets of all priors, in standard deviations: the curve's shape, its darkest, the offsets."""
    shape, wanted = curve.prior()
    m = len(offsets)
    rows = np.zeros((len(shape) + 1 + m, curve.SIZE + m))
    rows[: len(shape), : curve.SIZE] = shape
    rows[len(shape), 1] = 1 / TOP_SPREAD
    spread = np.array([o.spread for o in offsets.values()])
    rows[len(shape) + 1 :, curve.SIZE :] = np.diag(1 / spread)
    mean = np.array([o.mean for o in offsets.values()])
    return rows, np.concatenate([wanted, [np.log(TOP_SHARE * span) / TOP_SPREAD], mean / spread])


def fit(
    key: str,
    patches: Sequence[Patch],
    offsets: dict[str, Offset],
    noise: Noise,
    *,
    noise_ratio: float,
    draw: bool = True,
    rounds: int = 40,
) -> Calibration:
    """Fit the curve and the offsets.

    Parameters
    ----------
    key : str
        What shares this curve's errors.
    patches : sequence of Patch
        Steps and glass-only patches; at least three different doses.
    offsets : mapping of name to Offset
    noise : Noise
    noise_ratio : float
        Variance of patch means against what the noise foretells. [1]
    draw : bool
        Draw parameters too; not needed where only the misfit is.

    Source
    ------
    Levenberg-Marquardt on whitened residuals with the priors as further residuals (Bayesian least squares, JCGM 100
    annex H.3 generalised; errors in the dose by effective variance, e.g. Fuller, Measurement Error Models, 1987, from
    memory).
    """
    names = tuple(sorted(offsets))
    steps = sorted((p for p in patches if np.isfinite(p.density)), key=lambda p: (p.ln_dose, p.density, p.strip))
    order = np.argsort([p.ln_dose for p in steps])
    first = curve.start(np.array([steps[i].ln_dose for i in order]), np.array([steps[i].density for i in order]))
    darkest = max(steps, key=lambda p: p.density)
    top = darkest.density - 3 * float(np.sqrt(noise_ratio * noise.variance(darkest.density, darkest.area)))
    span = max(darkest.density - min(p.density for p in steps), 0.02)
    first[1] = np.log(max(first[1] - top, 0.02 * span))
    theta = np.concatenate([first, [offsets[n].mean for n in names]])
    empty = np.zeros((len(theta), len(theta)))
    c = Calibration(key, theta, top, names, offsets, empty, noise, tuple(steps), 0.0, 0.0, noise_ratio)
    rows, targets = _prior_of({n: offsets[n] for n in names}, span)

    def objective(t: np.ndarray) -> tuple[float, np.ndarray, np.ndarray, float]:
        j, v, rest = _linear(c, steps, t)
        half = np.linalg.cholesky(v)
        rest, j = np.linalg.solve(half, rest), np.linalg.solve(half, j)
        prior = targets - rows @ t
        data = float(rest @ rest)
        logdet = 2 * float(np.log(np.diag(half)).sum())
        return data + float(prior @ prior) + logdet, np.vstack([j, rows]), np.concatenate([rest, prior]), data

    damping, converged = 1e-2, False
    value, j, rest, data = objective(theta)
    for _ in range(rounds):
        a = j.T @ j
        move = np.linalg.solve(a + damping * np.diag(np.diag(a)) + DAMPING * np.eye(len(a)), j.T @ rest)
        trial = theta + np.clip(move, -1.0, 1.0)
        new = objective(trial)
        if new[0] < value + 1e-9:
            done = abs(value - new[0]) < 1e-7 and np.abs(trial - theta).max() < 1e-5
            theta, (value, j, rest, data), damping = trial, new, max(damping / 5, 1e-9)
            if done:
                converged = True
                break
        else:
            damping *= 6
            if damping > 1e8:
                converged = True
                break
    information = j.T @ j + DAMPING * np.eye(len(theta))
    information[2, 2] += 1e12  # the knots' reference is a constant
    data_part = j[: len(steps)]
    used = float(np.trace(np.linalg.solve(information, data_part.T @ data_part)))
    c = replace(
        c, theta=theta, information=information, misfit=data, dof=max(len(steps) - used, 0.0), converged=converged
    )
    half = np.linalg.cholesky(_linear(c, steps, theta)[1])
    return replace(c, drawn=_draw(c, half, rows, targets)) if draw else c
