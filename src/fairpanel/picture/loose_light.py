"""How evenly loose strips are lit: what the ground around them and the strips themselves say, taken together.

A ground shows the light all over the picture, but no ground is equally light all over, and one much darker than the
paper is bent by the camera's tone curve. Inside the patches the same light falls on paper that should be even, but few
and small patches tell little. Each is weighed by what it is worth. Broad slopes come from both. What the ground shows
beyond a smooth slope (a soft shadow, or its own colour) counts as light as far as the patches follow it. What stays
open is carried as a covariance, so that every patch's error can be stated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from fairpanel.picture import light
from fairpanel.picture.light import Light, bumps, quadratic
from fairpanel.picture.sampling import Blocks

#: Slope of ln(light) over a third of the picture's diagonal: standard deviations tried, as multiples of the expected.
SPREADS = np.array([0.0, 0.125, 0.25, 0.5, 1.0, 2.0])
EXPECTED = 0.1
#: How far the tone curve may stretch or press a ground's slopes against the paper's, for each factor e of their tones.
TONE_GAIN = 0.12
#: Scattered light over a picture differs by this share of white from place to place; on a dark ground it counts more.
VEIL = 0.0005
#: Of what a ground shows beyond its slopes this share is light, before the patches are asked. [1]
LIGHT_SHARE, SHARE_SPREAD = 0.4, 0.4
#: Degrees of freedom of the t distribution of patches' own slopes: some are far more uneven than others.
HEAVY_TAIL = 4.0
#: Fewest patches whose slopes are looked at.
FEWEST = 4
#: Terms of place, without the level.
TERMS = 5


@dataclass(frozen=True)
class Ground:
    """Samples of the ground around strips.

    Parameters
    ----------
    places : (n, 2) array
        [px]
    light : (n, 3) array
        Linear light.
    white : bool
        It is pale and even enough for densities to be counted from it.
    """

    places: np.ndarray
    light: np.ndarray
    white: bool


@dataclass(frozen=True)
class LooseLight(Light):
    """Light over loose strips, with how well it is known.

    Parameters
    ----------
    covariance : (6, 6) array
        Of the five terms of place and of the share of the ground's rest that is light.
    rest_weights : (m,) array
        Of the ground's rest, at the centres. [ln]
    middle : (6,) array
        Terms of all patches' middle: only differences between patches matter.
    sharp : (n,) array
        What the samples of the ground are over the smooth surface through them. [ln]
    """

    covariance: np.ndarray = field(default_factory=lambda: np.zeros((TERMS + 1, TERMS + 1)))
    rest_weights: np.ndarray = field(default_factory=lambda: np.zeros(0))
    middle: np.ndarray = field(default_factory=lambda: np.zeros(TERMS + 1))
    sharp: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def error(self, places: np.ndarray) -> float:
        """Standard uncertainty of the mean light at places, against that at the middle of all patches. [ln]

        Parameters
        ----------
        places : (n, 2) array
            [px]
        """
        apart = self.terms(places).mean(axis=0) - self.middle
        return float(np.sqrt(max(apart @ self.covariance @ apart, 0.0)))

    def terms(self, places: np.ndarray) -> np.ndarray:
        """(n, 6) the terms of place and the ground's rest at n places."""
        flat = (np.asarray(places, float) - self.origin) / self.unit
        rest = bumps(flat, self.centres, self.reach) @ self.rest_weights
        return np.column_stack([quadratic(flat)[:, 1:], rest])


