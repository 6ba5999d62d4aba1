"""Fiducial markers: seen in a reduced picture, their corners measured in the full one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from functools import cache

import cv2
import numpy as np

from fairpanel.mat.layout import MARKER_FAMILY, PAGES, layout
from fairpanel.mat.markers import MODULES, pattern
from fairpanel.picture.colour import srgb_to_linear
from fairpanel.picture.medians import median
from fairpanel.picture.upright import Upright

#: Long sides of the reduced pictures that are searched, coarse to fine. [px]
_SEARCHED_SIDES = (1400, 2800)

#: Points along an edge, samples across it, and how far across, in modules: less than the border is wide.
EDGE_POINTS, EDGE_SAMPLES, EDGE_REACH = 24, 25, 0.6
#: Least step in linear light of an edge; likeness from which a pattern counts as the marker's own.
LEAST_STEP, LEAST_LIKENESS = 0.02, 0.6

_SHARES = np.linspace(0.1, 0.9, EDGE_POINTS)
#: For each corner, the one after and the one before it.
_NEXT, _BEFORE = [1, 2, 3, 0], [3, 0, 1, 2]

_NUMBERS = tuple(m.number for page in PAGES for m in layout(page).markers)

_LINEAR = srgb_to_linear(np.arange(256) / 255).astype(np.float32)


def projected(matrix: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(..., 2) points through a homography."""
    points = np.asarray(points, float)
    homogeneous = points @ matrix[:, :2].T + matrix[:, 2]
    return homogeneous[..., :2] / homogeneous[..., 2:]


@cache
def _detector() -> cv2.aruco.ArucoDetector:
    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshWinSizeMin, settings.adaptiveThreshWinSizeMax = 11, 31
    settings.adaptiveThreshWinSizeStep = 20
    settings.minMarkerPerimeterRate = 0.05  # a dozen pixels a side; below, nothing can be read
    # Only the middle of each module is asked, and all correction is allowed: so markers of 20 px and soft
    # ones are read. What is read wrongly for it does not fit with the others and is left out by the fit.
    settings.perspectiveRemovePixelPerCell, settings.perspectiveRemoveIgnoredMarginPerCell = 8, 0.3
    settings.errorCorrectionRate = 1.0
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_FAMILY))
    return cv2.aruco.ArucoDetector(dictionary, settings)


def tones_of(pixels: np.ndarray) -> np.ndarray:
    """Green of (height, width, 3) codes as 8 bit: it carries most of the light, and one is a third of the work."""
    green = cv2.extractChannel(pixels, 1)
    return green if green.dtype == np.uint8 else cv2.convertScaleAbs(green, alpha=1 / 257)


def reductions(upright: Upright) -> Iterator[tuple[int, np.ndarray]]:
    """Pictures to search, coarse to fine, with their factors; halving is the quickest way to reduce."""
    side = max(upright.pixels.shape[:2])
    factor = 1
    while side // factor > _SEARCHED_SIDES[0]:
        factor *= 2
    yield factor, tones_of(upright.reduced(factor))
    while factor > 1 and side // (factor // 2) <= _SEARCHED_SIDES[1]:
        factor //= 2
        yield factor, tones_of(upright.reduced(factor))


def detected(picture: np.ndarray, factor: int) -> tuple[dict[int, np.ndarray], np.ndarray]:
    """Our markers, and what is shaped like a marker but is none of ours.

    Returns
    -------
    dict of int to (4, 2) array, (n, 4, 2) array
        Corners by number in pixels of the full picture, those seen more than once left out; corners of the rest in
        pixels of this picture.
    """
    corners, numbers, rest = _detector().detectMarkers(picture)
    others = np.array(rest, np.float32).reshape(-1, 4, 2)
    if numbers is None:
        return {}, others
    numbers = numbers.ravel()
    counts = Counter(numbers.tolist())
    seen = {
        int(n): (c.reshape(4, 2).astype(float) + 0.5) * factor - 0.5
        for n, c in zip(numbers, corners, strict=True)
        if counts[int(n)] == 1
    }
    return seen, others


def in_mirror(picture: np.ndarray, quads: np.ndarray) -> int:
    """How many different markers of ours are shown in mirror writing between such corners."""
    if not len(quads):
        return 0
    squares = np.array([_modules(picture, q).ravel() for q in quads])
    turned = [[np.rot90(pattern(n)[:, ::-1], k) for k in range(4)] for n in _NUMBERS]
    ours = np.array([[_standing(p).ravel() for p in turns] for turns in turned])
    likeness = np.einsum("qm,nkm->nqk", squares, ours).max(axis=(1, 2))
    return int((likeness > LEAST_LIKENESS).sum())


# ---- corners -----------------------------------------------------------------------------------------------


