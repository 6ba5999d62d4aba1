"""A second look for the mat in pictures too dark, too soft or too small for its markers to be read one by one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fairpanel.picture.dark_squares import guesses
from fairpanel.picture.levelled import is_dark, is_soft, levelled
from fairpanel.picture.marker_fit import MarkerFit, fitted
from fairpanel.picture.upright import Upright

#: Long side up to which a sharp, bright picture may show a mat too small for the first look; and the side of the
#: largest marker that may have been missed for it. [px]
SMALL_PICTURE, SMALL_MARKER = 1250, 22.0
#: Shortest side of a picture that may show the mat. [px]
LEAST_SIDE = 64
#: Where the mat lies must be known as well as this. [mm]
MOST_ERROR_MM = 1.0


def second_look(upright: Upright) -> MarkerFit | None:
    """The mat by all its markers together, in pixels of the whole picture.

    Nothing is sought in large pictures that are sharp and bright: there the first look misses no mat worth reading.

    Parameters
    ----------
    upright : Upright

    Returns
    -------
    MarkerFit or None
        None where the markers' patterns are not there, or do not tell well enough where the mat lies. What is mirrored
        says so and has no numbers.
    """
    if min(upright.width, upright.height) < LEAST_SIDE:
        return None
    picture, factor = levelled(upright)
    plain = not is_dark(upright, factor) and not is_soft(picture)
    if plain and max(upright.width, upright.height) > SMALL_PICTURE:
        return None
    mirrored = None
    for guess in guesses(picture, largest_px=SMALL_MARKER if plain else np.inf):
        fit = fitted(picture, guess)
        if fit is None:
            continue
        if not fit.mirrored:
            return _in_whole(fit, factor) if fit.error_mm <= MOST_ERROR_MM else None
        mirrored = fit
    return mirrored


def _in_whole(fit: MarkerFit, factor: int) -> MarkerFit:
    """From pixels of the reduced picture to those of the whole."""
    to_whole = np.array([[factor, 0, (factor - 1) / 2], [0, factor, (factor - 1) / 2], [0, 0, 1.0]])
    return replace(fit, matrix=to_whole @ fit.matrix)
