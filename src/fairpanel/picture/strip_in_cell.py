"""The strip that lies in a cell of the mat: shorter or narrower than the cell, a little turned, perhaps nearly white.

The paper of the mat around it is known, so a strip shows by the smallest lasting difference from it: an unexposed step
is hardly darker than the page, but it is so over its whole area.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import cv2
import numpy as np

from fairpanel.picture.finding_mat import FoundMat
from fairpanel.picture.medians import median, quantiles
from fairpanel.picture.upright import Upright
from fairpanel.picture.white import CellLight

#: Samples per millimetre of the straightened cell.
PER_MM = 4
#: Least density over the page, in any channel, that counts as paper of a strip, beside the noise.
LEAST_DENSITY = 0.006
#: A strip narrower across the cell or shorter along it is not believed; the line printed round a cell is neither. [mm]
LEAST_WIDTH_MM, LEAST_LENGTH_MM = 8.0, 8.0


@dataclass(frozen=True)
class Lane:
    """The strip's way through its cell: as wide as the strip, as long as the cell.

    Parameters
    ----------
    outline : (4, 2) array
        Start left, start right, end right, end left. [px]
    profile : (m, 3) array
        Density over the page's white along it, median over the middle of its width.
    unsure : float
        How far the page's own density may be from zero, where a shadow's edge crosses the cell.
    """

    outline: np.ndarray
    profile: np.ndarray
    unsure: float = 0.0


def lane_in_cell(picture: Upright, mat: FoundMat, light: CellLight, corners_mm: np.ndarray) -> Lane | None:
    """Where across a cell its strip lies, and what it looks like along.

    Parameters
    ----------
    picture : Upright
    mat : FoundMat
    light : CellLight
        In this cell.
    corners_mm : (4, 2) array
        The cell: start left, start right, end right, end left. [mm]

    Returns
    -------
    Lane or None
        None where nothing in the cell differs from the page.
    """
    density = _straightened(picture, mat, light, corners_mm)
    smooth = cv2.blur(density, (2 * PER_MM + 1,) * 2)
    paper = _largest(np.abs(smooth) / np.maximum(LEAST_DENSITY, _noise(density))) > 1
    rows = _longest_run(paper.mean(axis=1) > 0.35, bridge=PER_MM)
    if rows is None or (rows[1] - rows[0]) < LEAST_LENGTH_MM * PER_MM:
        return None
    columns = _longest_run(paper[rows[0] : rows[1]].mean(axis=0) > 0.5, bridge=PER_MM)
    if columns is None or (columns[1] - columns[0]) < LEAST_WIDTH_MM * PER_MM:
        return None
    along, across = paper.shape
    left, right = _sides(_largest(np.abs(density)), rows, columns)
    y = np.array([0.0, 0.0, along, along])
    x = np.array([left[0], right[0], right[0] + right[1] * along, left[0] + left[1] * along])
    share = np.stack([x / across, y / along], axis=1)
    return Lane(mat.to_pixels(_in_cell(corners_mm, share)), _profile(density, left, right), light.parting / 4)


def _profile(density: np.ndarray, left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """One value a millimetre: the median over the middle half of the lane."""
    along = len(density)
    y = np.arange(along) + 0.5
    a, b = left[0] + left[1] * y, right[0] + right[1] * y
    x = a[:, None] + (b - a)[:, None] * np.linspace(0.25, 0.75, 21)
    at = np.clip(x.astype(int), 0, density.shape[1] - 1)
    seen = np.ascontiguousarray(density[np.arange(along)[:, None], at].transpose(0, 2, 1))
    lines = np.partition(seen, 10, axis=-1)[..., 10]  # the median of 21
    whole = along // PER_MM
    return lines[: whole * PER_MM].reshape(whole, PER_MM, -1).mean(axis=1)


def _in_cell(corners_mm: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Points given as shares across and along a cell, in millimetres."""
    start_left, start_right, _, end_left = corners_mm
    return start_left + share[:, :1] * (start_right - start_left) + share[:, 1:] * (end_left - start_left)