def refined_corners(pixels: np.ndarray, corners: np.ndarray) -> np.ndarray | None:
    """Corners of one marker where its outer edges meet in the full picture.

    A straight line is laid through each edge, found in linear light where half of the step is reached: so
    blur and the camera's tone curve do not shift it. Three rounds, each starting from the last.

    Parameters
    ----------
    pixels : (height, width, 3) array
        Full picture; its green is taken for sRGB codes.
    corners : (4, 2) array
        Where they are expected, within half a module. [px]

    Returns
    -------
    (4, 2) array or None
        [px]; None where the edges are not there.
    """
    module = np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1).mean() / MODULES
    low = np.floor(corners.min(0) - 2 * module - 2).astype(int).clip(0)
    high = np.ceil(corners.max(0) + 2 * module + 2).astype(int)
    crop = pixels[low[1] : high[1], low[0] : high[0]]
    if min(crop.shape[:2]) < 8 or module < 1.5:
        return None
    light = cv2.LUT(tones_of(crop), _LINEAR)
    here: np.ndarray | None = corners - low
    for _ in range(3):
        here = _edges_met(light, here, module) if here is not None else None
    return here + low if here is not None else None


def _edges_met(light: np.ndarray, corners: np.ndarray, module: float) -> np.ndarray | None:
    """One round of refinement in a crop of linear light."""
    along = corners[_NEXT] - corners
    length = np.sqrt(along[:, :1] ** 2 + along[:, 1:] ** 2)
    outwards = np.stack([along[:, 1], -along[:, 0]], axis=1) / length
    reach = EDGE_REACH * module
    steps = np.linspace(-reach, reach, EDGE_SAMPLES)
    x, y = (_across_edges(corners[:, i], along[:, i], outwards[:, i], steps) for i in (0, 1))
    profiles = cv2.remap(light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    dark, white = profiles[:, :4].mean(1), profiles[:, -4:].mean(1)
    step = white - dark
    if median(step) < LEAST_STEP:
        return None
    bright = (profiles.mean(1) - dark) / np.maximum(step, LEAST_STEP / 4)
    offset = (reach * (1 - 2 * bright)).reshape(4, EDGE_POINTS)
    return _crossings(corners, along, outwards, *_lines(_SHARES, offset))


def _across_edges(start: np.ndarray, along: np.ndarray, outwards: np.ndarray, steps: np.ndarray) -> np.ndarray:
    """(4 * EDGE_POINTS, EDGE_SAMPLES) one coordinate of the samples across the edges, written as float32 at once."""
    on_edge = start[:, None] + _SHARES * along[:, None]
    places = np.empty((4, EDGE_POINTS, EDGE_SAMPLES), np.float32)
    np.add(on_edge[:, :, None], (outwards[:, None] * steps)[:, None], out=places, casting="same_kind")
    return places.reshape(-1, EDGE_SAMPLES)


def _lines(share: np.ndarray, offset: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(4,) offsets and slopes of straight edges by least squares, points far from them left out twice."""
    keep = np.ones(offset.shape)
    for turn in range(3):
        count = keep.sum(1, keepdims=True)
        x = share - (keep * share).sum(1, keepdims=True) / count
        middle = (keep * offset).sum(1, keepdims=True) / count
        slope = (keep * x * offset).sum(1, keepdims=True) / (keep * x**2).sum(1, keepdims=True)
        if turn < 2:
            left = np.abs(offset - middle - slope * x)
            keep = (left <= np.maximum(3 * median(left)[:, None], 1e-3)).astype(float)
    return (middle + slope * (x - share))[:, 0], slope[:, 0]


def _crossings(
    corners: np.ndarray, along: np.ndarray, outwards: np.ndarray, offset: np.ndarray, slope: np.ndarray
) -> np.ndarray | None:
    """Where the shifted edges meet: edge i runs from corner i to the next."""
    start = corners + outwards * offset[:, None]
    direction = along + outwards * slope[:, None]
    before, way = start[_BEFORE], direction[_BEFORE]
    cross = way[:, 0] * direction[:, 1] - way[:, 1] * direction[:, 0]
    if np.abs(cross).min() < 1e-9:
        return None
    gap = start - before
    share = (gap[:, 0] * direction[:, 1] - gap[:, 1] * direction[:, 0]) / cross
    return before + share[:, None] * way


def shows(pixels: np.ndarray, corners: np.ndarray, number: int) -> bool:
    """Whether the picture has that marker's pattern between these corners."""
    seen = _modules(pixels, corners)
    return float((seen * _standing(pattern(number))).sum()) > LEAST_LIKENESS


def _modules(picture: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """(8, 8) tones, or green codes, in the middles of a marker's modules, standing about 0 with length 1."""
    middles = (np.arange(MODULES) + 0.5).astype(np.float32)
    square = np.array([[0, 0], [MODULES, 0], [MODULES, MODULES], [0, MODULES]], np.float32)
    way = cv2.getPerspectiveTransform(square, corners.astype(np.float32))
    places = projected(way, np.stack(np.meshgrid(middles, middles), axis=-1)).astype(np.float32)
    seen = cv2.remap(picture, places[..., 0], places[..., 1], cv2.INTER_LINEAR)
    return _standing(seen if seen.ndim == 2 else seen[..., 1])


def _standing(tones: np.ndarray) -> np.ndarray:
    above = tones - float(tones.mean())
    return above / max(float(np.linalg.norm(above)), 1e-9)
