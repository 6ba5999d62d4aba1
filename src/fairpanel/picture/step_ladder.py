"""A step strip of known number of steps, found by its ladder of edges.

Film on a lit box, a scale printed on white card, a tablet that fills the frame: nothing of these need stand out from
what it lies on as a whole. What shows is a row of parallel edges, equally long, evenly spaced, between tones that rise
or fall all along. Lines seen in the reduced picture say where such a row may run; the tones along it decide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fairpanel.picture.edge_rows import FEWEST, across_row, edge_rows
from fairpanel.picture.ladder_band import Band, Window, band_along, best_window, worth
from fairpanel.picture.quadrilaterals import in_reading_direction, is_plausible_rectangle

#: Other numbers of steps that are tried against the one asked for.
OTHER_NUMBERS = (-3, -2, -1, 1, 2, 3)
#: Another number of steps has to be this much better before the number asked for is taken to be wrong. [edges]
BETTER = 1.1


@dataclass(frozen=True)
class Ladder:
    """A ladder of steps: its corners in reading direction [px of the reduced picture] and the number of its steps."""

    corners: np.ndarray
    steps: int


def find_ladder(tone: np.ndarray, n: int) -> Ladder | None:
    """The strip of n steps, if its ladder shows.

    Parameters
    ----------
    tone : (height, width, 3) float32 array
        Tones of the reduced picture. [lightness]
    n : int
        Number of steps.

    Returns
    -------
    Ladder or None
        With another number of steps where that fits the picture clearly better.
    """
    if n < FEWEST:
        return None
    best: tuple[Band, Window] | None = None
    for row in edge_rows(tone):
        band = band_along(tone, *across_row(row))
        window = None if band is None else best_window(band, n)
        if band is not None and window is not None and (best is None or window.score > best[1].score):
            best = band, window
    if best is None:
        return None
    window = _with_best_number(*best)
    corners = best[0].corners(window)
    return Ladder(in_reading_direction(corners), window.steps) if is_plausible_rectangle(corners) else None


def _with_best_number(band: Band, window: Window) -> Window:
    """A window, or the one of more or fewer steps in its place that fits clearly better."""
    best, most, n = window, worth(band, window) + BETTER, window.steps
    for other in (n + k for k in OTHER_NUMBERS if n + k >= FEWEST):
        pitch = window.pitch * n / other
        low, high = min(pitch, window.pitch), max(pitch, window.pitch)
        found = best_window(band, other, shortest=0.95 * low, longest=1.05 * high, tries=50)
        if found is not None and worth(band, found) > most:
            best, most = found, worth(band, found)
    return best
