"""Steps that broad lines of one tone part: printed grey rows, tablets with a frame round every step.

Such a strip shows more changes of tone than it has steps, and its tones go up and down. What tells it is that every
other run has one tone and lies beyond both of its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

#: Width of a line, as shares of the way from one step to the next; thinner ones are taken out of the profile instead.
WIDTHS = (0.1, 0.14, 0.18, 0.22, 0.27, 0.33, 0.4)
#: A line is unlike both of its neighbours by this where it is seen, and so many lines are. [lightness], [1]
LINE, SEEN_LINES = 5.0, 0.55
#: Lines have one tone, and a step has, to within this; tones of the steps may go back by this. [lightness]
MOST_UNLIKE, MOST_UNEVEN, BACKWARDS = 4.0, 2.5, 1.5
#: Fewest steps told by their lines, and least range of their tones. [1], [lightness]
FEWEST, LEAST_RANGE = 4, 12.0
#: How much wider or narrower steps get along the strip: four times how far its middle is moved. [lengths]
BENDS = (0.0, -0.06, 0.06, -0.12, 0.12)
#: Share of a step, and of a line, in whose middle the tone is taken.
MIDDLE, LINE_MIDDLE = 0.7, 0.5


@dataclass(frozen=True)
class Parted:
    """Where n steps begin and end along a profile [samples], (n,) each, and how far the profile is off them."""

    first: np.ndarray
    last: np.ndarray
    misfit: float


def parted_steps(profile: np.ndarray, n: int) -> Parted | None:
    """The n steps along a profile, if broad lines part them.

    Parameters
    ----------
    profile : (m, 3) array
        Tones along the strip. [lightness]
    n : int

    Returns
    -------
    Parted or None
    """
    if n < FEWEST or len(profile) < 8 * n:
        return None
    light = np.asarray(profile, float).mean(axis=1)
    if not _shows_lines(light, n):
        return None
    sums = np.stack([np.concatenate([[0.0], np.cumsum(light**k)]) for k in (1, 2)])
    best: Parted | None = None
    for share in WIDTHS:
        for pitch in len(light) / (n - share) * np.linspace(0.82, 1.0, 19):
            for bend in BENDS:
                found = _best_start(sums, n, pitch, share, bend)
                if found is not None and (best is None or found.misfit < best.misfit):
                    best = found
    return best


def _shows_lines(light: np.ndarray, n: int) -> bool:
    """Whether a profile leaves its wider surroundings, all one way, about as often as n steps have lines between."""
    wide = 2 * round(0.4 * len(light) / n) + 1
    away = light - median_filter(light, size=wide, mode="nearest")
    beyond = max(np.count_nonzero(np.diff((sign * away > LINE).astype(int)) > 0) for sign in (-1, 1))
    return bool(beyond >= SEEN_LINES * (n - 1))


def _best_start(sums: np.ndarray, n: int, pitch: float, share: float, bend: float) -> Parted | None:
    """The place at which steps of one pitch, parted by lines of one width, fit best; `bend` makes those of one end
    wider than those of the other, as a slanted view does."""
    length, m = (n - share) * pitch, sums.shape[1] - 1
    starts = np.arange(0.0, m - length + 0.5, max(1.0, pitch / 20))
    ends = np.stack([np.arange(n), np.arange(n) + 1 - share], axis=1) / (n - share)
    place = length * (ends + bend * ends * (1 - ends))
    first, last = starts[:, None] + place[:, 0], starts[:, None] + place[:, 1]
    step, gap = last - first, first[:, 1:] - last[:, :-1]
    off = (1 - MIDDLE) / 2 * step
    tone, uneven = _mean_and_spread(sums, first + off, last - off)
    off = (1 - LINE_MIDDLE) / 2 * gap
    line, _ = _mean_and_spread(sums, last[:, :-1] + off, first[:, 1:] - off)
    good = _are_steps(tone, uneven) & _are_lines(line, tone)
    if not good.any():
        return None
    _, whole = _mean_and_spread(sums, first, last)
    misfit = np.where(good, np.sqrt(np.mean(whole**2, axis=1)) + 0.3 * line.std(axis=1), np.inf)
    k = int(np.argmin(misfit))
    # wider steps hold more of the profile: of two that fit alike the narrower line is right
    return Parted(first[k], last[k], float(misfit[k] + 4.0 * share))


def _mean_and_spread(sums: np.ndarray, first: np.ndarray, last: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard deviation of the samples between places, from sums of the values and of their squares."""
    m = sums.shape[1] - 1
    a = np.clip(np.round(first), 0, m - 1).astype(int)
    b = np.clip(np.round(last), a + 1, m).astype(int)
    mean, square = ((s[b] - s[a]) / (b - a) for s in sums)
    return mean, np.sqrt(np.maximum(square - mean**2, 0.0))


def _are_steps(tone: np.ndarray, uneven: np.ndarray) -> np.ndarray:
    """(k,) whether the tones are even within the steps and go one way from step to step."""
    whole = tone[:, -1] - tone[:, 0]
    change = np.diff(tone, axis=1) * np.where(whole < 0, -1.0, 1.0)[:, None]
    return (uneven.max(axis=1) < MOST_UNEVEN) & (change.min(axis=1) > -BACKWARDS) & (np.abs(whole) > LEAST_RANGE)


def _are_lines(line: np.ndarray, tone: np.ndarray) -> np.ndarray:
    """(k,) whether what lies between the steps has one tone, beyond that of both neighbours in most places."""
    above = line - np.maximum(tone[:, 1:], tone[:, :-1])
    below = np.minimum(tone[:, 1:], tone[:, :-1]) - line
    seen = np.maximum((above > LINE).mean(axis=1), (below > LINE).mean(axis=1))
    return (seen >= SEEN_LINES) & (np.ptp(line, axis=1) < MOST_UNLIKE)
