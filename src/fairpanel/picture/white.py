"""What should be equally white in a picture: the mat's own paper, or the ground around the strips."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property

import cv2
import numpy as np
from scipy.ndimage import median_filter, uniform_filter1d

from fairpanel.mat.layout import Cell, Layout
from fairpanel.picture import light
from fairpanel.picture.finding_mat import FoundMat, mat_in
from fairpanel.picture.light import Light
from fairpanel.picture.loose_light import Ground
from fairpanel.picture.medians import median
from fairpanel.picture.upright import Upright

#: Most samples of white a surface is fitted to.
MOST_SAMPLES = 180
#: A ground darker than this shows noise rather than light. [1]
DARKEST_GROUND = 0.004
#: What differs from the usual ground by more than this is something else; most of what lies around has to be ground.
SAME_GROUND, MOSTLY_GROUND = 0.7, 0.6


def light_on_mat(picture: Upright, found: FoundMat) -> tuple[Light, np.ndarray, np.ndarray]:
    """Light over the mat, from the white paper between the cells.

    Returns
    -------
    light, places (n, 2) [px], white (n, 3)
        The samples it was found from.
    """
    per_mm = found.pixels_per_mm
    factor = _halvings(per_mm * 0.8)
    small = picture.reduced(factor)
    pixels = found.to_pixels(_white_places(found.layout))
    inside = ((pixels > 2 * factor) & (pixels < np.array([picture.width, picture.height]) - 3 * factor)).all(axis=1)
    return _fit(picture, small, factor, pixels[inside], unit=26.0 * per_mm)


@cache
def _white_places(mat: Layout) -> np.ndarray:
    """(n, 2) places of white paper near what is printed on the mat, but not on it. [mm]"""
    grid = np.stack(np.meshgrid(np.arange(3.0, mat.width - 2, 3.0), np.arange(3.0, mat.height - 2, 3.0)), axis=-1)
    places = grid.reshape(-1, 2)
    free = np.ones(len(places), bool)
    near = np.zeros(len(places), bool)
    for thing in (*mat.cells, *mat.greys, *mat.markers, mat.code):
        x0, y0, x1, y1 = thing.x, thing.y, thing.x + thing.width, thing.y + thing.height
        gap = np.maximum(
            np.maximum(x0 - places[:, 0], places[:, 0] - x1), np.maximum(y0 - places[:, 1], places[:, 1] - y1)
        )
        free &= gap > 1.8
        near |= gap < 9.0
    return places[free & near]


def mat_light(picture: Upright) -> tuple[Light, np.ndarray, np.ndarray]:
    """`light_on_mat` of a picture that has one, found once and kept with the picture."""
    if "light" not in picture.found:
        mat = mat_in(picture)
        assert mat is not None, "only pictures with a mat come here"
        picture.found["light"] = light_on_mat(picture, mat)
    return picture.found["light"]


def _halvings(factor: float) -> int:
    """The power of two at or below a factor: what a picture is quickest reduced by."""
    return 2 ** max(0, math.floor(math.log2(max(factor, 1.0))))


@dataclass(frozen=True)
class CellLight:
    """ln of the light in one cell of the mat: the page's trend, and what the paper beside the cell adds to it.

    A shadow's edge is sharper than any smooth surface; from one margin of a cell to the other it is followed in a
    straight line, at the slant at which the two margins look most alike.

    Parameters
    ----------
    light : Light
        Over the page.
    mat : FoundMat
    along : (m,) array
        Places along the cell's long side. [mm]
    rest : (2, m, 3) array
        ln of the margins' light over the trend, at the first and the second margin.
    span : (2,) array
        Where the margins lie across the cell. [mm]
    upright : bool
        The long side runs down the page.
    slant : float
        How much further along an edge lies at the second margin than at the first. [mm]
    """

    light: Light
    mat: FoundMat
    along: np.ndarray
    rest: np.ndarray
    span: np.ndarray
    upright: bool
    slant: float = 0.0

    def at(self, pixels: np.ndarray, *, mm: np.ndarray | None = None) -> np.ndarray:
        """ln of the light in each channel; (..., 2) pixels to (..., 3). Who knows their millimetres may give them."""
        if mm is None:
            mm = self.mat.to_mm(np.asarray(pixels, float))
        v, u = (mm[..., 1], mm[..., 0]) if self.upright else (mm[..., 0], mm[..., 1])
        share = np.clip((u - self.span[0]) / (self.span[1] - self.span[0]), 0, 1)[..., None]
        first = self._margin(0, v - share[..., 0] * self.slant)
        second = self._margin(1, v + (1 - share[..., 0]) * self.slant)
        return self.light.trend(pixels) + (1 - share) * first + share * second

    def _margin(self, side: int, v: np.ndarray) -> np.ndarray:
        """(..., 3) rest of one margin at (...) places along it, straight between its evenly spaced ones."""
        last = len(self.along) - 1
        place = np.clip((v - self.along[0]) * (last / (self.along[-1] - self.along[0])), 0, last)
        below = np.minimum(place.astype(int), last - 1)
        low = self.rest[side, below]
        return low + (place - below)[..., None] * (self.rest[side, below + 1] - low)

    @cached_property
    def _unlike(self) -> np.ndarray:
        """Difference between the two margins along the slant. [ln]"""
        first, second = self.rest[..., 1]
        half = self.slant / 2
        return np.interp(self.along - half, self.along, first) - np.interp(self.along + half, self.along, second)

    @cached_property
    def step(self) -> float:
        """Largest change of the margins' rest over the width of a strip: high where an edge crosses. [ln]"""
        wide = np.abs(self.rest[..., 1] - median(self.rest[..., 1])[:, None])
        return float(wide.max())

    @cached_property
    def parting(self) -> float:
        """Largest difference between the two margins: what a straight line across may miss. [ln]"""
        return float(np.abs(self._unlike).max())

    @cached_property
    def error(self) -> float:
        """Standard deviation of what a straight line between the margins may miss. [ln]"""
        return float(np.sqrt(np.mean(self._unlike**2)) / 4)


