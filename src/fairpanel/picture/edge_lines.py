"""The four sides of a strip at full scale, from the steepest change of tone near a first guess."""

from __future__ import annotations

import cv2
import numpy as np

from fairpanel.picture.ground import tones
from fairpanel.picture.quadrilaterals import corners_of_lines, is_plausible_rectangle, length_px, width_px
from fairpanel.picture.rectangles import line_through
from fairpanel.picture.upright import Upright

#: Places looked at along each side.
PLACES = 40

#: A side is moved only if its steepest change is this many times the usual change near it.
STEEP = 3.0


def refined(
    picture: Upright, quad: np.ndarray, *, reach_px: float, ends_px: float | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """The quadrilateral with each side moved to the steepest change of tone near it.

    Where a thin shadow lies along a side there are two changes; the inner one is taken, so that the outline
    holds paper only. A side without a clear change stays where it is.

    Parameters
    ----------
    picture : Upright
    quad : (4, 2) array
        First guess. [px]
    reach_px : float
        How far from the guess a side may lie. [px]
    ends_px : float, optional
        The same for start and end, if they are known better. [px]

    Returns
    -------
    quad : (4, 2) array
        [px]
    clear : (4,) bool array
        Which sides show a clear change of tone; side k runs from corner k to the next.
    """
    most = 0.2 * min(width_px(quad), length_px(quad))
    reach, ends = (int(np.ceil(min(px, most))) for px in (reach_px, reach_px if ends_px is None else ends_px))
    if reach < 1:
        return quad, np.zeros(4, bool)
    points, directions, clear = np.empty((4, 2)), np.empty((4, 2)), np.zeros(4, bool)
    centre = quad.mean(axis=0)
    for k in range(4):
        start, end = quad[k], quad[(k + 1) % 4]
        direction = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
        outward = np.array([direction[1], -direction[0]])
        outward *= np.sign(outward @ ((start + end) / 2 - centre)) or 1.0
        found = _side(picture, start, end, outward, reach if k % 2 else max(ends, 1))
        clear[k] = found is not None
        points[k], directions[k] = (start, direction) if found is None else found
    moved = corners_of_lines(points, directions)
    far = 1.6 * reach + 2.0
    if is_plausible_rectangle(moved) and np.linalg.norm(moved - quad, axis=1).max() < far:
        return moved, clear
    return quad, clear


def _side(
    picture: Upright, start: np.ndarray, end: np.ndarray, outward: np.ndarray, reach: int
) -> tuple[np.ndarray, np.ndarray] | None:
    """A line through the steepest changes of tone near one side; None where there is none."""
    share = np.linspace(0.08, 0.92, PLACES)[:, None]
    base = start + share * (end - start)
    steps = np.arange(-reach - 2, reach + 3)
    at = base[:, None] + steps[None, :, None] * outward
    codes = cv2.remap(
        picture.pixels,
        at[..., 0].astype(np.float32),
        at[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    tone = cv2.blur(tones(codes, picture.transfer), (1, 5))
    steep = np.linalg.norm(tone[:, 2:] - tone[:, :-2], axis=-1)
    steep[(at[:, 1:-1].min(axis=-1) < 0) | _outside(at[:, 1:-1], picture)] = 0.0
    place = _innermost_peak(steep)
    clear = steep[np.arange(PLACES), place] > np.maximum(STEEP * np.median(steep, axis=1), 1.0)
    if np.count_nonzero(clear) < 0.4 * PLACES:
        return None
    exact = steps[1 + place] + _between(steep, place)
    return line_through((base + exact[:, None] * outward)[clear])


def _outside(at: np.ndarray, picture: Upright) -> np.ndarray:
    return (at[..., 0] > picture.width - 1) | (at[..., 1] > picture.height - 1)


def _innermost_peak(steep: np.ndarray) -> np.ndarray:
    """For each row the first local maximum of at least half the greatest height."""
    padded = np.pad(steep, ((0, 0), (1, 1)), mode="edge")
    peak = (steep >= padded[:, :-2]) & (steep >= padded[:, 2:])
    high = steep >= 0.5 * steep.max(axis=1, keepdims=True)
    return np.argmax(peak & high, axis=1)


def _between(steep: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Part of a sample by which the top of a parabola through three samples lies beside the middle one."""
    rows = np.arange(len(place))
    inner = np.clip(place, 1, steep.shape[1] - 2)
    before, here, after = steep[rows, inner - 1], steep[rows, inner], steep[rows, inner + 1]
    curve = before - 2 * here + after
    shift = np.where(np.abs(curve) > 1e-6, 0.5 * (before - after) / np.where(curve == 0, 1, curve), 0.0)
    return np.where(place == inner, np.clip(shift, -0.5, 0.5), 0.0)