def over_strips(patches: Sequence[Blocks], ground: Ground | None, *, width: float, diagonal: float) -> LooseLight:
    """Light over the patches of loose strips.

    Parameters
    ----------
    patches : sequence of Blocks
    ground : Ground or None
    width : float
        Typical width of a strip: over so much the light may bend. [px]
    diagonal : float
        Of the picture. [px]
    """
    seen = None if ground is None else light.from_white(ground.places, ground.light, unit=width)
    flat = _flat(patches, width) if seen is None else _on_ground(seen)
    middles = np.array([b.places.reshape(-1, 2).mean(axis=0) for b in patches])
    middle = flat.terms(middles).mean(axis=0)
    slopes = _slopes(patches, flat)
    evidence = [] if slopes is None else [(np.eye(TERMS + 1), *slopes)]
    tint = np.zeros((TERMS, 3))
    if ground is not None and seen is not None:
        own = seen.weights[1 : TERMS + 1]
        tint = own - own.mean(axis=1, keepdims=True)
        evidence.append((np.eye(TERMS, TERMS + 1), own.mean(axis=1), _ground_covariance(seen, ground, patches)))
    mean, covariance = _weighed(evidence, np.array([width / (diagonal / 3)] * 2 + [(width / (diagonal / 3)) ** 2] * 3))
    weights = np.vstack(
        [np.zeros(3), mean[:TERMS, None] + tint, *([] if seen is None else [mean[TERMS] * seen.weights[6:]])]
    )
    if ground is not None and ground.white:
        model = Light(flat.origin, width, weights, flat.centres, flat.reach, 0.0, "white")
        weights[0] = np.median(np.log(np.maximum(ground.light, 1e-6)) - model.at(ground.places), axis=0)
    return LooseLight(
        flat.origin,
        width,
        weights,
        flat.centres,
        flat.reach,
        0.0 if seen is None else seen.scatter,
        "patches" if ground is None else "white" if ground.white else "ground",
        covariance=covariance,
        rest_weights=flat.rest_weights,
        middle=middle,
        sharp=np.zeros(0) if ground is None or seen is None else _over(ground, seen),
    )


def _over(ground: Ground, seen: Light) -> np.ndarray:
    return (np.log(np.maximum(ground.light, 1e-6)) - seen.at(ground.places))[:, 1]


def _flat(patches: Sequence[Blocks], width: float) -> LooseLight:
    origin = np.concatenate([b.places.reshape(-1, 2) for b in patches]).mean(axis=0)
    return LooseLight(origin, width, np.zeros((6, 3)), np.zeros((0, 2)), 1.0, 0.0, "patches")


def _on_ground(seen: Light) -> LooseLight:
    rest = seen.weights[6:].mean(axis=1)
    return LooseLight(seen.origin, seen.unit, seen.weights, seen.centres, seen.reach, 0.0, "ground", rest_weights=rest)


# ---- what each has to say --------------------------------------------------------------------------------------


def _slopes(patches: Sequence[Blocks], flat: LooseLight) -> tuple[np.ndarray, np.ndarray] | None:
    """Terms that the patches' inner slopes ask for, and their covariance: a regression with heavy tails, in which each
    channel counts as much as it is quiet."""
    usable = [b for b in patches if b.light.min() > 1e-3]
    if len(usable) < FEWEST:
        return None
    rises = [_rises(b, flat) for b in usable]
    x, y = np.concatenate([r[0] for r in rises]), np.concatenate([r[1] for r in rises])
    quiet = np.array([1 / _robust(x, y[:, k])[2] ** 2 for k in range(3)])
    mean, inverse, spread = _robust(x, y @ (quiet / quiet.sum()))
    return mean, inverse * spread**2 * len(y) / max(len(y) - TERMS - 1, 1)


def _rises(b: Blocks, flat: LooseLight) -> tuple[np.ndarray, np.ndarray]:
    """(2, 6) rise of each term over a patch, along and across it, and (2, 3) rise of ln of its light."""
    rows, columns = b.light.shape[:2]
    v, u = np.meshgrid(np.linspace(-0.5, 0.5, rows), np.linspace(-0.5, 0.5, columns), indexing="ij")
    design = np.column_stack([np.ones(v.size), v.ravel(), u.ravel()])
    log = np.log(b.light).reshape(-1, 3)
    rest = log - design @ np.linalg.lstsq(design, log, rcond=None)[0]
    off = np.abs(rest - np.median(rest, axis=0))
    keep = (off < 4 * 1.4826 * np.median(off, axis=0) + 0.003).all(axis=1)
    if keep.mean() < 0.5:
        keep[:] = True
    both = np.column_stack([flat.terms(b.places.reshape(-1, 2)), log])
    found = np.linalg.lstsq(design[keep], both[keep], rcond=None)[0][1:]
    return found[:, : TERMS + 1], found[:, TERMS + 1 :]


