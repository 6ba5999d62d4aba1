"""What should be equally white in a picture: the mat's own paper, or the ground around the strips."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from fairpanel.picture import light
from fairpanel.picture.finding_mat import FoundMat, mat_in
from fairpanel.picture.light import Light
from fairpanel.picture.upright import Upright

#: Most samples of white a surface is fitted to.
MOST_SAMPLES = 180
#: A ground is believed to be even where its samples scatter less than this around a smooth surface. [ln]
EVEN_GROUND = 0.03


def light_on_mat(picture: Upright, found: FoundMat) -> tuple[Light, np.ndarray, np.ndarray]:
    """Light over the mat, from the white paper between the cells.

    Returns
    -------
    light, places (n, 2) [px], white (n, 3)
        The samples it was found from.
    """
    mat = found.layout
    per_mm = found.pixels_per_mm
    factor = max(1, int(per_mm * 0.8))
    small = picture.reduced(factor)
    scale = factor
    grid = np.stack(np.meshgrid(np.arange(3.0, mat.width - 2, 3.0), np.arange(3.0, mat.height - 2, 3.0)), axis=-1)
    places = grid.reshape(-1, 2)
    free = np.ones(len(places), bool)
    near = np.zeros(len(places), bool)
    for thing in (*mat.cells, *mat.greys, *mat.markers, mat.code):
        x0, y0, x1, y1 = thing.x, thing.y, thing.x + thing.width, thing.y + thing.height
        gap = np.maximum(np.maximum(x0 - places[:, 0], places[:, 0] - x1), np.maximum(y0 - places[:, 1], places[:, 1] - y1))
        free &= gap > 1.8
        near |= gap < 9.0
    pixels = found.to_pixels(places)
    inside = ((pixels > 2 * factor) & (pixels < np.array([picture.width, picture.height]) - 3 * factor)).all(axis=1)
    keep = free & near & inside
    return _fit(picture, small, scale, pixels[keep], unit=26.0 * per_mm)


def mat_light(picture: Upright) -> tuple[Light, np.ndarray, np.ndarray]:
    """`light_on_mat` of a picture that has one, found once and kept with the picture."""
    if "light" not in picture.found:
        picture.found["light"] = light_on_mat(picture, mat_in(picture))
    return picture.found["light"]


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
        square = np.floor(places / (span / cells)).astype(int)
        _, group, count = np.unique(square, axis=0, return_inverse=True, return_counts=True)
        if len(count) <= most:
            break
    group = group.ravel()
    order = np.argsort(group, kind="stable")
    parts = np.split(order, np.cumsum(count)[:-1])
    return (
        np.array([places[i].mean(axis=0) for i in parts]),
        np.array([np.median(values[i], axis=0) for i in parts]),
    )


def light_around(
    picture: Upright, polygons: Sequence[np.ndarray], *, width: float, lightest: float
) -> tuple[Light, np.ndarray, np.ndarray] | None:
    """Light over strips from the ground around them, where that is pale and even enough; else None.

    Parameters
    ----------
    polygons : sequence of (4, 2) arrays
        Outlines of all that lies in the picture. [px]
    width : float
        Typical width of a strip. [px]
    lightest : float
        Green light of the lightest patch; a ground darker than a third of it is not used.
    """
    factor = max(1, round(width / 24))
    small = picture.reduced(factor)
    covered = np.zeros(small.shape[:2], np.uint8)
    for polygon in polygons:
        cv2.fillConvexPoly(covered, np.rint((polygon + 0.5) / factor - 0.5).astype(np.int32), 255)
    apart = cv2.dilate(covered, np.ones((5, 5), np.uint8))
    around = cv2.dilate(covered, np.ones((17, 17), np.uint8))
    y, x = np.nonzero((around > 0) & (apart == 0))
    if len(x) < 60:
        return None
    values = picture.transfer.linear(small[y, x]).astype(float)
    places = (np.stack([x, y], axis=1) + 0.5) * factor - 0.5
    bright = values[:, 1] > 0.33 * lightest
    if bright.mean() < 0.6:
        return None
    places, white = thinned(places[bright], values[bright], MOST_SAMPLES)
    if len(places) < 16:
        return None
    model = light.from_white(places, white, unit=width)
    rest = np.abs(np.log(np.maximum(white, 1e-6)) - model.at(places))[:, 1]
    if np.quantile(rest, 0.7) > EVEN_GROUND:
        return None
    return model, places, white
