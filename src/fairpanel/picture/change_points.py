"""Where a profile of tones changes from one level to the next.

Optimal partition by dynamic programming: of all ways to cut the profile into n runs, the one that leaves
least within them. (The principle is Bellman's; for change points see Jackson et al., "An algorithm for
optimal partitioning of data on an interval", IEEE Signal Processing Letters 12 (2005) 105; from memory, not
seen.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: Share of the profile's length beside an edge that is left out of its runs: the card's soft shadow. [1]
SOFT = 0.013

#: Drift of tone within a run that is let pass over the whole length: uneven light. [lightness]
DRIFT = 5.0

#: Spread of the logarithm of a run's length about the mean length, expected beforehand. It counts against as many
#: samples as hang together, so an edge that can be seen always wins.
LENGTH_SPREAD = 0.25

#: Price of one more run when their number is not known, in variances of the noise and samples of its
#: correlation.
PRICE = 6.0

#: Neighbouring runs nearer in tone than this are not told apart by eye or by us. [lightness]
LEAST_CONTRAST = 1.0

#: A contrast is certain from this many times the unevenness of the coating on, as it shows across the width.
ABOVE_TEXTURE = 3.5

#: A contrast is certain from this many standard errors of the difference.
CERTAIN = 4.0


@dataclass(frozen=True)
class Runs:
    """A profile cut into runs.

    Parameters
    ----------
    edges : (n + 1,) int array
        First sample of each run, and the number of samples.
    levels : (n, channels) array
        Tone of each run.
    contrast : (n - 1,) array
        Size of the change of tone between neighbours. [lightness]
    clear : (n - 1,) array
        The contrast in units of what would just be certain; an edge is visible from 1 on. [1]
    noise : float
        Scatter of the samples about their run, as far as it is quick. [lightness]
    texture : float
        How much the tone wanders from place to place along a strip by itself, judged by how much more one
        side of the width wanders than the other. [lightness]
    samples : int
        In the whole profile.
    """

    edges: np.ndarray
    levels: np.ndarray
    contrast: np.ndarray
    clear: np.ndarray
    noise: float
    texture: float
    samples: int


def noise_of(profile: np.ndarray) -> float:
    """Scatter of a profile within its runs, from differences a little way apart. [lightness]

    The lower third of the differences is used: with twenty patches most of them cross an edge.
    """
    lag = max(2, len(profile) // 80)
    apart = np.abs(profile[lag:] - profile[:-lag])
    spread = np.quantile(apart, 0.33, axis=0) / 0.426 / np.sqrt(2)  # 0.426: the same quantile of a unit normal
    return max(float(np.sqrt(np.mean(spread**2))), 0.2)


def best_runs(profile: np.ndarray, n: int, *, texture: float = 0.0, least_share: float = 0.015) -> Runs:
    """The profile cut into n runs.

    Parameters
    ----------
    profile : (samples, channels) array
        Tones along a strip.
    n : int
        Number of runs.
    texture : float
        Unevenness that is no step: see `Runs.texture`. [lightness]
    least_share : float
        Shortest run, as a share of the profile. [1]

    Raises
    ------
    ValueError
        The profile is too short for n runs.
    """
    samples = len(profile)
    shortest = max(2, int(least_share * samples))
    if n * shortest > samples:
        raise ValueError(f"a profile of {samples} samples is too short for {n} patches")
    noise = noise_of(profile)
    cost = run_costs(profile, noise=noise, shortest=shortest)
    length = np.arange(samples + 1)[None, :] - np.arange(samples)[:, None]
    odd = np.log(np.maximum(length, 0.5) * n / samples) / LENGTH_SPREAD
    uneven = 0.5 * odd**2 * noise**2 * profile.shape[1] * max(2, samples // 40)
    _, edges = _partitions(cost + uneven, n)
    return described(profile, edges[n - 1], noise=noise, texture=texture)


def runs_of_unknown_number(profile: np.ndarray, *, texture: float = 0.0, most: int = 32) -> Runs:
    """The profile cut into as many runs as it shows.

    Parameters
    ----------
    profile : (samples, channels) array
        Tones along a strip.
    texture : float
        Unevenness that is no step: see `Runs.texture`. [lightness]
    most : int
        Greatest number of runs looked for.
    """
    samples, channels = profile.shape
    noise = noise_of(profile)
    shortest = max(2, samples // 60)
    most = max(1, min(most, samples // (shortest + 1)))
    cost = run_costs(profile, noise=noise, shortest=shortest)
    totals, edges = _partitions(cost, most)
    correlated = max(2, samples // 40)
    price = PRICE * correlated * channels * noise**2
    best = int(np.argmin(totals + price * np.arange(most)))
    return merged(profile, edges[best], noise=noise, texture=texture)


def run_costs(profile: np.ndarray, *, noise: float, shortest: int) -> np.ndarray:
    """What is left within each possible run, soft edges left out and a slight drift let pass.

    Returns
    -------
    (samples, samples + 1) array
        Squared deviations of the run from sample i up to sample j; infinite where j - i is too short.
    """
    samples = len(profile)
    place = np.arange(samples) / samples
    centred = profile - profile.mean(axis=0)
    sums = _prefix(np.column_stack([np.ones(samples), place, place**2]))
    tone, tone2, cross = _prefix(centred), _prefix(centred**2), _prefix(centred * place[:, None])
    i, j = np.nonzero(np.arange(samples + 1)[None, :] - np.arange(samples)[:, None] >= shortest)
    guard = np.minimum(round(SOFT * samples), (j - i) // 4)
    a, b = i + guard, j - guard
    count, x, xx = (sums[b] - sums[a]).T
    y, yy, xy = tone[b] - tone[a], tone2[b] - tone2[a], cross[b] - cross[a]
    within = yy - y**2 / count[:, None]
    slope = xy - y * (x / count)[:, None]
    correlated = max(2, samples // 40)
    spread = (xx - x**2 / count)[:, None] + correlated * (noise / DRIFT) ** 2
    left = np.maximum(within - slope**2 / spread, 0.0).sum(axis=1) * (j - i) / count
    cost = np.full((samples, samples + 1), np.inf)
    cost[i, j] = left
    return cost


def _prefix(columns: np.ndarray) -> np.ndarray:
    return np.concatenate([np.zeros((1, columns.shape[1])), np.cumsum(columns, axis=0)])


def _partitions(cost: np.ndarray, most: int) -> tuple[np.ndarray, list[np.ndarray]]:
    """Least total cost for 1 to `most` runs, and the edges of each partition."""
    samples = cost.shape[0]
    reached = cost[0].copy()
    origins = [np.zeros(samples + 1, dtype=int)]
    totals, columns = [reached[samples]], np.arange(samples + 1)
    for _ in range(most - 1):
        through = reached[:samples, None] + cost
        origin = np.argmin(through, axis=0)
        reached = through[origin, columns]
        origins.append(origin)
        totals.append(reached[samples])
    partitions = []
    for runs in range(1, most + 1):
        edges = [samples]
        for k in range(runs - 1, -1, -1):
            edges.append(int(origins[k][edges[-1]]))
        partitions.append(np.array(edges[::-1]))
    return np.array(totals), partitions


def described(profile: np.ndarray, edges: np.ndarray, *, noise: float, texture: float = 0.0) -> Runs:
    """Levels, contrasts and how clear they are, for given edges."""
    n = len(edges) - 1
    levels = np.array([_level(profile, edges[k], edges[k + 1]) for k in range(n)])
    correlated = max(2, len(profile) // 40)
    contrast, clear = np.zeros(n - 1), np.zeros(n - 1)
    for k in range(n - 1):
        before, after = _beside(profile, edges, k + 1)
        contrast[k] = np.linalg.norm(after.mean(axis=0) - before.mean(axis=0)) / np.sqrt(profile.shape[1])
        error = noise * np.sqrt(correlated * (1 / len(before) + 1 / len(after)))
        clear[k] = contrast[k] / max(CERTAIN * error, ABOVE_TEXTURE * texture, LEAST_CONTRAST)
    return Runs(np.asarray(edges), levels, contrast, clear, noise, texture, len(profile))


def _level(profile: np.ndarray, first: int, last: int) -> np.ndarray:
    guard = min(round(SOFT * len(profile)), (last - first) // 4)
    return np.median(profile[first + guard : last - guard], axis=0)


def _beside(profile: np.ndarray, edges: np.ndarray, k: int) -> tuple[np.ndarray, np.ndarray]:
    """Samples on either side of edge k, outside its softness, near enough to ignore uneven light."""
    guard = round(SOFT * len(profile))
    reach = max(6, len(profile) // 12)
    before_guard, after_guard = (
        min(guard, (edges[k] - edges[k - 1]) // 4),
        min(guard, (edges[k + 1] - edges[k]) // 4),
    )
    before = profile[max(edges[k - 1], edges[k] - before_guard - reach) : edges[k] - before_guard]
    after = profile[edges[k] + after_guard : min(edges[k + 1], edges[k] + after_guard + reach)]
    return before, after


def merged(profile: np.ndarray, edges: np.ndarray, *, noise: float, texture: float = 0.0) -> Runs:
    """Neighbours that cannot be told apart made one run, the faintest edge first."""
    left = list(edges)
    while True:
        runs = described(profile, np.array(left), noise=noise, texture=texture)
        if len(left) <= 2 or runs.clear.min() >= 1.0:
            return runs
        del left[int(np.argmin(runs.clear)) + 1]
