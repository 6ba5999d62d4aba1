"""Dark squares with white around them that stand as the mat's markers do: guesses where the mat may lie.

A marker that is too soft or too small to be read is still a dark square of known size among others. What is guessed
here is not claimed: `marker_fit` asks whether the markers' own patterns are there.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import combinations, permutations

import cv2
import numpy as np

from fairpanel.mat.layout import MARKER_SIDE, PAGES, layout
from fairpanel.picture.markers import projected

#: Side of a marker in the pictures that are searched, its white rim there, and the step from one scale to the next.
SIDE_PX, RIM_PX, SCALE_STEP = 10.0, 3, 1.25
#: Least and largest marker looked for, as a share of the picture's short side; and never below so many pixels.
SMALLEST_SHARE, LARGEST_SHARE, SMALLEST_PX = 0.008, 0.085, 5.5
#: Likeness of a dark square, and how many of the best are kept at each scale.
LEAST_LIKENESS, MOST_SQUARES = 0.5, 36
#: Squares may be so far from where the others say, in marker sides: tilt moves them.
NEAR = 1.3
#: Markers that must be seen as squares; how far two squares' distance may be off for a scale. [1]
FEWEST_SQUARES, SCALE_SLACK = 4, 1.3


#: The page's first markers stand in its corners: of any four, two are among them.
_CORNERS = 4

#: Guesses given, and how likely the last must be beside the first.
MOST_GUESSES, MUCH_LESS = 8, 0.75


@dataclass(frozen=True)
class Guess:
    """A page and where it may lie: homography from its millimetres to pixels of the levelled picture."""

    page: str
    matrix: np.ndarray
    likeness: float


@cache
def _square() -> np.ndarray:
    """A marker whose pattern is not known: black rim, light grey inside, white around, soft. Standing about 0."""
    side = round(SIDE_PX) + 2 * RIM_PX
    drawn = np.ones((4 * side, 4 * side), np.float32)
    low, high = 4 * RIM_PX, 4 * (side - RIM_PX)
    module = (high - low) // 8
    drawn[low:high, low:high] = 0.0
    drawn[low + module : high - module, low + module : high - module] = 0.4
    return cv2.resize(cv2.GaussianBlur(drawn, (0, 0), 3.0), (side, side), interpolation=cv2.INTER_AREA)


def guesses(picture: np.ndarray, *, largest_px: float = np.inf) -> list[Guess]:
    """Where the mat may lie, the likeliest first; those far less likely than the first are left out.

    Parameters
    ----------
    picture : (height, width) float32 array
        Levelled light.
    largest_px : float
        Side of the largest marker to look for.
    """
    found: list[Guess] = []
    for scale in _scales(picture.shape, largest_px):
        size = (max(1, round(picture.shape[1] * scale)), max(1, round(picture.shape[0] * scale)))
        how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
        small = cv2.resize(picture, size, interpolation=how)
        places, likeness = _squares(np.minimum(small, 1.1))
        if len(places) >= FEWEST_SQUARES:
            back = np.array([picture.shape[1], picture.shape[0]]) / size
            found += [_back(g, back) for page in PAGES for g in _standing_as(page, places, likeness)]
    found.sort(key=lambda g: -g.likeness)
    return [g for g in found[:MOST_GUESSES] if g.likeness > MUCH_LESS * found[0].likeness]


def _scales(shape: tuple[int, ...], largest_px: float) -> np.ndarray:
    """Factors that bring markers of all sizes looked for to `SIDE_PX`."""
    short = min(shape[:2])
    low, high = max(SMALLEST_PX, SMALLEST_SHARE * short), min(LARGEST_SHARE * short, largest_px)
    if high < low:
        return np.zeros(0)
    steps = int(np.ceil(np.log(high / low) / np.log(SCALE_STEP)))
    return SIDE_PX / (high / SCALE_STEP ** np.arange(steps + 1))


def _back(guess: Guess, back: np.ndarray) -> Guess:
    """From pixels of a resized picture to those of the whole."""
    to_whole = np.array([[back[0], 0, (back[0] - 1) / 2], [0, back[1], (back[1] - 1) / 2], [0, 0, 1.0]])
    return Guess(guess.page, to_whole @ guess.matrix, guess.likeness)


def _squares(small: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(n, 2) middles and (n,) likenesses of dark squares, the likeliest first."""
    square = _square()
    if min(small.shape) <= square.shape[0]:
        return np.zeros((0, 2)), np.zeros(0)
    like = cv2.matchTemplate(small, square, cv2.TM_CCOEFF_NORMED)
    y, x = np.nonzero((like >= LEAST_LIKENESS) & (like == cv2.dilate(like, np.ones((7, 7)))))
    best = np.argsort(-like[y, x])[:MOST_SQUARES]
    x, y = x[best], y[best]
    return np.stack([x, y], axis=-1) + (square.shape[0] - 1) / 2, like[y, x].astype(float)


