"""What is known of a found strip, the order in which strips are read, and which of them is the step strip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fairpanel.picture.quadrilaterals import length_px, width_px

#: A step strip's edges lie this near to even places, in steps; at least so many do; so many steps show. [1]
ON_GRID, MOST_ON_GRID, LEAST_SHOWN = 0.22, 0.8, 0.5

#: So many patches of one width are all there are. [1]
FEWEST_EVEN = 4

#: The ends of a step strip may be off by this share of its length. [1]
MOST_OFF = 0.04


@dataclass(frozen=True)
class FoundStrip:
    """A strip found in a picture.

    Parameters
    ----------
    outline : (4, 2) array
        Start left, start right, end right, end left; the start is the left or top end. [px of the upright
        picture]
    patches : int
        Number of patches it shows; patches that look alike count as one.
    edges : (patches - 1,) array
        Where they meet, as shares of the outline's length from its start. [1]
    levels : (patches, 3) array
        Tones of the patches, for ordering and comparing only. [lightness]
    direction : {"darkens", "lightens", None}
        How the tones run from the start; None where they go both ways, hardly change, or there is one patch.
    touches_frame : bool
        It runs to the edge of the picture and may go on outside: not to be read.
    score : float
        0 to 1: how well it fits a strip. [1]
    """

    outline: np.ndarray
    patches: int
    edges: np.ndarray
    levels: np.ndarray
    direction: str | None
    touches_frame: bool
    score: float

    @property
    def centre(self) -> np.ndarray:
        """(2,) array. [px]"""
        return self.outline.mean(axis=0)

    @property
    def length_px(self) -> float:
        """Start to end. [px]"""
        return length_px(self.outline)

    @property
    def width_px(self) -> float:
        """Side to side. [px]"""
        return width_px(self.outline)


def reading_order(strips: Sequence[FoundStrip]) -> list[FoundStrip]:
    """Strips in reading order.

    A strip whose centre lies within the height of the row's topmost strip belongs to that row; rows from the
    top, within a row left to right.
    """
    waiting = sorted(strips, key=lambda strip: strip.outline[:, 1].min())
    ordered: list[FoundStrip] = []
    while waiting:
        top, bottom = waiting[0].outline[:, 1].min(), waiting[0].outline[:, 1].max()
        row = [s for s in waiting if s is waiting[0] or top <= s.centre[1] <= bottom]
        ordered += sorted(row, key=lambda strip: strip.centre[0])
        waiting = [s for s in waiting if not any(s is other for other in row)]
    return ordered


def as_step_strip(strips: Sequence[FoundStrip], n_steps: int) -> FoundStrip | None:
    """The longest strip with as many patches as there are steps.

    Where none shows exactly that many, the longest whose visible edges fit that many patches of equal width
    is taken: light steps beside the unexposed one, and saturated ones, often look alike. None where nothing
    fits.

    Parameters
    ----------
    strips : sequence of FoundStrip
    n_steps : int
        Number of steps, the unexposed one included.
    """
    whole = [strip for strip in strips if not strip.touches_frame]
    exact = [strip for strip in whole if strip.patches == n_steps and (n_steps < 3 or strip.direction)]
    fitting = [strip for strip in whole if strip.direction and _fits_steps(strip, n_steps)]
    for candidates in (exact, fitting):
        if candidates:
            return max(candidates, key=lambda strip: strip.length_px)
    return None


def shows_steps(strip: FoundStrip, n_steps: int) -> bool:
    """Whether a whole strip shows just so many steps, about equally wide."""
    if strip.touches_frame or strip.direction is None or strip.patches != n_steps:
        return False
    return bool(np.abs(strip.edges * n_steps - np.arange(1, n_steps)).max(initial=0.0) < ON_GRID)


def _fits_steps(strip: FoundStrip, n_steps: int) -> bool:
    """Whether the edges that show are mostly those of n equal steps, and half of these show.

    The ends may be found a little off: the lightest step is often as light as what it lies on.
    """
    if n_steps < 2 or len(strip.edges) == 0 or strip.patches > n_steps:
        return False
    if strip.patches < n_steps and shows_steps(strip, strip.patches) and strip.patches >= FEWEST_EVEN:
        return False  # a step that cannot be seen would make its neighbour look wider than the others
    grid, spare = np.arange(1, n_steps), min(0.6 / n_steps, MOST_OFF)
    return any(
        _lie_on(((strip.edges - start) / (1 - start - end)) * n_steps, grid)
        for start in np.linspace(-spare, spare, 7)
        for end in np.linspace(-spare, spare, 7)
    )


def _lie_on(edges: np.ndarray, grid: np.ndarray) -> bool:
    """Whether most edges lie near a line of the grid, and half of the lines have an edge near them."""
    off = np.abs(edges[:, None] - grid)
    return bool(
        np.mean(off.min(axis=1) < ON_GRID) >= MOST_ON_GRID and np.mean(off.min(axis=0) < ON_GRID) >= LEAST_SHOWN
    )
