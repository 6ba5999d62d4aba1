"""How evenly a picture is lit, from what should be equally white or equally blue in it.

The logarithm of the light is a quadratic surface plus a smooth random surface; how much of each there is, the picture
itself decides (marginal likelihood). An evenly lit scan so gets no correction, and so no error from one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

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
    v = amplitude**2 * kernel + np.eye(n)
    lower = np.linalg.cholesky(v)
    a = np.linalg.solve(lower, design)
    b = np.linalg.solve(lower, log)
    q, r = np.linalg.qr(a)
    beta = np.linalg.solve(r, q.T @ b)
    rest = b - a @ beta
    variance = float((rest**2).mean(axis=1).sum() / (n - p))
    logdet = 2 * np.log(np.diag(lower)).sum() + 2 * np.log(np.abs(np.diag(r))).sum()
    score = -0.5 * (logdet + (n - p) * np.log(variance))
    alpha = np.linalg.solve(lower.T, rest) * amplitude**2
    return float(score), float(np.sqrt(variance)), np.vstack([beta, alpha])


def from_patches(
    places: np.ndarray, log: np.ndarray, patch: np.ndarray, *, unit: float, expected: float = 0.1
) -> Light:
    """Light from the slopes inside patches that should each be even.

    Used where nothing white lies around the strips. Each patch keeps a level of its own; a quadratic surface common
    to all is left. Slopes that the patches' own unevenness explains give no correction.

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
        Standard deviation, taken beforehand, of the light's slope over one unit. [ln]
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
    cov = inverse @ middle @ inverse * len(names) / max(len(names) - 5, 1)
    prior = np.diag(np.full(5, expected**2))
    shrunk = prior @ np.linalg.solve(prior + cov, beta)
    surprise = float(beta @ np.linalg.solve(cov + 1e-12 * np.eye(5), beta))
    if surprise < 15.1:  # chi-square, 5 degrees of freedom, 1 %
        return even()
    y = np.concatenate([b for _, b in free])
    x = np.concatenate([a for a, _ in free])
    scatter = float((y - (x @ shrunk)[:, None]).std())
    weights = np.repeat(np.concatenate([[0.0], shrunk])[:, None], 3, axis=1)
    left = float(np.sqrt(np.trace(cov @ prior @ np.linalg.inv(prior + cov))) * 0.5)
    return Light(origin, unit, weights, np.zeros((0, 2)), 1.0, scatter, "patches", left)


def _quadratic(p: np.ndarray) -> np.ndarray:
    x, y = p[:, 0], p[:, 1]
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def _gauss(a: np.ndarray, b: np.ndarray, reach: float) -> np.ndarray:
    d2 = ((a[:, None] - b[None]) ** 2).sum(axis=-1)
    return np.exp(-0.5 * d2 / reach**2)


def _bumps(p: np.ndarray, centres: np.ndarray, reach: float) -> np.ndarray:
    return _gauss(p, centres, reach) if len(centres) else np.zeros((len(p), 0))
