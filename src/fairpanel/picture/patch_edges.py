"""Where the patches of a strip begin and end, inside a given outline.

The profile along the strip (the robust middle of its width) is cut into runs of even tone. Edges that cannot
be seen, because the tones on both sides hardly differ, take evenly spaced places and are said to be
uncertain. An unexposed rim, a mask's border or a sliver of ground within the outline is cut away: outlines
are trimmed, never grown.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.ndimage import median_filter

from fairpanel.picture.change_points import (
    LEAST_CONTRAST,
    Runs,
    best_runs,
    described,
    runs_of_unknown_number,
)
from fairpanel.picture.ground import tones
from fairpanel.picture.parted_steps import Parted, parted_steps
from fairpanel.picture.quadrilaterals import length_px, part_of, straightened, width_px
from fairpanel.picture.upright import Upright

#: Samples across a straightened strip.
ACROSS = 32

#: An end run narrower than this share of a typical patch may be a rim. [1]
RIM = 0.5

#: Where the number of patches is not known, an end run narrower than this share of the others is a rim. [1]
NARROW_END = 0.4

#: Least change of tone at which a side or end counts as a rim. [lightness]
RIM_CONTRAST = 3.0

#: A rim at an end may be this much wider than the rim at the sides. [1]
RIM_SPARE = 1.7

#: A rim at a side takes at most this share of the width. [1]
WIDEST_RIM = 0.3


#: From its lightest to its darkest patch a step strip changes by at least this. [lightness]
LEAST_RANGE = 5.0

#: A line between patches is at most twice this wide [patches] and unlike both of them by this. [lightness]
THIN, LINE = 0.1, 6.0

#: Edges lie on even places where so many of them are this near to one, if there are enough to say. [1], [patches]
FEWEST_FOR_GRID, MOST_ON_GRID, OFF_GRID = 7, 0.75, 0.18

#: Beside an edge that was not seen this share of the mean patch is left out on either side. [1]
UNSEEN = 0.2


@dataclass(frozen=True)
class Patches:
    """The patches of one strip.

    Parameters
    ----------
    quads : (n, 4, 2) array
        Each: start left, start right, end right, end left. [px]
    sure : (n, 4, 2) array
        The same, drawn in beside edges that were not seen: what surely belongs to each patch. [px]
    edges : (n - 1,) array
        Inner edges as shares of the outline's length from its start. [1]
    certain : (n - 1,) bool array
        The edge was seen; False where the place is only the evenly spaced one.
    start, end : float
        Where the first patch begins and the last ends, as shares of the outline's length. [1]
    left, right : float
        Where the patches begin and end across the strip, as shares of its width. [1]
    visible : int
        Number of patches the strip shows by itself.
    """

    quads: np.ndarray
    sure: np.ndarray
    edges: np.ndarray
    certain: np.ndarray
    start: float
    end: float
    left: float
    right: float
    visible: int


def find_patches(picture: Upright, outline: np.ndarray, n: int) -> Patches:
    """The n patches along a strip.

    Parameters
    ----------
    picture : Upright
    outline : (4, 2) array
        Start left, start right, end right, end left. [px]
    n : int
        Number of patches, one or more.

    Returns
    -------
    Patches

    Raises
    ------
    ValueError
        `n` is less than one, or the outline is too small for n patches.
    """
    outline = np.asarray(outline, dtype=float)
    if n < 1:
        raise ValueError("a strip has at least one patch")
    if length_px(outline) < 3 * n or width_px(outline) < 3:
        raise ValueError(
            f"the outline is {length_px(outline):.0f} x {width_px(outline):.0f} pixels, "
            f"too small for {n} patches; "
            "take the picture from nearer or scan at a higher resolution"
        )
    strip = strip_tones(picture, outline, along=max(240, 16 * n))
    left, right = _sides(strip)
    middle = profile_of(strip, left=left, right=right)
    widest = RIM_SPARE * max(left, 1 - right) * width_px(outline) / length_px(outline)
    rim = _rim_tone(strip, left=left, right=right)
    texture = texture_of(strip, left=left, right=right)
    lineless = _without_lines(middle, n)
    parted = parted_steps(middle, n)
    if parted is not None:
        return _between_lines(outline, parted, len(middle), left=left, right=right)
    first, last, visible = _ends(lineless, n, texture=texture, rim=rim, rim_samples=widest * len(middle))
    edges, certain = _edges_within(middle[first:last], n, texture=texture)
    edges = (first + edges) / len(middle)
    start, end = first / len(middle), last / len(middle)
    bounds = np.concatenate([[start], edges, [end]])
    sides = {"left": left, "right": right}
    quads = np.array([part_of(outline, **sides, start=a, end=b) for a, b in pairwise(bounds)])
    spare = np.concatenate([[0.0], np.where(certain, 0.0, UNSEEN * (end - start) / n), [0.0]])
    inner = zip(bounds[:-1] + spare[:-1], bounds[1:] - spare[1:], strict=True)
    sure = np.array([part_of(outline, **sides, start=a, end=b) for a, b in inner])
    return Patches(quads, sure, edges, certain, start, end, left, right, visible)


def _between_lines(outline: np.ndarray, parted: Parted, samples: int, *, left: float, right: float) -> Patches:
    """The patches of a strip whose steps broad lines part: each without its lines."""
    a, b = np.clip(parted.first / samples, 0.0, 1.0), np.clip(parted.last / samples, 0.0, 1.0)
    quads = np.array([part_of(outline, left=left, right=right, start=x, end=y) for x, y in zip(a, b, strict=True)])
    edges = (b[:-1] + a[1:]) / 2
    certain = np.ones(len(edges), bool)
    return Patches(quads, quads, edges, certain, float(a[0]), float(b[-1]), left, right, len(quads))


def look_along(strip: np.ndarray, outline: np.ndarray) -> tuple[Runs, np.ndarray]:
    """What a strip of unknown patches shows: its runs of even tone, rims at sides and ends left out.

    Parameters
    ----------
    strip : (along, across, 3) array
        Tones of the straightened strip, as `strip_tones` gives them.
    outline : (4, 2) array
        Start left, start right, end right, end left. [px]

    Returns
    -------
    runs : Runs
    edges : (runs - 1,) array
        Where neighbours meet, as shares of the outline's length from its start. [1]
    """
    left, right = _sides(strip)
    middle = profile_of(strip, left=left, right=right)
    rim = _rim_tone(strip, left=left, right=right)
    texture = texture_of(strip, left=left, right=right)
    first, last = 0, len(middle)
    if rim is not None:
        widest = RIM_SPARE * max(left, 1 - right) * width_px(outline) / length_px(outline)
        first, last, _ = _ends(
            middle, 1, texture=texture, rim=rim, rim_samples=widest * len(middle), narrow_is_rim=False
        )
    runs = _without_narrow_ends(middle[first:last], runs_of_unknown_number(middle[first:last], texture=texture))
    sharp = [_sharpened(middle[first:last], runs.edges, k) for k in range(len(runs.levels) - 1)]
    return runs, (np.array(sharp) + first) / len(middle)


def _without_narrow_ends(profile: np.ndarray, runs: Runs) -> Runs:
    """Runs less those at the ends that are far narrower than the others: rims, borders, slivers of ground."""
    edges = list(runs.edges)
    while len(edges) > 3:
        widths = np.diff(edges)
        which = 0 if widths[0] < widths[-1] else -1
        if widths[which] >= NARROW_END * np.median(np.delete(widths, which)):
            break
        del edges[which]
    if len(edges) == len(runs.edges):
        return runs
    return described(profile, np.array(edges), noise=runs.noise, texture=runs.texture)


def strip_tones(picture: Upright, outline: np.ndarray, *, along: int | None = None) -> np.ndarray:
    """(along, 32, 3) array: tones of a straightened strip, from its start. [lightness]"""
    if along is None:
        along = int(np.clip(32 * length_px(outline) / max(width_px(outline), 1.0), 96, 320))
    codes = straightened(picture.pixels, outline, across=ACROSS, along=along)
    return tones(np.round(codes).astype(picture.pixels.dtype), picture.transfer)


def profile_of(strip: np.ndarray, *, left: float = 0.0, right: float = 1.0) -> np.ndarray:
    """Median of the middle half of the width, sample by sample along the strip: (along, 3)."""
    width = strip.shape[1]
    first = round((left + 0.25 * (right - left)) * width)
    last = max(first + 1, round((right - 0.25 * (right - left)) * width))
    return np.median(strip[:, first:last], axis=1).astype(float)


def _without_lines(profile: np.ndarray, n: int) -> np.ndarray:
    """A profile without the thin lines that part the patches of printed tablets; steps of tone stay where they are."""
    wide = 2 * round(THIN * len(profile) / n) + 1
    if wide < 5:
        return profile
    smooth = median_filter(profile, size=(wide, 1), mode="nearest")
    is_line = np.abs(profile - smooth).max(axis=1, keepdims=True) > LINE
    return np.where(is_line, smooth, profile)


def texture_of(strip: np.ndarray, *, left: float = 0.0, right: float = 1.0) -> float:
    """How much the tone of a strip wanders along it without being a step. [lightness]

    A step runs straight across the strip; uneven coating does not. So the two halves of the width are
    compared, over lengths in which steps would be seen.
    """
    width = strip.shape[1]
    first, middle, last = (round((left + share * (right - left)) * width) for share in (0.2, 0.5, 0.8))
    halves = [np.median(strip[:, a:b], axis=1) for a, b in ((first, middle), (middle, last)) if b > a]
    if len(halves) < 2:
        return 0.0
    apart = (halves[0] - halves[1]).mean(axis=-1)
    block = max(2, len(apart) // 24)
    means = apart[: len(apart) // block * block].reshape(-1, block).mean(axis=1)
    wander = np.diff(means)
    return float(1.4826 * np.median(np.abs(wander)) / 2)


def count_patches(profile: np.ndarray, *, texture: float = 0.0) -> tuple[int, float]:
    """How many patches a strip shows, and how sure that is.

    Parameters
    ----------
    profile : (samples, 3) array
        Tones along the strip, as `profile_of` gives them.
    texture : float
        Unevenness of the coating, as `texture_of` gives it. [lightness]

    Returns
    -------
    n : int
        Number of runs of even tone that can be told apart. Patches that look alike count as one.
    score : float
        0 to 1: how clearly the faintest edge shows, and how even the runs are within. [1]
    """
    runs = runs_of_unknown_number(profile, texture=texture)
    return len(runs.levels), score_of(runs)


def score_of(runs: Runs) -> float:
    """0 to 1: how clearly the faintest edge of a strip shows, and how even its runs are within."""
    faintest = 1.0 if len(runs.clear) == 0 else 1.0 - 0.5 / max(float(runs.clear.min()), 1.0)
    return float(faintest / (1.0 + runs.noise / 8.0))


def direction_by_tones(levels: np.ndarray) -> str | None:
    """Whether a step strip runs from light to dark or back, by the tones of its patches alone.

    Parameters
    ----------
    levels : (n, 3) array
        Tones of the patches from the start. [lightness]

    Returns
    -------
    {"darkens", "lightens", None}
        None where the tones go both ways or hardly change, or where there is one patch only.
    """
    light = np.asarray(levels, dtype=float).mean(axis=-1)
    change = np.diff(light)
    if len(change) == 0 or np.ptp(light) < LEAST_RANGE:
        return None
    if np.all(change < LEAST_CONTRAST):
        return "darkens"
    if np.all(change > -LEAST_CONTRAST):
        return "lightens"
    return None


# ---- sides and ends ----------------------------------------------------------------------------------------


def _sides(strip: np.ndarray) -> tuple[float, float]:
    """Where the patches begin and end across the strip: where the tone leaves that of the middle."""
    width = strip.shape[1]
    middle = np.median(strip[:, round(0.3 * width) : round(0.7 * width)], axis=1, keepdims=True)
    rows = strip[round(0.05 * len(strip)) : round(0.95 * len(strip))]
    away = rows - middle[round(0.05 * len(strip)) : round(0.95 * len(strip))]
    away = away - _tilt_across(away)
    off = np.percentile(np.abs(away).max(axis=-1), 70, axis=0)
    quiet = float(np.median(off[round(0.3 * width) : round(0.7 * width)]))
    beyond = off > max(RIM_CONTRAST, 2.5 * quiet)
    return _first_inside(beyond) / width, 1.0 - _first_inside(beyond[::-1]) / width


def _tilt_across(away: np.ndarray) -> np.ndarray:
    """Slope of the tone across the strip, from its middle part: uneven light, not a rim. (1, width, 3)"""
    width = away.shape[1]
    place = np.arange(width) - (width - 1) / 2
    inner = slice(round(0.25 * width), round(0.75 * width))
    typical = np.median(away, axis=0)
    slope = (place[inner] @ typical[inner]) / (place[inner] @ place[inner])
    return (place[:, None] * np.clip(slope, -0.15, 0.15))[None]


def _first_inside(beyond: np.ndarray) -> int:
    """Samples to cut from the first side: up to the innermost one that is off."""
    reach = round(WIDEST_RIM * len(beyond))
    off = np.flatnonzero(beyond[:reach])
    return int(off[-1]) + 1 if len(off) else 0


def _ends(
    middle: np.ndarray,
    n: int,
    *,
    texture: float,
    rim: np.ndarray | None,
    rim_samples: float,
    narrow_is_rim: bool = True,
) -> tuple[int, int, int]:
    """First and last sample of the patches, and how many patches show.

    An end run is cut away where it is narrow and there are more runs than patches, or where it is no wider
    than `rim_samples` and has the tone of the rim at the sides. A wider end run of that tone is an unexposed
    patch that runs into its rim; it gives up the width that the rim has at the sides.
    """
    runs = runs_of_unknown_number(middle, texture=texture)
    edges, visible, cut = list(runs.edges), len(runs.levels), set()
    while visible > 1:
        narrow = RIM * (edges[-1] - edges[0]) / max(n, 1)
        as_rim = max(narrow, rim_samples)
        contrast = described(middle, np.array(edges), noise=runs.noise).contrast
        ends = [(edges[1] - edges[0], 0), (edges[-1] - edges[-2], -1)]
        ends = [
            (size, which)
            for size, which in ends
            if (narrow_is_rim and size < narrow and visible > n and contrast[which] > RIM_CONTRAST)
            or (size < as_rim and which not in cut and _is_rim(middle, edges, which, rim))
        ]
        if not ends:
            break
        _, which = min(ends)
        cut.add(which)
        del edges[which]
        visible -= 1
    hidden = round(rim_samples / RIM_SPARE) if visible > 1 else 0
    first, last = edges[0], edges[-1]
    if first > 0:
        first = _cut_before(middle, edges[:2])
    elif _is_rim(middle, edges, 0, rim):
        first = hidden
    if last < len(middle):
        last = len(middle) - _cut_before(middle[::-1], [len(middle) - last, len(middle) - edges[-2]])
    elif _is_rim(middle, edges, -1, rim):
        last -= hidden
    return int(first), int(last), visible


def _cut_before(middle: np.ndarray, edges: list[int]) -> int:
    """First sample behind a rim that ends near the first of two edges: its sharp place and a little more."""
    place = _sharpened(middle, np.array([0, edges[0], edges[1]]), 0)
    return int(np.ceil(place + 0.004 * len(middle)))


def _rim_tone(strip: np.ndarray, *, left: float, right: float) -> np.ndarray | None:
    """Tone of the rim at the sides, if there is one."""
    width = strip.shape[1]
    columns = [*range(round(left * width) - 1), *range(round(right * width) + 1, width)]
    return np.median(strip[:, columns].reshape(-1, 3), axis=0) if len(columns) >= 2 else None


def _is_rim(middle: np.ndarray, edges: list[int], which: int, rim: np.ndarray | None) -> bool:
    """Whether the first or the last run has the tone of the rim at the sides."""
    if rim is None or len(edges) < 3:
        return False
    first, last = (edges[0], edges[1]) if which == 0 else (edges[-2], edges[-1])
    inner = (edges[1], edges[2]) if which == 0 else (edges[-3], edges[-2])
    end, next_patch = np.median(middle[first:last], axis=0), np.median(middle[slice(*inner)], axis=0)
    nearest = max(0.35 * float(np.linalg.norm(end - next_patch)), RIM_CONTRAST)
    return float(np.linalg.norm(end - rim)) < nearest


# ---- edges between patches ---------------------------------------------------------------------------------


def _edges_within(profile: np.ndarray, n: int, *, texture: float) -> tuple[np.ndarray, np.ndarray]:
    """Inner edges in samples from the profile's first, and which of them were seen."""
    if n == 1:
        return np.zeros(0), np.zeros(0, bool)
    runs = best_runs(_without_lines(profile, n), n, texture=texture)
    seen = [(_sharpened(profile, runs.edges, k), runs.clear[k]) for k in range(n - 1) if runs.clear[k] >= 1.0]
    places = _fitting_a_grid(np.array([place for place, _ in seen]), len(profile) / n)
    bounds = np.concatenate([[0.0], places, [float(len(profile))]])
    counts = _shared_out(np.diff(bounds), n)
    edges, certain = [], []
    for k, count in enumerate(counts):
        between = np.linspace(bounds[k], bounds[k + 1], count + 1)[1:]
        edges += list(between)
        certain += [False] * (count - 1) + [True]
    return np.array(edges[:-1]), np.array(certain[:-1], bool)


