"""A picture's light as a share of the brightest around each place: what is dark or in shadow looks as by day."""

from __future__ import annotations

import cv2
import numpy as np

from fairpanel.picture.upright import Upright

#: Long side above which a picture is halved. [px]
LONGEST_SIDE = 1400
#: Places across the long side at which the brightest is asked; each looks as far as its neighbours.
_PLACES = 24
#: Light below this share of the brightest anywhere is not lifted any further: there is nothing but noise.
_LEAST_SHARE = 0.03
#: Two blurs, the first against noise. Where the second makes the steepest steps less than so much flatter than the
#: first, they were soft before: by about 1.7 px, for Gaussian edges.
_SOFT_PX, _SOFTER_PX, _SOFT_RATIO = 1.0, 2.5, 1.55


def levelled(picture: Upright) -> tuple[np.ndarray, int]:
    """Green light over the brightest light in its surroundings.

    Parameters
    ----------
    picture : Upright

    Returns
    -------
    (height, width) float32 array, int
        About 1 on white paper, however dark the picture and however uneven its light; and by how much the picture was
        reduced.
    """
    factor = 1
    while max(picture.width, picture.height) // factor > LONGEST_SIDE:
        factor *= 2
    codes = cv2.extractChannel(picture.reduced(factor), 1)
    light = np.ascontiguousarray(picture.transfer.table[:, 1])[codes]
    return np.minimum(light / _brightest_around(light), np.float32(1.5)), factor


def is_dark(picture: Upright, factor: int) -> bool:
    """Whether the brightest of a picture gives less than an eighth of full white's light."""
    small = picture.reduced(factor)[::4, ::4, 1]
    return float(picture.transfer.table[int(np.quantile(small, 0.98)), 1]) < 0.125


def is_soft(light: np.ndarray) -> bool:
    """Whether the sharpest edges of levelled light are soft, in one direction at least: out of focus, or shaken."""
    soft, softer = (cv2.GaussianBlur(light, (0, 0), sd) for sd in (_SOFT_PX, _SOFTER_PX))
    for dy, dx in ((0, 1), (1, 0), (1, 1), (1, -1)):
        steep, less = (_steepest(one, dy, dx) for one in (soft, softer))
        if steep < _SOFT_RATIO * less:
            return True
    return False


def _steepest(light: np.ndarray, dy: int, dx: int) -> float:
    """Step from pixel to pixel that one in a thousand exceeds."""
    one, other = light[: light.shape[0] - dy], light[dy:]
    if dx > 0:
        one, other = one[:, :-1], other[:, 1:]
    elif dx < 0:
        one, other = one[:, 1:], other[:, :-1]
    return float(np.quantile(cv2.absdiff(one, other)[::2, ::2], 0.999))


def _brightest_around(light: np.ndarray) -> np.ndarray:
    height, width = light.shape
    by = max(height, width) / _PLACES
    size = (max(2, round(width / by)), max(2, round(height / by)))
    fine = cv2.resize(light, (4 * size[0], 4 * size[1]), interpolation=cv2.INTER_AREA)  # a speck of glare averages out
    top = max(float(np.quantile(fine, 0.995)), 1e-5)
    most = cv2.dilate(np.minimum(fine, top), np.ones((9, 9)))
    soft = cv2.GaussianBlur(np.maximum(most, _LEAST_SHARE * top), (0, 0), 4.0, borderType=cv2.BORDER_REPLICATE)
    return cv2.resize(soft, (width, height), interpolation=cv2.INTER_LINEAR)
