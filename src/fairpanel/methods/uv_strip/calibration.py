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

from fairpanel.estimate.fitting import Fit
from fairpanel.estimate.fitting import fit as least_squares
from fairpanel.methods.uv_strip import curve
from fairpanel.methods.uv_strip.noise import Noise

#: Distance of full exposure from the darkest step, as a share of the steps' range, and the spread of its logarithm.
TOP_SHARE, TOP_SPREAD = 0.15, 1.2

#: Draws of the parameters; also their seed: same input, same output.
DRAWS = 400

#: Most times the fit is repeated with the errors as they are at its outcome: those in the dose matter most on slopes.
REWEIGHTED = 10

#: A fit that its last round moved by more than this has not settled. In standard errors of all parameters together;
#: less cannot be asked, since the curve has corners at its knots.
STILL_MOVES = 0.05

#: Firmness of what is not fitted at all: the knots' reference.
FIXED = 1e3

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
    span : float
        Range of density of the patches.
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
    span: float
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
        rest = np.array([p.density for p in own]) - _curves(self, own, self.drawn)[0]
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


def _linear(c: Calibration, patches: Sequence[Patch], theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Jacobian, covariance and residual of patches at theta."""
    (d,), (j,), (s,) = _curves(c, patches, theta[None])
    v = np.diag(c.patch_variance(patches, d)) + dose_covariance(patches) * np.outer(s, s)
    return j, v, np.array([p.density for p in patches]) - d


def _curves(c: Calibration, patches: Sequence[Patch], theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(k, n) densities, (k, n, p) derivatives and (k, n) slopes along ln(dose) of patches for k sets of parameters."""
    part = np.array([[float(n in p.offsets) for n in c.names] for p in patches]).reshape(len(patches), len(c.names))
    x = np.array([p.ln_dose for p in patches]) + theta[:, curve.SIZE :] @ part.T
    paper = paper_of(theta, c.top)
    s = curve.slope(paper, x)
    j = np.concatenate([slopes_by_parameters(c, theta, x), s[..., None] * part], axis=-1)
    return curve.density(paper, x), j, s


def _fitted(
    c: Calibration,
    priors: tuple[np.ndarray, np.ndarray],
    seen: np.ndarray,
    start: np.ndarray,
    *,
    settled: float,
    most_steps: int = 200,
) -> Fit:
    """Fits to (..., n) densities and (..., r) targets of the priors, with the errors as they are at c.theta."""
    rows, targets = priors
    whiten = np.linalg.inv(np.linalg.cholesky(_linear(c, c.patches, c.theta)[1]))

    def model(theta: np.ndarray) -> np.ndarray:
        return np.concatenate([_curves(c, c.patches, theta)[0] @ whiten.T, theta @ rows.T], axis=-1)

    def jacobian(theta: np.ndarray) -> np.ndarray:
        own = whiten @ _curves(c, c.patches, theta)[1]
        return np.concatenate([own, np.broadcast_to(rows, (len(theta), *rows.shape))], axis=1)

    observed = np.concatenate([seen @ whiten.T, targets], axis=-1)
    return least_squares(
        model,
        start,
        observed,
        uncertainty=np.ones(observed.shape[-1]),
        jacobian=jacobian,
        most_steps=most_steps,
        settled=settled,
    )


def _draw(c: Calibration, priors: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Draws of the parameters: the fit repeated on data and priors moved by their own errors.

    So all draws still pass through the steps as nearly as the steps ask; a normal distribution of the parameters alone
    would not (randomised maximum likelihood: D. S. Oliver, N. He, A. C. Reynolds, 1996, from memory).
    """
    rng, (rows, targets) = np.random.default_rng(DRAWS), priors
    half = np.linalg.cholesky(_linear(c, c.patches, c.theta)[1])
    seen = np.array([p.density for p in c.patches]) + rng.standard_normal((DRAWS, len(c.patches))) @ half.T
    wanted = targets + rng.standard_normal((DRAWS, len(targets)))
    start = np.repeat(c.theta[None], DRAWS, axis=0)
    return _fitted(c, (rows, wanted), seen, start, most_steps=20, settled=1e-3).parameters


def _prior_of(offsets: dict[str, Offset], span: float, *, reference: float) -> tuple[np.ndarray, np.ndarray]:
    """Rows and targets of all priors, in standard deviations: the curve's shape, its darkest, its reference (which is
    not fitted), the offsets."""
    shape, wanted = curve.prior()
    m, n = len(offsets), len(shape)
    rows = np.zeros((n + 2 + m, curve.SIZE + m))
    rows[:n, : curve.SIZE] = shape
    rows[n, 1] = 1 / TOP_SPREAD
    rows[n + 1, 2] = FIXED
    spread = np.array([o.spread for o in offsets.values()])
    rows[n + 2 :, curve.SIZE :] = np.diag(1 / spread)
    mean = np.array([o.mean for o in offsets.values()])
    own = [np.log(TOP_SHARE * span) / TOP_SPREAD, FIXED * reference]
    return rows, np.concatenate([wanted, own, mean / spread])


def _in_order(patches: Sequence[Patch]) -> list[Patch]:
    """Patches that were measured, in an order of their own: what is fitted does not hang on the order of rows."""
    return sorted((p for p in patches if np.isfinite(p.density)), key=lambda p: (p.ln_dose, p.density, p.strip))


def fit(
    key: str,
    patches: Sequence[Patch],
    offsets: dict[str, Offset],
    noise: Noise,
    *,
    noise_ratio: float,
    draw: bool = True,
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
    Least squares of whitened residuals with the priors as further observations (Bayesian least squares, JCGM 100
    annex H.3 generalised; errors in the dose by effective variance, e.g. Fuller, Measurement Error Models, 1987, from
    memory).
    """
    names = tuple(sorted(offsets))
    steps = _in_order(patches)
    order = np.argsort([p.ln_dose for p in steps])
    first = curve.start(np.array([steps[i].ln_dose for i in order]), np.array([steps[i].density for i in order]))
    darkest = max(steps, key=lambda p: p.density)
    top = darkest.density - 3 * float(np.sqrt(noise_ratio * noise.variance(darkest.density, darkest.area)))
    span = max(darkest.density - min(p.density for p in steps), 0.02)
    first[1] = np.log(max(first[1] - top, 0.02 * span))
    theta = np.concatenate([first, [offsets[n].mean for n in names]])
    empty = np.zeros((len(theta), len(theta)))
    c = Calibration(key, theta, top, span, names, offsets, empty, noise, tuple(steps), 0.0, 0.0, noise_ratio)
    priors = _prior_of({n: offsets[n] for n in names}, span, reference=theta[2])
    seen = np.array([p.density for p in steps])
    for _ in range(REWEIGHTED):
        before = c.theta
        c = replace(c, theta=_fitted(c, priors, seen, before, settled=1e-10).parameters)
        j, v, rest = _linear(c, steps, c.theta)
        weighted = j.T @ np.linalg.inv(v)
        information = weighted @ j + priors[0].T @ priors[0]
        moved = float(np.sqrt((c.theta - before) @ information @ (c.theta - before)))
        if moved <= STILL_MOVES:
            break
    c = replace(
        c,
        information=information,
        misfit=float(rest @ np.linalg.solve(v, rest)),
        dof=max(len(steps) - float(np.trace(np.linalg.solve(information, weighted @ j))), 0.0),
        converged=moved <= STILL_MOVES,
    )
    return replace(c, drawn=_draw(c, priors)) if draw else c


def likelihoods(
    c: Calibration, patches: Sequence[Patch], offsets: dict[str, Offset], noise_ratios: np.ndarray
) -> np.ndarray:
    """(k,) logarithms of the likelihood of a curve's densities, were their errors others than it was fitted with.

    Parameters
    ----------
    c : Calibration
        Its curve is taken for linear in its parameters, and these are integrated over their priors.
    patches, offsets
        As for `fit`: the same ones, with other uncertainties.
    noise_ratios : (k,) array
        Variances of patch means against what the noise foretells. [1]

    Returns
    -------
    (k,) array
        Apart from a constant that depends on the curve alone.
    """
    patches = _in_order(patches)
    rows, targets = _prior_of({n: offsets[n] for n in c.names}, c.span, reference=c.theta[2])
    (d,), (j,), (s,) = _curves(c, patches, c.theta[None])
    own = np.stack([replace(c, noise_ratio=r).patch_variance(patches, d) for r in noise_ratios])
    half = np.linalg.cholesky(own[:, :, None] * np.eye(len(d)) + dose_covariance(patches) * np.outer(s, s))
    rest, off = np.array([p.density for p in patches]) - d, targets - rows @ c.theta
    white = np.linalg.solve(half, np.column_stack([j, rest]))
    j, rest = white[:, :, :-1], white[:, :, -1:]
    jt = np.swapaxes(j, 1, 2)
    whole = np.linalg.cholesky(jt @ j + rows.T @ rows)
    moved = np.linalg.solve(whole, jt @ rest + (rows.T @ off)[:, None])
    misfit = (rest**2).sum(axis=(1, 2)) + off @ off - (moved**2).sum(axis=(1, 2))
    sizes = sum(np.log(np.diagonal(x, axis1=1, axis2=2)).sum(axis=1) for x in (half, whole))
    return -0.5 * misfit - sizes - sum(np.log(offsets[n].spread) for n in c.names)