def _straightened(picture: Upright, mat: FoundMat, light: CellLight, corners_mm: np.ndarray) -> np.ndarray:
    """(along, across, 3) densities over the page's white, a quarter of a millimetre apart."""
    start_left, start_right, _, end_left = corners_mm
    across = round(float(np.hypot(*(start_right - start_left))) * PER_MM)
    along = round(float(np.hypot(*(end_left - start_left))) * PER_MM)
    factor = 2 ** max(0, math.floor(math.log2(max(mat.pixels_per_mm / PER_MM / 1.2, 1.0))))
    small = picture.reduced(factor)
    grid = _grid(across, along)
    coarse_mm = _in_cell(corners_mm, grid.coarse)
    coarse = mat.to_pixels(coarse_mm)
    at = grid.between(coarse)
    at += 0.5
    at /= factor
    at -= 0.5
    rim = np.concatenate([at[0], at[-1], at[:, 0], at[:, -1]])
    low = np.maximum(np.floor(rim.min(axis=0)).astype(int) - 2, 0)
    high = np.ceil(rim.max(axis=0)).astype(int) + 3
    crop = np.ascontiguousarray(small[low[1] : high[1], low[0] : high[0]])
    per_sample = mat.pixels_per_mm / PER_MM / factor
    if per_sample > 1.5:
        crop = cv2.blur(crop, (round(per_sample),) * 2)
    at -= low.astype(np.float32)
    x, y = cv2.split(at)
    codes = cv2.remap(crop, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    linear = picture.transfer.linear(codes)
    density = grid.between(light.at(coarse, mm=coarse_mm))
    density -= cv2.log(np.maximum(linear, 1e-5, out=linear))
    density /= np.float32(math.log(10))
    return density


@dataclass(frozen=True)
class _Grid:
    """Samples of a cell, for what changes slowly over it: found a millimetre apart, laid straight between.

    Parameters
    ----------
    coarse : (m, 2) array
        Shares across and along the cell, row by row. [1]
    rows : int
        Of the coarse places.
    x, y : (along, across) float32 arrays
        Each sample's place among the coarse ones.
    """

    coarse: np.ndarray
    rows: int
    x: np.ndarray
    y: np.ndarray

    def between(self, values: np.ndarray) -> np.ndarray:
        """(m, c) values at the coarse places to (along, across, c) at all samples."""
        coarse = values.reshape(self.rows, -1, values.shape[-1]).astype(np.float32)
        return cv2.remap(coarse, self.x, self.y, cv2.INTER_LINEAR)


@lru_cache(maxsize=16)
def _grid(across: int, along: int) -> _Grid:
    """Both counts are a whole number of millimetres, or nearly so; the mat has cells of two sizes."""
    columns, rows = max(2, round(across / PER_MM) + 1), max(2, round(along / PER_MM) + 1)
    v, u = np.meshgrid(np.linspace(0, 1, rows), np.linspace(0, 1, columns), indexing="ij")
    x, y = np.meshgrid(
        (np.arange(across, dtype=np.float32) + 0.5) * np.float32((columns - 1) / across),
        (np.arange(along, dtype=np.float32) + 0.5) * np.float32((rows - 1) / along),
    )
    return _Grid(np.stack([u.ravel(), v.ravel()], axis=1), rows, x, y)


def _largest(of_channels: np.ndarray) -> np.ndarray:
    """Largest of the three channels; by pairs, since a maximum along so short an axis is slow."""
    return np.maximum(np.maximum(of_channels[..., 0], of_channels[..., 1]), of_channels[..., 2])


def _noise(density: np.ndarray) -> np.ndarray:
    """(3,) point-to-point scatter, from differences of neighbours."""
    some = np.abs(np.diff(density[::4], axis=1)).reshape(-1, 3)
    return median(some, axis=0) / np.float32(0.954)


def _longest_run(flags: np.ndarray, *, bridge: int) -> tuple[int, int] | None:
    """First and past-the-last of the longest run; gaps up to `bridge` are bridged."""
    at = np.flatnonzero(flags)
    if not len(at):
        return None
    breaks = np.flatnonzero(np.diff(at) > bridge + 1)
    starts = np.concatenate([[at[0]], at[breaks + 1]])
    ends = np.concatenate([at[breaks], [at[-1]]]) + 1
    longest = int(np.argmax(ends - starts))
    return int(starts[longest]), int(ends[longest])


def _sides(strength: np.ndarray, rows: tuple[int, int], columns: tuple[int, int]) -> np.ndarray:
    """(2, 2): offset and common slope of the left and right side, as columns over rows.

    Where the strip is dark its unexposed rim falls outside half of the level, where it is light inside; the narrower
    answer is taken for both sides.
    """
    bands = np.linspace(rows[0], rows[1], 13).astype(int)
    middles = (bands[:-1] + bands[1:]) / 2
    profile = np.array([strength[a:b].mean(axis=0) for a, b in pairwise(bands)])
    half = _middle_level(profile, columns) / 2
    shown = half >= LEAST_DENSITY / 2
    y, below = middles[shown], profile[shown] < half[shown, None]
    crossings = [_crossing(below, columns, side) for side in (0, 1)]
    slopes = [_line(y, x) for x in crossings if len(x) >= 4]
    slope = float(np.clip(np.mean(slopes), -0.15, 0.15)) if slopes else 0.0
    offsets = []
    for side, share in ((0, 0.75), (1, 0.25)):
        level = crossings[side] - slope * y
        offsets.append(quantiles(level, [share])[0] if len(level) else float(columns[side]) - slope * np.mean(rows))
    return np.array([[offsets[0], slope], [offsets[1], slope]])


def _middle_level(profiles: np.ndarray, run: tuple[int, int]) -> np.ndarray:
    """(k,) median of each profile over the middle half of a run."""
    middle, quarter = sum(run) // 2, max((run[1] - run[0]) // 4, 1)
    return median(profiles[:, middle - quarter : middle + quarter])


def _crossing(below: np.ndarray, run: tuple[int, int], side: int) -> np.ndarray:
    """(k,) where each of (k, across) profiles first falls below a level, going outwards from the middle of a run."""
    middle = sum(run) // 2
    outwards = below[:, middle::-1] if side == 0 else below[:, middle:]
    far = np.where(outwards.any(axis=1), outwards.argmax(axis=1), outwards.shape[1])
    return (middle + 1.0 - far) if side == 0 else (middle + far.astype(float))


def _line(y: np.ndarray, x: np.ndarray) -> float:
    """Slope of a side by the median of the slopes between pairs of points (Theil and Sen)."""
    i, j = np.triu_indices(len(y), 1)
    return float(median((x[j] - x[i]) / (y[j] - y[i])))
