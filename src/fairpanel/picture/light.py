"""How evenly a picture is lit, from what should be equally white or equally blue in it.

The logarithm of the light is a quadratic surface plus a smooth random surface; how much of each there is, the picture
itself decides (marginal likelihood). An evenly lit scan so gets no correction, and so no error from one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import cholesky, solve_triangular

#: Standard deviations of the smooth surface that are tried, as multiples of the scatter of one sample.
AMPLITUDES = (0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0)


@dataclass(frozen=True)
class Light:
    """Natural logarithm of the light over a picture, up to a constant.

    Parameters
    ----------
    origin, unit : (2,) array, float
        Places are scaled as (place - origin) / unit.
    weights : (6 + m, 3) array
        Of the quadratic terms and of the smooth surface's m centres.
    centres : (m, 2) array
        Scaled places.
    reach : float
        Length over which the smooth surface forgets. [units]
    scatter : float
        Standard deviation of one sample around the surface. [ln]
    source : {"even", "white", "patches"}
        What it was found from.
    left_over : float
        Standard deviation of what the surface does not follow, over the length of a patch. [ln]
    """

    origin: np.ndarray
    unit: float
    weights: np.ndarray
    centres: np.ndarray
    reach: float
    scatter: float
    source: str
    left_over: float = 0.0

    def at(self, places: np.ndarray) -> np.ndarray:
        """ln of the light in each channel.

        Parameters
        ----------
        places : (..., 2) array
            [px]

        Returns
        -------
        (..., 3) array
        """
        flat = (np.asarray(places, float).reshape(-1, 2) - self.origin) / self.unit
        design = np.hstack([_quadratic(flat), _bumps(flat, self.centres, self.reach)])
        return (design @ self.weights).reshape(*np.shape(places)[:-1], 3)

    def trend(self, places: np.ndarray) -> np.ndarray:
        """The quadratic part of `at`: what may be trusted between samples that lie far apart."""
        flat = (np.asarray(places, float).reshape(-1, 2) - self.origin) / self.unit
        return (_quadratic(flat) @ self.weights[:6]).reshape(*np.shape(places)[:-1], 3)


def even() -> Light:
    """Light that is the same everywhere."""
    return Light(np.zeros(2), 1.0, np.zeros((6, 3)), np.zeros((0, 2)), 1.0, 0.0, "even")


def from_white(places: np.ndarray, white: np.ndarray, *, unit: float, tries: int = 3) -> Light:
    """Light from samples of something equally white all over.

    Parameters
    ----------
    places : (n, 2) array
        [px]
    white : (n, 3) array
        Linear light of the samples; n of at least 12.
    unit : float
        Length over which the light may bend: about the width of a strip. [px]
    tries : int
        Rounds of leaving out samples that the others contradict (print, dirt).
    """
    origin = places.mean(axis=0)
    log = np.log(np.maximum(white, 1e-6))
    keep = np.ones(len(places), bool)
    for _ in range(tries):
        model = _best_surface(places[keep], log[keep], origin, unit)
        residual = np.abs(log - model.at(places)).max(axis=1)
        limit = max(4.5 * 1.4826 * float(np.median(residual[keep])), 0.01)
        new = residual < limit
        if (new == keep).all() or new.sum() < 12:
            break
        keep = new
    return model


def _best_surface(places: np.ndarray, log: np.ndarray, origin: np.ndarray, unit: float) -> Light:
    scaled = (places - origin) / unit
    design = _quadratic(scaled)
    best: tuple[float, float, float, np.ndarray, np.ndarray] | None = None
    for reach in (1.2, 2.5):
        kernel = _gauss(scaled, scaled, reach)
        for amplitude in AMPLITUDES:
            if amplitude == 0.0 and best is not None and reach > 1.2:
                continue
            score, scatter, weights = _surface(design, kernel, log, amplitude)
            if best is None or score > best[0]:
                best = (score, reach, scatter, weights, scaled if amplitude else scaled[:0])
    assert best is not None
    _, reach, scatter, weights, centres = best
    return Light(origin, unit, weights[: 6 + len(centres)], centres, reach, scatter, "white")


def _surface(
    design: np.ndarray, kernel: np.ndarray, log: np.ndarray, amplitude: float
) -> tuple[float, float, np.ndarray]:
    """Restricted likelihood, scatter and weights for one amplitude; the channels share the surface's kind."""
    n, p = design.shape
    if amplitude:
        v = amplitude**2 * kernel
        v.flat[:: n + 1] += 1.0
        lower = cholesky(v, lower=True, overwrite_a=True, check_finite=False)
        both = solve_triangular(lower, np.hstack([design, log]), lower=True, check_finite=False)
        a, b = both[:, :p], both[:, p:]
    else:
        lower, a, b = None, design, log
    q, r = np.linalg.qr(np.vstack([a, _bend_held(design)]))
    beta = np.linalg.solve(r, q[:n].T @ b)
    rest = b - a @ beta
    variance = float((rest**2).mean(axis=1).sum() / (n - p))
    logdet = 2 * np.log(np.abs(np.diag(r))).sum() + (2 * np.log(np.diag(lower)).sum() if lower is not None else 0.0)
    score = -0.5 * (logdet + (n - p) * np.log(variance))
    if lower is None:
        return float(score), float(np.sqrt(variance)), beta
    alpha = solve_triangular(lower, rest, lower=True, trans=1, check_finite=False) * amplitude**2
    return float(score), float(np.sqrt(variance)), np.vstack([beta, alpha])