#: Middle of the strip of page beside a cell that is looked at, and its width. [mm]
BESIDE_MM, BESIDE_WIDE_MM = 2.4, 1.6
#: Print beside a cell is shorter than half of this. [mm]
PRINT_MM = 19
#: An edge's slant over the width of a cell is looked for up to this, and believed where it leaves at most this share of
#: the margins' difference squared; margins less unlike than the last are alike already. [mm, 1, ln]
MOST_SLANT_MM, SLANT_GAIN, UNLIKE = 45.0, 0.4, 0.02
#: Scatter of the page's own paper over such a spot: rests below it are left alone. [ln]
PAPER_SCATTER = 0.004


def light_in_cell(picture: Upright, cell: Cell) -> CellLight:
    """Light in a cell of the mat in a picture that has one."""
    known = picture.found.setdefault("cells", {})
    if cell.name not in known:
        known[cell.name] = _cell_light(picture, cell)
    return known[cell.name]


def _cell_light(picture: Upright, cell: Cell) -> CellLight:
    mat, light = mat_in(picture), mat_light(picture)[0]
    assert mat is not None
    upright = cell.height >= cell.width
    start, length = (cell.y, cell.height) if upright else (cell.x, cell.width)
    low, high = (cell.x, cell.x + cell.width) if upright else (cell.y, cell.y + cell.height)
    along = np.arange(start + 0.5, start + length, 1.0)
    span = np.array([low - BESIDE_MM, high + BESIDE_MM])
    factor = _halvings(mat.pixels_per_mm * 0.4)
    small = picture.reduced(factor)
    offsets = np.linspace(-BESIDE_WIDE_MM / 2, BESIDE_WIDE_MM / 2, 5)
    v, u = np.meshgrid(along, (span[:, None] + offsets).ravel(), indexing="ij")
    pixels = mat.to_pixels(np.stack([u, v] if upright else [v, u], axis=-1))
    at = np.clip(np.rint((pixels + 0.5) / factor - 0.5).astype(int), 0, np.array(small.shape[1::-1]) - 1)
    seen = np.log(np.maximum(picture.transfer.linear(small[at[..., 1], at[..., 0]]), 1e-5))
    above = (seen - light.trend(pixels)).reshape(len(along), 2, len(offsets), 3)
    beside = np.sort(above, axis=2)[:, :, len(offsets) // 2].reshape(len(along), 6)
    smooth = median_filter(beside, size=(PRINT_MM, 1), mode="nearest")  # keeps edges, drops print
    smooth = uniform_filter1d(smooth, 3, axis=0, mode="nearest").reshape(len(along), 2, 3).transpose(1, 0, 2)
    size = np.sqrt(np.mean(smooth[..., 1] ** 2, axis=1))
    rest = smooth * np.maximum(0.0, 1 - (PAPER_SCATTER / np.maximum(size, 1e-9)) ** 2)[:, None, None]
    return _slanted(CellLight(light, mat, along, np.clip(rest, -1.0, 1.0), span, upright))


def _slanted(flat: CellLight) -> CellLight:
    """The light with the slant at which its margins look most alike, where that is much more than straight across."""
    straight_across = np.mean(flat._unlike**2)
    if straight_across <= UNLIKE**2:
        return flat
    reach = min(MOST_SLANT_MM, 0.6 * len(flat.along))
    tried = [replace(flat, slant=s) for s in np.arange(-reach, reach + 1e-9, 1.0)]
    misfits = np.array([np.mean(c._unlike**2) + (1e-4 * c.slant) ** 2 for c in tried])
    best = tried[int(np.argmin(misfits))]
    return best if misfits.min() < SLANT_GAIN * straight_across else flat


def _fit(
    picture: Upright, small: np.ndarray, scale: int, pixels: np.ndarray, *, unit: float
) -> tuple[Light, np.ndarray, np.ndarray]:
    at = np.clip(np.rint((pixels + 0.5) / scale - 0.5).astype(int), 0, np.array(small.shape[1::-1]) - 1)
    white = picture.transfer.linear(small[at[:, 1], at[:, 0]]).astype(float)
    places, white = thinned(pixels, white, MOST_SAMPLES)
    return light.from_white(places, white, unit=unit), places, white


def thinned(places: np.ndarray, values: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Samples joined by squares until there are few: places averaged, values by the median.

    Parameters
    ----------
    places : (n, 2) array
    values : (n, 3) array
    most : int
    """
    span = float(np.sqrt(np.prod(np.ptp(places, axis=0) + 1.0)))
    for cells in (40, 32, 26, 21, 17, 14, 12, 10):
        square = np.floor(places / (span / cells)).astype(np.int64)
        square -= square.min(axis=0)
        _, group, count = np.unique(square[:, 0] * (square[:, 1].max() + 1) + square[:, 1],
                                    return_inverse=True, return_counts=True)  # fmt: skip
        if len(count) <= most:
            break
    middle = np.stack([np.bincount(group, places[:, k]) / count for k in range(2)], axis=1)
    return middle, np.stack([_medians(values[:, k], group, count) for k in range(values.shape[1])], axis=1)


def _medians(values: np.ndarray, group: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Median of the values of each group; groups are numbered from 0."""
    ordered = values[np.lexsort((values, group))]
    first = np.cumsum(count) - count
    return (ordered[first + (count - 1) // 2] + ordered[first + count // 2]) / 2


def ground_around(picture: Upright, polygons: Sequence[np.ndarray], *, width: float, lightest: float) -> Ground | None:
    """Samples of the ground around loose strips; None where there is none, or hardly any light on it.

    Parameters
    ----------
    polygons : sequence of (4, 2) arrays
        Outlines of all that lies in the picture. [px]
    width : float
        Typical width of a strip. [px]
    lightest : float
        Green light of the lightest patch; from a ground lighter than a third of it densities can be counted.
    """
    factor = _halvings(width / 24 * math.sqrt(2))
    small = picture.reduced(factor)
    covered = np.zeros(small.shape[:2], np.uint8)
    for polygon in polygons:
        cv2.fillConvexPoly(covered, np.rint((polygon + 0.5) / factor - 0.5).astype(np.int32), 255)
    apart, around = (cv2.dilate(covered, np.ones((2 * r + 1,) * 2, np.uint8))
                     for r in (max(2, round(width / factor / 10)), max(8, round(width / factor / 1.5))))  # fmt: skip
    y, x = np.nonzero((around > 0) & (apart == 0))
    if len(x) < 60:
        return None
    values = picture.transfer.linear(small[y, x]).astype(float)
    places = (np.stack([x, y], axis=1) + 0.5) * factor - 0.5
    usual = float(np.median(values[:, 1]))
    near = np.abs(np.log(np.maximum(values[:, 1], 1e-6) / max(usual, 1e-6))) < SAME_GROUND
    if usual < DARKEST_GROUND or near.mean() < MOSTLY_GROUND:
        return None
    places, sampled = thinned(places[near], values[near], MOST_SAMPLES)
    return Ground(places, sampled, usual > 0.33 * lightest) if len(places) >= 16 else None