def _fitting_a_grid(places: np.ndarray, pitch: float) -> np.ndarray:
    """Seen edges; where most even places have one, without those that lie between even places: dirt, noise, print."""
    if len(places) < FEWEST_FOR_GRID:
        return places
    off = np.abs(places / pitch - np.round(places / pitch))
    near = off < OFF_GRID
    filled = len(np.unique(np.round(places[near] / pitch)))
    return places[near] if filled >= MOST_ON_GRID * len(places) else places


def _shared_out(gaps: np.ndarray, n: int) -> np.ndarray:
    """How many patches lie in each gap between seen edges, for widths as equal as can be."""
    counts = np.ones(len(gaps), dtype=int)
    while counts.sum() < n:
        counts[int(np.argmax(gaps / (counts + 0.5)))] += 1
    return counts


def _sharpened(profile: np.ndarray, edges: np.ndarray, k: int) -> float:
    """Place of one edge between samples: half of the change lies before it, half behind."""
    edge = int(edges[k + 1])
    reach = max(3, round(0.03 * len(profile)))
    first = max(edge - reach, (edges[k] + edge) // 2)
    last = min(edge + reach, -((-edges[k + 2] - edge) // 2))
    side = max(2, (last - first) // 5)
    before = np.median(profile[max(int(edges[k]), first - side) : first + 1], axis=0)
    after = np.median(profile[last - 1 : min(int(edges[k + 2]), last + side)], axis=0)
    change = after - before
    if change @ change < 1e-9:
        return float(edge)
    share = np.clip((profile[first:last] - before) @ change / (change @ change), 0.0, 1.0)
    return float(np.clip(first + np.sum(1.0 - share), first, last))
