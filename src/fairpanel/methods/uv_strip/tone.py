"""From the light of a patch to its density, with what the patch itself says about its unevenness.

Density is -log10 of reflectance relative to the white around the strip, in three wide-space channels (definition:
ISO 5; geometry and spectral product of a photo differ from the standard's). Unevenness is taken at several block sizes,
because coating varies slowly: the spread of small blocks alone would promise too much.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np

from fairpanel.picture.medians import median, quantiles

#: Numbers of parts a side of the patch is divided into, coarse to fine.
SCALES = (2, 3, 4, 6)

#: Slow unevenness bends more than a plane does, by about this. [density]
SMOOTH = 0.0015

#: A stain holds back at least this much blue more than the clear parts [density]; uneven coating changes blue by this
#: share of its change of red.
STAIN, BLUE_OF_RED = 0.03, 0.3

#: Blocks further than this many robust standard deviations from the middle are left out (scratch, pencil, bubble).
OUTLYING = 4.0


def densities(light: np.ndarray, white: np.ndarray) -> np.ndarray:
    """-log10 of light over white, in each channel; the least light counted is a ten-thousandth of white."""
    return -np.log10(np.maximum(light / white, 1e-4))


def patch_tone(density: np.ndarray) -> Mapping[str, Any]:
    """Mean density of a patch and its unevenness.

    Parameters
    ----------
    density : (rows, columns, 3) array
        Of the blocks; rows run along the strip.

    Returns
    -------
    mapping of plain data
        `density` (3 channels), `spread` (robust standard deviation of one block, 3 channels), `left_out` (share of
        blocks; `lighter_out` and `darker_out` say which way), `scatter` (for each scale: variance of the parts' means,
        3 channels), `parts` (parts at each scale),
        `slope` (rise of red density over the patch along and across), `range` (red density: 5, 25, 50, 75, 95 %).
    """
    keep = _good(density)
    kept = density[keep]
    mean = kept.sum(axis=0) / len(kept)
    out = density[~keep, 1]
    darker = int((out >= mean[1]).sum())
    scatter, parts = _scatter(density, keep)
    return {
        "density": mean.tolist(),
        "spread": np.sqrt(((kept - mean) ** 2).sum(axis=0) / len(kept)).tolist(),
        "left_out": len(out) / keep.size,
        "lighter_out": (len(out) - darker) / keep.size,
        "darker_out": darker / keep.size,
        "scatter": scatter,
        "parts": parts,
        "slope": _slopes(density[..., 0], keep),
        "range": quantiles(kept[:, 0], [0.05, 0.25, 0.5, 0.75, 0.95]),
    }


def _good(density: np.ndarray) -> np.ndarray:
    """Blocks to keep. Slow unevenness is not a fault: each block is judged against its neighbourhood's trend."""
    flat = density.reshape(-1, 3)
    rows, columns = density.shape[:2]
    design, inverse = _plane(rows, columns)
    keep = clean = ~_yellowed(flat)
    for _ in range(3):
        beta = inverse @ flat if keep.all() else np.linalg.lstsq(design[keep], flat[keep], rcond=None)[0]
        rest = flat - design @ beta
        rest -= median(rest[keep], axis=0)
        apart = np.abs(rest)
        near = apart < OUTLYING * (1.4826 * median(apart[keep], axis=0) + SMOOTH)
        new = clean & near[:, 0] & near[:, 1] & near[:, 2]
        if 2 * np.count_nonzero(new) < len(new) or (new == keep).all():
            break
        keep = new
    return keep.reshape(rows, columns)


@lru_cache(maxsize=64)
def _plane(rows: int, columns: int) -> tuple[np.ndarray, np.ndarray]:
    """(n, 3) level and slopes over a grid of blocks, and the (3, n) way back by least squares."""
    v, u = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    design = np.stack([np.ones(rows * columns), u.ravel(), v.ravel()], axis=1)
    return design, np.linalg.pinv(design)


def _yellowed(density: np.ndarray) -> np.ndarray:
    """Blocks of a patch that hold back more blue than its clearest ones, for their red: stains, even large ones.

    More than half of a patch is never left out.
    """
    blue = density[:, 2] - BLUE_OF_RED * density[:, 0]
    lowest, clear = quantiles(blue, [0.05, 0.25])
    found = blue > clear + max(STAIN, 5 * (clear - lowest))
    return found if 2 * np.count_nonzero(found) <= len(found) else np.zeros(len(found), bool)


def _scatter(density: np.ndarray, keep: np.ndarray) -> tuple[list[list[float]], list[int]]:
    """For each scale the variance of the parts' means, and how many parts there are; parts without a block are none."""
    scatter, parts = [], []
    rows, columns, channels = density.shape
    together = np.empty((rows, columns, channels + 1))
    together[..., channels] = keep
    np.multiply(density, together[..., channels:], out=together[..., :channels])
    for k in SCALES:
        bands = np.add.reduceat(together, _starts(rows, min(k, rows)), axis=0)
        sums = np.add.reduceat(bands, _starts(columns, min(k, columns)), axis=1).reshape(-1, channels + 1)
        sums = sums[sums[:, -1] >= 1]
        means = sums[:, :-1] / sums[:, -1:]
        n = len(means)
        rest = means - means.sum(axis=0) / n
        scatter.append(((rest * rest).sum(axis=0) / (n - 1)).tolist() if n > 1 else [0.0, 0.0, 0.0])
        parts.append(n)
    return scatter, parts


@lru_cache(maxsize=256)
def _starts(length: int, parts: int) -> np.ndarray:
    """Where parts that differ in length by one at most begin, the longer ones first."""
    short, longer = divmod(length, parts)
    place = np.arange(parts)
    return place * short + np.minimum(place, longer)


def _slopes(red: np.ndarray, keep: np.ndarray) -> list[float]:
    """Rise of red over the patch along and across, by the means of rows and of columns."""
    kept = np.where(keep, red, 0.0)
    return [_rise(kept.sum(axis=axis), keep.sum(axis=axis)) for axis in (1, 0)]


def _rise(sums: np.ndarray, count: np.ndarray) -> float:
    """Rise from the first to the last of evenly spaced means, by least squares; means of nothing are left out."""
    good = count > 0
    if np.count_nonzero(good) <= 2:
        return 0.0
    x = np.linspace(-0.5, 0.5, len(sums))[good]
    x = x - x.sum() / len(x)
    return float(x @ (sums[good] / count[good]) / (x @ x))
