"""From the light of a patch to its density, with what the patch itself says about its unevenness.

Density is -log10 of reflectance relative to the white around the strip, in three wide-space channels (definition:
ISO 5; geometry and spectral product of a photo differ from the standard's). Unevenness is taken at several block sizes,
because coating varies slowly: the spread of small blocks alone would promise too much.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

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
    mean = kept.mean(axis=0)
    scatter, parts = _scatter(density, keep)
    return {
        "density": mean.tolist(),
        "spread": kept.std(axis=0).tolist(),
        "left_out": float(1 - keep.mean()),
        "lighter_out": float((~keep & (density[..., 1] < mean[1])).mean()),
        "darker_out": float((~keep & (density[..., 1] >= mean[1])).mean()),
        "scatter": scatter,
        "parts": parts,
        "slope": _slopes(np.where(keep, density[..., 0], np.nan)),
        "range": np.quantile(kept[:, 0], [0.05, 0.25, 0.5, 0.75, 0.95]).tolist(),
    }


def _good(density: np.ndarray) -> np.ndarray:
    """Blocks to keep. Slow unevenness is not a fault: each block is judged against its neighbourhood's trend."""
    flat = density.reshape(-1, 3)
    rows, columns = density.shape[:2]
    v, u = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    design = np.stack([np.ones(flat.shape[0]), u.ravel(), v.ravel()], axis=1)
    keep = clean = ~_yellowed(flat)
    for _ in range(3):
        beta = np.linalg.lstsq(design[keep], flat[keep], rcond=None)[0]
        rest = flat - design @ beta
        rest -= np.median(rest[keep], axis=0)
        scale = 1.4826 * np.median(np.abs(rest[keep]), axis=0) + SMOOTH
        new = clean & (np.abs(rest) < OUTLYING * scale).all(axis=1)
        if new.mean() < 0.5 or (new == keep).all():
            break
        keep = new
    return keep.reshape(rows, columns)


def _yellowed(density: np.ndarray) -> np.ndarray:
    """Blocks of a patch that hold back more blue than its clearest ones, for their red: stains, even large ones.

    More than half of a patch is never left out.
    """
    blue = density[:, 2] - BLUE_OF_RED * density[:, 0]
    lowest, clear = np.quantile(blue, [0.05, 0.25])
    found = blue > clear + max(STAIN, 5 * (clear - lowest))
    return found if found.mean() <= 0.5 else np.zeros(len(found), bool)


def _scatter(density: np.ndarray, keep: np.ndarray) -> tuple[list[list[float]], list[int]]:
    """For each scale the variance of the parts' means, and how many parts there are; parts without a block are none."""
    scatter, parts = [], []
    rows, columns = keep.shape
    together = np.dstack([np.where(keep[..., None], density, 0.0), keep])
    for k in SCALES:
        bands = np.add.reduceat(together, _starts(rows, min(k, rows)), axis=0)
        sums = np.add.reduceat(bands, _starts(columns, min(k, columns)), axis=1).reshape(-1, density.shape[2] + 1)
        sums = sums[sums[:, -1] >= 1]
        means = sums[:, :-1] / sums[:, -1:]
        scatter.append(means.var(axis=0, ddof=1).tolist() if len(means) > 1 else [0.0, 0.0, 0.0])
        parts.append(len(means))
    return scatter, parts


def _starts(length: int, parts: int) -> np.ndarray:
    """Where parts that differ in length by one at most begin, the longer ones first."""
    short, longer = divmod(length, parts)
    place = np.arange(parts)
    return place * short + np.minimum(place, longer)


def _slopes(red: np.ndarray) -> list[float]:
    return [_rise(_means(red)), _rise(_means(red.T))]


def _means(rows: np.ndarray) -> np.ndarray:
    """Mean of each row of what is kept; nan for a row of which nothing is."""
    count = np.isfinite(rows).sum(axis=1)
    return np.where(count > 0, np.nansum(rows, axis=1) / np.maximum(count, 1), np.nan)


def _rise(values: np.ndarray) -> float:
    x = np.linspace(-0.5, 0.5, len(values))
    good = np.isfinite(values)
    return float(np.polyfit(x[good], values[good], 1)[0]) if good.sum() > 2 else 0.0