def _robust(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Coefficients, unscaled covariance and spread of a regression whose errors have a t distribution."""
    ridge = np.diag(1e-9 * (x**2).sum(axis=0) + 1e-12)
    weight = np.ones(len(y))
    for _ in range(12):
        inverse = np.linalg.inv((x.T * weight) @ x + ridge)
        mean = inverse @ ((x.T * weight) @ y)
        rest = y - x @ mean
        spread = max(float(np.sqrt(np.mean(weight * rest**2))), 1e-4)
        weight = (HEAVY_TAIL + 1) / (HEAVY_TAIL + (rest / spread) ** 2)
    return mean, inverse, spread


def _ground_covariance(seen: Light, ground: Ground, patches: Sequence[Blocks]) -> np.ndarray:
    """(5, 5) what the ground's slopes may be off by: its own tone, the tone curve, scattered light."""
    scaled = (ground.places - seen.origin) / seen.unit
    design = quadratic(scaled)
    v = np.eye(len(scaled))
    if len(seen.centres):
        v += seen.amplitude**2 * np.exp(-_squares(scaled) / (2 * seen.reach**2))
    own = np.linalg.inv(design.T @ np.linalg.solve(v, design))[1:, 1:] * seen.scatter**2
    slope = seen.weights[1 : TERMS + 1].mean(axis=1)
    paper = np.median([np.median(b.light[..., 1]) for b in patches])
    lightest = max(float(np.median(b.light[..., 1])) for b in patches)
    level = max(float(np.median(ground.light[:, 1])), 1e-3)
    gain = TONE_GAIN * max(abs(np.log(max(paper, 1e-3) / level)), 0.7)
    size = np.maximum(np.abs(scaled).max(), 1.0) ** -np.array([1.0, 1.0, 2.0, 2.0, 2.0])
    return own + gain**2 * np.outer(slope, slope) + np.diag((VEIL * lightest / level * size) ** 2)


def _squares(p: np.ndarray) -> np.ndarray:
    return ((p[:, None] - p[None]) ** 2).sum(axis=-1)


# ---- weighing --------------------------------------------------------------------------------------------------


def _weighed(
    evidence: Sequence[tuple[np.ndarray, np.ndarray, np.ndarray]], scale: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of the six terms, over all expected spreads, each weighed by how likely it makes what was
    seen.

    Parameters
    ----------
    evidence : sequence of ((k, 6) array, (k,) array, (k, k) array)
        Which terms were seen, as what, with which covariance.
    scale : (5,) array
        Size of each term of place for an expected slope of 1 over a third of the picture.
    """
    before = np.append(np.zeros(TERMS), LIGHT_SHARE)
    spreads = [np.diag(np.append((s * EXPECTED * scale) ** 2 + 1e-14, SHARE_SPREAD**2)) for s in SPREADS]
    if not evidence:
        return before, np.mean(spreads, axis=0)
    h = np.vstack([e[0] for e in evidence])
    z = np.concatenate([e[1] for e in evidence])
    r = np.zeros((len(z), len(z)))
    ends = np.cumsum([0, *(len(e[1]) for e in evidence)])
    for (a, b), e in zip(pairwise(ends), evidence, strict=True):
        r[a:b, a:b] = e[2]
    means, covariances, scores = [], [], []
    for prior in spreads:
        whole = h @ prior @ h.T + r
        off = z - h @ before
        gain = np.linalg.solve(whole, h @ prior).T
        means.append(before + gain @ off)
        covariances.append(prior - gain @ h @ prior)
        scores.append(-0.5 * (off @ np.linalg.solve(whole, off) + np.linalg.slogdet(whole)[1]))
    weight = np.exp(np.array(scores) - max(scores))
    weight /= weight.sum()
    mean = weight @ np.array(means)
    between = np.array(means) - mean
    return mean, np.einsum("k,kij->ij", weight, covariances) + (between.T * weight) @ between
