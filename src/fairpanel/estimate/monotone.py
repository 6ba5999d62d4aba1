"""When no smooth family of curves fits: rising steps (isotonic regression) joined by a curve that never turns
back.

The cubic is Fritsch and Butland's (SIAM J. Sci. Stat. Comput. 5, 300 (1984), from memory), the same as
scipy's PCHIP, but for many curves at once and with its inverse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


def rising(values, *, weights=None) -> np.ndarray:
    """Nearest values that never fall (pool adjacent violators), in weighted least squares.

    Parameters
    ----------
    values : (..., k) array
        Along the last axis in the order they should rise.
    weights : (k,) or (..., k) array, optional
        1 / u^2 of each; all alike without it.

    Returns
    -------
    (..., k) array

    Examples
    --------
    >>> rising([1.0, 3.0, 2.0, 4.0])
    array([1. , 2.5, 2.5, 4. ])
    """
    values = np.asarray(values, float)
    weights = np.broadcast_to(1.0 if weights is None else np.asarray(weights, float), values.shape)
    k = values.shape[-1]
    # Largest over starts of the least over ends of the means between them: slower than pooling for one long
    # series, but the same few array steps for ten thousand short ones.
    out = np.full(values.shape, -np.inf)
    for first in range(k):
        weight = np.cumsum(weights[..., first:], axis=-1)
        means = np.cumsum((values * weights)[..., first:], axis=-1) / weight
        least = np.minimum.accumulate(means[..., ::-1], axis=-1)[..., ::-1]
        out[..., first:] = np.maximum(out[..., first:], least)
    return out


@dataclass(frozen=True)
class MonotoneCurve:
    """Rising curves through points, smooth and without overshoot.

    Parameters
    ----------
    x : (k,) array, rising
    y : (..., k) array, never falling along the last axis; see `rising`
    """

    x: np.ndarray
    y: np.ndarray

    def __post_init__(self) -> None:
        x, y = np.asarray(self.x, float), np.asarray(self.y, float)
        if x.ndim != 1 or len(x) < 2 or np.any(np.diff(x) <= 0):
            raise ValueError("A curve needs at least two points, each further along than the one before.")
        if y.shape[-1] != len(x) or np.any(np.diff(y, axis=-1) < 0):
            raise ValueError("The heights of a monotone curve must not fall; make them rise first.")
        object.__setattr__(self, "x", x)
        object.__setattr__(self, "y", y)

    @property
    def slopes(self) -> np.ndarray:
        """(..., k) array: slope at each point."""
        width = np.diff(self.x)
        secant = np.diff(self.y, axis=-1) / width
        out = np.empty(self.y.shape)
        if len(width) == 1:
            out[...] = secant
            return out
        before, after = secant[..., :-1], secant[..., 1:]
        w1, w2 = 2 * width[1:] + width[:-1], width[1:] + 2 * width[:-1]
        with np.errstate(all="ignore"):
            inner = (w1 + w2) / (w1 / before + w2 / after)
        out[..., 1:-1] = np.where((before > 0) & (after > 0), inner, 0.0)
        out[..., 0] = _end_slope(width[0], width[1], secant[..., 0], secant[..., 1])
        out[..., -1] = _end_slope(width[-1], width[-2], secant[..., -1], secant[..., -2])
        return out

    def at(self, x) -> np.ndarray:
        """Height at x, (m,), giving (..., m); level beyond the ends."""
        x = np.clip(np.atleast_1d(np.asarray(x, float)), self.x[0], self.x[-1])
        i = np.clip(np.searchsorted(self.x, x, side="right") - 1, 0, len(self.x) - 2)
        width = self.x[i + 1] - self.x[i]
        slope = self.slopes
        t = (x - self.x[i]) / width
        ends = (self.y[..., i], self.y[..., i + 1], slope[..., i] * width, slope[..., i + 1] * width)
        return _cubic(t, *ends)

    def inverse(self, y) -> np.ndarray:
        """Where the curve has height y, for y broadcasting against (...): -inf or inf beyond its ends.

        On a level stretch the middle of it.
        """
        y = np.asarray(y, float)
        shape = np.broadcast_shapes(y.shape, self.y.shape[:-1])
        y, heights = np.broadcast_to(y, shape), self.y
        last = len(self.x) - 2
        i = np.clip((heights <= y[..., None]).sum(-1) - 1, 0, last)
        j = np.clip((heights < y[..., None]).sum(-1) - 1, 0, last)
        slope = self.slopes
        ends = [_take(a, i) for a in (heights[..., :-1], heights[..., 1:])]
        width = np.diff(self.x)[i]
        sides = [_take(a, i) * width for a in (slope[..., :-1], slope[..., 1:])]
        found = self.x[i] + width * _invert_cubic(y, *ends, *sides)
        level = (j < i) & (y == ends[0])
        found = np.where(level, (self.x[j + 1] + found) / 2, found)
        found = np.where(y < heights[..., 0], -np.inf, np.where(y > heights[..., -1], np.inf, found))
        return np.where(np.isnan(y), np.nan, found)


def _take(a: np.ndarray, i: np.ndarray) -> np.ndarray:
    a = np.broadcast_to(a, (*i.shape, a.shape[-1]))
    return np.take_along_axis(a, i[..., None], axis=-1)[..., 0]


def _end_slope(near: float, far: float, first: np.ndarray, second: np.ndarray) -> np.ndarray:
    slope = ((2 * near + far) * first - near * second) / (near + far)
    return np.clip(slope, 0.0, 3 * first)


def _cubic(t, y0, y1, s0, s1):
    a, b = 3 * (y1 - y0) - 2 * s0 - s1, s0 + s1 - 2 * (y1 - y0)
    return y0 + t * (s0 + t * (a + t * b))


def _invert_cubic(y, y0, y1, s0, s1) -> np.ndarray:
    """Share of the stretch at which the rising cubic reaches y."""
    a, b = 3 * (y1 - y0) - 2 * s0 - s1, s0 + s1 - 2 * (y1 - y0)
    off, s0, a, b = (np.ravel(v) for v in np.broadcast_arrays(y0 - y, s0, a, b))
    with np.errstate(all="ignore"):
        start = np.clip(np.nan_to_num((y - y0) / (y1 - y0), nan=0.5), 0, 1).ravel()
        t, done = _newton(start, off, s0, a, b, steps=6)
        rest = ~done  # few: near a level end, where Newton's steps only halve the way
        t[rest] = _newton(t[rest], off[rest], s0[rest], a[rest], b[rest], steps=40)[0]
    return t.reshape(np.shape(y))


def _newton(t, off, s0, a, b, *, steps: int) -> tuple[np.ndarray, np.ndarray]:
    """Newton's steps for off + t (s0 + t (a + t b)) = 0 in a shrinking bracket; and where they settled."""
    low, high, before = np.zeros(t.shape), np.ones(t.shape), t
    for _ in range(steps):
        height = off + t * (s0 + t * (a + t * b))
        low, high = np.where(height < 0, t, low), np.where(height < 0, high, t)
        step = t - height / (s0 + t * (2 * a + 3 * t * b))
        before, t = t, np.where((step >= low) & (step <= high), step, (low + high) / 2)
    return t, np.abs(t - before) <= 1e-10