# ---- standing as on the mat ------------------------------------------------------------------------------------


def _standing_as(page: str, places: np.ndarray, likeness: np.ndarray) -> list[Guess]:
    """The best few ways to see some of these squares as the page's markers."""
    middles = np.array([m.corners.mean(axis=0) for m in layout(page).markers])
    ways = _turned_and_sized(middles, places)
    if not len(ways):
        return []
    there = ways[:, 0, None] * (middles[:, 0] + 1j * middles[:, 1]) + ways[:, 1, None]  # (n, markers)
    far = np.abs(there[..., None] - (places[:, 0] + 1j * places[:, 1]))
    nearest = far.argmin(axis=-1)
    near = np.take_along_axis(far, nearest[..., None], axis=-1)[..., 0] / SIDE_PX
    worth = np.where(near < NEAR, likeness[nearest] * (1 - 0.3 * near / NEAR), 0.0).sum(axis=1)
    enough = (near < NEAR).sum(axis=1) >= FEWEST_SQUARES
    found: list[Guess] = []
    taken: list[np.ndarray] = []
    for i in np.argsort(-worth * enough)[: 200 if enough.any() else 0]:
        if len(found) == 4 or not enough[i]:
            break
        if all(np.abs(there[i] - other).max() > 2 * SIDE_PX for other in taken):
            taken.append(there[i])
            found.append(Guess(page, _plane(middles, places[nearest[i]], near[i] < NEAR), float(worth[i])))
    return found


def _turned_and_sized(middles: np.ndarray, places: np.ndarray) -> np.ndarray:
    """(n, 2) complex arrays: factor and shift that bring two of the page's markers upon two squares."""
    mm = middles[:, 0] + 1j * middles[:, 1]
    px = places[:, 0] + 1j * places[:, 1]
    first, second = np.array(list(permutations(range(len(px)), 2))).T
    of_mm = np.array(list(combinations(range(_CORNERS), 2)))
    factor = (px[second] - px[first])[:, None] / (mm[of_mm[:, 1]] - mm[of_mm[:, 0]])
    size = np.abs(factor) * MARKER_SIDE / SIDE_PX
    pair, way = np.nonzero((size < SCALE_SLACK) & (size > 1 / SCALE_SLACK))
    factor = factor[pair, way]
    return np.stack([factor, px[first[pair]] - factor * mm[of_mm[way, 0]]], axis=-1)


def _plane(middles: np.ndarray, places: np.ndarray, used: np.ndarray) -> np.ndarray:
    """Affine map from millimetres to pixels by the squares that stand for markers; with five or more, a homography."""
    if used.sum() >= 5:
        matrix, _ = cv2.findHomography(middles[used], places[used], 0)
        if matrix is not None and _mild(matrix, middles):
            return matrix
    ones = np.column_stack([middles[used], np.ones(used.sum())])
    rows = np.linalg.lstsq(ones, places[used], rcond=None)[0].T
    return np.vstack([rows, [0, 0, 1.0]])


def _mild(matrix: np.ndarray, middles: np.ndarray) -> bool:
    """Whether a homography shows the nearest corner of the page less than twice as large as the farthest."""
    depth = middles @ matrix[2, :2] + matrix[2, 2]
    there = projected(matrix, middles)
    return bool(depth.min() > 0 and depth.max() / depth.min() < 1.6 and np.isfinite(there).all())