def _bend_held(design: np.ndarray) -> np.ndarray:
    """(3, 6) rows that hold the bend to nothing where samples on two lines alone could not tell it from the level."""
    held = np.zeros((3, 6))
    held[:, 3:] = np.diag(1e-3 * np.maximum(np.linalg.norm(design[:, 3:], axis=0), 1e-9))
    return held


def from_patches(
    places: np.ndarray, log: np.ndarray, patch: np.ndarray, *, unit: float, expected: float = 0.1
) -> Light:
    """Light from the slopes inside patches that should each be even.

    Used where nothing white lies around the strips. Each patch keeps a level of its own; a quadratic surface common
    to all is left. How steep such slopes are, the picture decides; those that the patches' own unevenness explains give
    no correction, but what they may be is said in `left_over`.

    Parameters
    ----------
    places : (n, 2) array
        Of blocks. [px]
    log : (n, 3) array
        ln of their light.
    patch : (n,) array of int
        Which patch each block belongs to.
    unit : float
        Size of the picture's strips as a whole. [px]
    expected : float
        Standard deviation, taken beforehand, of the light's slope over one unit, to within a factor of some. [ln]
    """
    origin = places.mean(axis=0)
    design = _quadratic((places - origin) / unit)[:, 1:]
    names = np.unique(patch)
    grams, slopes, free = [], [], []
    for name in names:
        inside = patch == name
        x = design[inside] - design[inside].mean(axis=0)
        y = log[inside] - log[inside].mean(axis=0)
        grams.append(x.T @ x)
        slopes.append(x.T @ y.mean(axis=1))
        free.append((x, y))
    g, s = np.sum(grams, axis=0), np.sum(slopes, axis=0)
    ridge = np.eye(5) * 1e-6 * np.trace(g)
    beta = np.linalg.solve(g + ridge, s)
    # each patch's own unevenness, as the patches show it: a sandwich over patches
    scores = [si - gi @ beta for gi, si in zip(grams, slopes, strict=True)]
    middle = sum(np.outer(x, x) for x in scores)
    inverse = np.linalg.inv(g + ridge)
    m = len(names)
    # so few patches make their own spread unsure; Hotelling's T squared has this mean, not that of a chi-square
    cov = inverse @ middle @ inverse * m / max(m - 5, 1) * (m - 1) / max(m - 7, 1)
    even_share, shrunk, left_cov = _shrunk(beta, cov, expected)
    left = float(np.sqrt(np.trace(left_cov)) * 0.5)
    if even_share > 0.5:
        return replace(even(), left_over=left)
    y = np.concatenate([b for _, b in free])
    x = np.concatenate([a for a, _ in free])
    scatter = float((y - (x @ shrunk)[:, None]).std())
    weights = np.repeat(np.concatenate([[0.0], shrunk])[:, None], 3, axis=1)
    return Light(origin, unit, weights, np.zeros((0, 2)), 1.0, scatter, "patches", left)


def _shrunk(beta: np.ndarray, cov: np.ndarray, expected: float) -> tuple[float, np.ndarray, np.ndarray]:
    """Slopes as far as they are believed.

    The slopes' own spread, from none up to twice the expected, is weighed by how likely it makes what was seen.

    Returns
    -------
    float, (5,), (5, 5)
        Weight of no slope at all; mean and covariance of the slopes.
    """
    spreads = expected * np.array([0.0, 0.125, 0.25, 0.5, 1.0, 2.0])
    means, covs, scores = [], [], []
    for spread in spreads:
        prior = spread**2 * np.eye(len(beta))
        whole = prior + cov + 1e-12 * np.eye(len(beta))
        gain = np.linalg.solve(whole, prior).T
        means.append(gain @ beta)
        covs.append(prior - gain @ prior)
        scores.append(-0.5 * (beta @ np.linalg.solve(whole, beta) + np.linalg.slogdet(whole)[1]))
    weight = np.exp(np.array(scores) - max(scores))
    weight /= weight.sum()
    mean = weight @ np.array(means)
    between = np.array(means) - mean
    return float(weight[0]), mean, np.einsum("k,kij->ij", weight, covs) + (between.T * weight) @ between


def _quadratic(p: np.ndarray) -> np.ndarray:
    x, y = p[:, 0], p[:, 1]
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def _gauss(a: np.ndarray, b: np.ndarray, reach: float) -> np.ndarray:
    dx, dy = a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1]
    return np.exp((dx * dx + dy * dy) * (-0.5 / reach**2))


def _bumps(p: np.ndarray, centres: np.ndarray, reach: float) -> np.ndarray:
    return _gauss(p, centres, reach) if len(centres) else np.zeros((len(p), 0))
