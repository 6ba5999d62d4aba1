"""The patches of a strip in a cell of the mat when their number is known: where each begins and ends.

The profile along the cell is cut into n level pieces so that they fit best (dynamic programming over all cuts), with
the page's own tone before and after them. Widths are free, but mildly expected to be equal; where two neighbours hardly
differ, that expectation places the cut, and the cut is said to be uncertain. Off the mat see `patch_edges`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from fairpanel.picture.medians import median
from fairpanel.picture.quadrilaterals import part_of
from fairpanel.picture.strip_in_cell import Lane

#: Least scatter of the profile that is believed. [density]
LEAST_SCATTER = 0.010
#: The page beside a strip scatters by this [density]; samples a millimetre apart hang together over this many.
PAGE_SCATTER, TOGETHER_ON_PAGE = 0.006, 1.5
#: A patch alone on its strip may be this uneven [share of its density]: nothing else on the strip can be meant.
ALONE_UNEVEN = 0.2
#: Print beside the strip costs no more than this.
PAGE_MOST = 80.0
#: Spread of the logarithm of a patch's width around the mean width, and the cost of having a rim.
WIDTH_SPREAD = 0.2
RIM_COST = 3.0
#: A piece this near to the page in all channels [density] is rather page than patch, at this cost.
LIKE_PAGE, LIKE_PAGE_COST = 0.014, 4.0
#: On the mat: widest rim, and what each millimetre of it costs.
WIDEST_RIM_MM, RIM_COST_A_MM = 4, 1.0
#: A cut is certain where the levels beside it differ by this many standard deviations.
CERTAIN = 2.5
#: Beside an uncertain cut this share of the mean width is left out on either side.
MARGIN = 0.2


@dataclass(frozen=True)
class KnownPatches:
    """Patches of a strip.

    Parameters
    ----------
    quads : (n, 4, 2) array
        Start left, start right, end right, end left; drawn in beside uncertain cuts. [px]
    cuts : (n + 1,) array
        Start of the first patch, cuts, end of the last, as shares of the strip's length. [1]
    certain : (n - 1,) bool array
    contrast : (n - 1,) array
        Difference of the levels beside each cut, in the channel where it is greatest. [density]
    """

    quads: np.ndarray
    cuts: np.ndarray
    certain: np.ndarray
    contrast: np.ndarray


def patches_in_lane(lane: Lane, n: int) -> KnownPatches:
    """The n patches of the strip in a cell of the mat, which may be shorter than the cell.

    Parameters
    ----------
    lane : Lane
    n : int
    """
    cuts, certain = cut_on_page(lane.profile, n, unsure=lane.unsure)
    contrast = np.abs(np.diff(_levels(_pieces(lane.profile, cuts)), axis=0)).max(axis=1)
    return KnownPatches(_drawn(lane.outline, cuts, certain), cuts, certain, contrast)


def _drawn(outline: np.ndarray, cuts: np.ndarray, certain: np.ndarray) -> np.ndarray:
    mean = (cuts[-1] - cuts[0]) / (len(cuts) - 1)
    starts, ends = cuts[:-1].copy(), cuts[1:].copy()
    ends[:-1][~certain] -= MARGIN * mean
    starts[1:][~certain] += MARGIN * mean
    return np.array([part_of(outline, left=0.0, right=1.0, start=a, end=b) for a, b in zip(starts, ends, strict=True)])


def cut_on_page(profile: np.ndarray, n: int, *, unsure: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Cuts of a profile of densities over the page's white, with page before and after the strip.

    Parameters
    ----------
    profile : (m, c) array
        The page has density 0.
    n : int
    unsure : float
        How far the page's density may be from 0 by uneven light.

    Returns
    -------
    cuts (n + 1,) as shares of the length, certain (n - 1,)
    """
    m = len(profile)
    profile = _sharpened(profile, reach=2)
    cost = _piece_costs(profile, uneven=ALONE_UNEVEN if n == 1 else 0.0, unsure=unsure) / TOGETHER_ON_PAGE
    unlike = np.minimum(((profile / math.hypot(PAGE_SCATTER, unsure)) ** 2).mean(axis=1), PAGE_MOST)
    page = np.concatenate([[0.0], np.cumsum(unlike)]) / TOGETHER_ON_PAGE
    before = _with_rim(page)
    after = _with_rim((page[-1] - page)[::-1])[::-1]
    cost = cost + _like_page(profile) * LIKE_PAGE_COST
    cuts = np.array(_cheapest_cuts(before, cost, after, n)) / m
    return cuts, _certain(_pieces(profile, cuts))


