"""Straight edges of a picture, and rows of parallel ones that may be the edges between the steps of a strip."""

from __future__ import annotations

import cv2
import numpy as np

from fairpanel.picture.rectangles import line_through

#: Shortest edge looked at. [px of the reduced picture]
LEAST_EDGE = 9.0
#: Contrast is evened out over this width, down to this spread, so that faint edges show beside strong ones.
NEAR_PX, FAINT = 41, 1.0
#: Edges of one row: this parallel [degrees], this alike in length [1], this little shifted [lengths].
PARALLEL, ALIKE, SHIFTED = 5.0, 0.6, 0.25
#: Both flanks of a thin line are one edge up to here [px]; gaps are alike within this share. [1]
TOGETHER, UNEVEN = 6.0, 0.12
#: Edges that make a row, and rows of one picture that are looked along; longest edges looked at.
FEWEST, MOST_ROWS, MOST_EDGES = 3, 6, 900


def edge_rows(tone: np.ndarray) -> list[np.ndarray]:
    """Rows of parallel edges, those with most evenly spaced ones first.

    Parameters
    ----------
    tone : (height, width, 3) float32 array
        Tones of the reduced picture. [lightness]

    Returns
    -------
    list of (k, 2, 2) arrays
        Both ends of every edge of a row. [px]
    """
    return _rows(_edges(tone))


def _edges(tone: np.ndarray) -> np.ndarray:
    """(k, 2, 2) ends of straight edges, the longest first."""
    light = cv2.blur(tone.mean(axis=-1), (3, 3))
    mean, square = cv2.blur(light, (NEAR_PX,) * 2), cv2.blur(light * light, (NEAR_PX,) * 2)
    spread = np.sqrt(np.maximum(square - mean * mean, 0.0))
    light = np.clip(128 + 48 * (light - mean) / (spread + FAINT), 0, 255).astype(np.uint8)
    lines = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(light)[0]
    if lines is None:
        return np.zeros((0, 2, 2))
    ends = lines.reshape(-1, 2, 2).astype(float)
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    order = np.argsort(-length)
    return ends[order][length[order] >= LEAST_EDGE][:900]


def _rows(ends: np.ndarray) -> list[np.ndarray]:
    """Rows of parallel edges, (k, 2, 2) each, those with most edges first."""
    if len(ends) < FEWEST:
        return []
    along = ends[:, 1] - ends[:, 0]
    length = np.linalg.norm(along, axis=1)
    unit = along / length[:, None]
    middle = ends.mean(axis=1)
    rows: list[tuple[float, np.ndarray]] = []
    for k in range(len(ends)):
        apart = middle - middle[k]
        ahead = np.abs(apart @ np.array([-unit[k, 1], unit[k, 0]])) / length[k]
        own = (
            (np.abs(unit @ unit[k]) > np.cos(np.radians(PARALLEL)))
            & (np.minimum(length, length[k]) > ALIKE * np.maximum(length, length[k]))
            & (np.abs(apart @ unit[k]) < SHIFTED * length[k] + 0.05 * ahead * length[k])
        )
        even = _evenly_spaced(apart[own] @ np.array([-unit[k, 1], unit[k, 0]]))
        if even > 1.0:
            rows.append((even * float(np.sqrt(length[k])), np.flatnonzero(own)))
    rows.sort(key=lambda row: -row[0])
    chosen: list[np.ndarray] = []
    for _, own in rows:
        if all(len(np.intersect1d(own, other)) < 0.5 * len(own) for other in chosen):
            chosen.append(own)
        if len(chosen) == MOST_ROWS:
            break
    return [ends[own] for own in chosen]


def _evenly_spaced(places: np.ndarray) -> float:
    """How many gaps between neighbouring edges are about as wide as most, the less the more are not."""
    places = np.sort(places)
    gaps = np.diff(places[np.concatenate([[True], np.diff(places) > TOGETHER])])
    if len(gaps) == 0:
        return 0.0
    even = max(np.count_nonzero(np.abs(gaps / gap - 1.0) < UNEVEN) for gap in gaps)
    return even * even / len(gaps)


def across_row(ends: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of a row of edges: a point on its middle line, that line's direction, and the way across, side to side."""
    way = ends[0, 1] - ends[0, 0]
    turned = (ends[:, 1] - ends[:, 0]) @ way < 0
    ends = np.where(turned[:, None, None], ends[:, ::-1], ends)
    middle, axis = line_through(ends.mean(axis=1))
    vectors = ends[:, 1] - ends[:, 0]
    length = np.quantile(np.linalg.norm(vectors, axis=1), 0.6)
    direction = np.median(vectors / np.linalg.norm(vectors, axis=1, keepdims=True), axis=0)
    return middle, axis, direction / np.linalg.norm(direction) * length