def _cheapest_cuts(before: np.ndarray, cost: np.ndarray, after: np.ndarray, n: int) -> list[int]:
    """Places of the n + 1 cuts for which page, pieces and page together cost least, over all mean widths."""
    m = len(before) - 1
    place = np.arange(m + 1)
    odd = _odd(np.unique(np.round(np.linspace(0.3 * m / n, m / n, 28), 2)), m)
    if n == 1:  # a single piece has the mean width that suits it best
        odd = odd.min(axis=0, keepdims=True)
    best: tuple[float, list[int]] = (math.inf, [0] * (n + 1))
    ending = np.ascontiguousarray(cost.T)  # by the place where a piece ends: the least is then looked for along memory
    ways = np.empty_like(ending)
    for one in odd:
        # From place i to place j a piece is j - i wide; for j before i the first value, which is infinite, stands.
        of_width = sliding_window_view(np.concatenate([one[::-1], np.full(m, one[0])]), m + 1)[::-1]
        piece = ending + of_width
        total, came = before, []
        for _ in range(n):
            np.add(piece, total, out=ways)
            came.append(ways.argmin(axis=1))
            total = ways[place, came[-1]]
        total = total + after
        end = int(np.argmin(total))
        if total[end] < best[0]:
            cuts = [end]
            for back in reversed(came):
                cuts.append(int(back[cuts[-1]]))
            best = (float(total[end]), cuts[::-1])
    return best[1]


def _odd(means: np.ndarray, most: int) -> np.ndarray:
    """(k, most + 1) what a piece of each width costs for not being as wide as each of k means."""
    width = np.arange(most + 1)
    odd = (np.log(np.maximum(width, 1) / means[:, None]) / WIDTH_SPREAD) ** 2
    odd[width < np.maximum(2, (means / 3).astype(int))[:, None]] = np.inf
    return odd


def _sharpened(profile: np.ndarray, *, reach: int) -> np.ndarray:
    """The profile with soft edges made sharp: every sample takes the tone of the calmer side it is nearer to.

    The card's penumbra would otherwise cost more than a cut in the wrong place.
    """
    out = profile.copy()
    padded = np.pad(profile, ((reach, reach), (0, 0)), mode="edge")
    before, after = padded[: -2 * reach], padded[2 * reach :]
    steep = np.abs(after - before).max(axis=1) > 3 * LEAST_SCATTER
    nearer = np.abs(profile - before).sum(axis=1) <= np.abs(profile - after).sum(axis=1)
    out[steep] = np.where(nearer[:, None], before, after)[steep]
    return out


def _like_page(profile: np.ndarray) -> np.ndarray:
    """(m + 1, m + 1) whether every piece [i, j) has just the page's tone."""
    place = np.arange(len(profile) + 1)
    most = LIKE_PAGE * np.maximum(place[None, :] - place[:, None], 1)
    like = [np.abs(sums) < most for sums in _differences(profile)]
    return np.logical_and.reduce(like)


def _with_rim(page: np.ndarray) -> np.ndarray:
    """Least cost of page up to each place, when a rim of any tone may lie between it and the place."""
    best = page.copy()
    for wide in range(1, WIDEST_RIM_MM + 1):
        best[wide:] = np.minimum(best[wide:], page[:-wide] + RIM_COST + wide * RIM_COST_A_MM)
    return best


def _piece_costs(profile: np.ndarray, *, uneven: float, unsure: float) -> np.ndarray:
    """(m + 1, m + 1) what every piece [i, j) costs as one patch: its squares around its mean, in variances.

    Where the light is unsure, a piece may slope by as much.

    Parameters
    ----------
    profile : (m, c) array
    uneven : float
        Scatter allowed as a share of the piece's own density.
    unsure : float
    """
    places = np.arange(len(profile) + 1)
    count = np.maximum(places[None, :] - places[:, None], 1)
    x = profile - profile.mean(axis=0)
    sums = _differences(x)
    costs = _differences((x**2).sum(axis=1, keepdims=True))[0] - (sums**2).sum(axis=0) / count
    scatter = LEAST_SCATTER**2 + (unsure / 8) ** 2
    if unsure > 0:
        tilt = _differences(x * (places[:-1, None] + 0.5)) - (places[None, :] + places[:, None]) / 2 * sums
        spread = count * (count**2 - 1.0) / 12
        costs = costs - (tilt**2).sum(axis=0) / (spread + scatter * (count / unsure) ** 2)
    if uneven > 0:
        level = np.abs(_differences(profile)).max(axis=0) / count
        scatter = scatter + (uneven * level) ** 2
    costs = np.maximum(costs, 0.0) / scatter / profile.shape[1]
    return np.where(places[None, :] > places[:, None], costs, np.inf)


def _differences(x: np.ndarray) -> np.ndarray:
    """(c, m + 1, m + 1) sums of (m, c) samples over every piece [i, j)."""
    one = np.vstack([np.zeros(x.shape[1]), np.cumsum(x, axis=0)]).T
    return one[:, None, :] - one[:, :, None]


def _pieces(profile: np.ndarray, cuts: np.ndarray) -> list[np.ndarray]:
    """The profile between cuts, less a sixth at either end of each piece."""
    places = np.rint(cuts * len(profile)).astype(int)
    return [profile[a + (b - a) // 6 : b - (b - a) // 6] for a, b in pairwise(places)]


def _levels(pieces: list[np.ndarray]) -> np.ndarray:
    return np.array([median(p, axis=0) for p in pieces])


def _certain(pieces: list[np.ndarray]) -> np.ndarray:
    """Whether the levels beside each inner cut differ by more than the profile wanders inside the pieces."""
    level = _levels(pieces)
    spread = np.sqrt(np.mean([p.var(axis=0) for p in pieces], axis=0)) + LEAST_SCATTER / 4
    return np.hypot(*(np.diff(level, axis=0) / spread).T) > CERTAIN
