"""From masks of things that differ from the ground to the rectangles they are made of."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from fairpanel.picture.quadrilaterals import corners_of_lines, is_plausible_rectangle, signed_area

#: A mask counts as a rectangle when it differs from one by no more than this share of its area, plus a margin
#: along its outline for cut edges that are not quite straight.
MISFIT = 0.025
MARGIN_PX = 0.35

#: A cut is made only if it explains this share of what the rectangle round the whole leaves empty. Low,
#: because in a row of many touching strips one cut explains little.
WORTHWHILE = 0.12

#: A row of a dozen touching strips has an outline of some fifty corners; what has more is not made of strips.
MOST_CORNERS = 60

#: Holes up to this share of a piece are taken for print or dirt; greater ones for ground showing through. [1]
SMALL_HOLE = 0.01


@dataclass(frozen=True)
class Piece:
    """A connected mask with the place of its first pixel in the reduced picture.

    Parameters
    ----------
    x, y : int
        Of the mask's first pixel. [px]
    mask : (height, width) uint8 array
        1 inside.
    """

    x: int
    y: int
    mask: np.ndarray

    @property
    def area(self) -> int:
        """[px^2]"""
        return int(np.count_nonzero(self.mask))


@dataclass(frozen=True)
class Fitted:
    """A quadrilateral laid round a piece.

    Parameters
    ----------
    quad : (4, 2) array
        Corners in order, either way round. [px of the reduced picture]
    misfit : float
        Share of its area in which piece and quadrilateral differ. [1]
    good : bool
        The piece is a rectangle for our purpose.
    """

    quad: np.ndarray
    misfit: float
    good: bool


def pieces_of(mask: np.ndarray, *, least_area: int, x: int = 0, y: int = 0) -> list[Piece]:
    """Connected parts of a mask, holes filled, specks left out.

    Parameters
    ----------
    mask : (height, width) uint8 or bool array
    least_area : int
        Parts smaller than this are left out. [px^2]
    x, y : int
        Where the mask lies in the reduced picture. [px]
    """
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    found = []
    for k in range(1, count):
        left, top, width, height, area = stats[k]
        if area >= least_area:
            own = (labels[top : top + height, left : left + width] == k).astype(np.uint8)
            found.append(Piece(x + int(left), y + int(top), own))
    return found


def filled(piece: Piece) -> Piece:
    """The piece without its small holes."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(1 - np.pad(piece.mask, 1), connectivity=4)
    small = stats[:, cv2.CC_STAT_AREA] <= SMALL_HOLE * piece.area
    small[labels[0, 0]] = small[0] = False  # what lies around it, and the piece itself
    if count <= 2 or not small.any():
        return piece
    return Piece(piece.x, piece.y, piece.mask | small[labels[1:-1, 1:-1]].astype(np.uint8))


def outline_of(piece: Piece, *, every: bool = True) -> np.ndarray:
    """(n, 2) array: the longest outer contour, in pixels of the piece."""
    method = cv2.CHAIN_APPROX_NONE if every else cv2.CHAIN_APPROX_SIMPLE
    outer, _ = cv2.findContours(piece.mask, cv2.RETR_EXTERNAL, method)
    return max(outer, key=len).reshape(-1, 2)


def fitted(piece: Piece) -> Fitted:
    """The quadrilateral that fits a piece best: straight lines through the four sides of its outline."""
    contour = outline_of(piece).astype(float)
    box = cv2.boxPoints(cv2.minAreaRect(contour.astype(np.float32))).astype(float)
    quad = _through_sides(contour, box)
    if quad is None:
        quad = box
    differs = _difference(piece, quad)
    around = float(np.linalg.norm(np.roll(quad, -1, axis=0) - quad, axis=1).sum())
    good = differs <= MISFIT * piece.area + MARGIN_PX * around
    return Fitted(quad + np.array([piece.x, piece.y]), differs / max(piece.area, 1), good)


def is_convex(piece: Piece) -> bool:
    """Whether a piece has no inner corners worth the name."""
    hull = cv2.convexHull(outline_of(piece).reshape(-1, 1, 2).astype(np.float32))
    return piece.area > 0.9 * cv2.contourArea(hull)


def within(piece: Piece, quad: np.ndarray) -> Fitted | None:
    """The fit of the part of a piece that lies in a quadrilateral; None where hardly anything does.

    Parameters
    ----------
    piece : Piece
    quad : (4, 2) array
        Made a little longer, so that it cuts only sideways. [px of the reduced picture]
    """
    drawn = np.zeros_like(piece.mask)
    middle = quad.mean(axis=0)
    along = (quad[2] + quad[3] - quad[0] - quad[1]) / 2
    longer = quad + 0.3 * np.sign((quad - middle) @ along)[:, None] * along
    cv2.fillConvexPoly(drawn, np.round((longer - (piece.x, piece.y)) * 16).astype(np.int32), 1, shift=4)
    parts = pieces_of(drawn & piece.mask, least_area=50, x=piece.x, y=piece.y)
    return fitted(max(parts, key=lambda part: part.area)) if parts else None


def _through_sides(contour: np.ndarray, box: np.ndarray) -> np.ndarray | None:
    """Lines through the contour points nearest to each side of a box; None where that fails."""
    sides = np.roll(box, -1, axis=0) - box
    lengths = np.maximum(np.linalg.norm(sides, axis=1), 1e-6)
    along = np.einsum("nkj,kj->nk", contour[:, None] - box, sides) / lengths**2
    normals = np.stack([sides[:, 1], -sides[:, 0]], axis=1) / lengths[:, None]
    away = np.abs(np.einsum("nkj,kj->nk", contour[:, None] - box, normals))
    nearest = np.argmin(away, axis=1)
    centre = box.mean(axis=0)
    points, directions = np.empty((4, 2)), np.empty((4, 2))
    for k in range(4):
        own = contour[(nearest == k) & (along[:, k] > 0.1) & (along[:, k] < 0.9)]
        if len(own) < 4:
            return None
        points[k], directions[k] = line_through(own)
        outward = np.array([directions[k][1], -directions[k][0]])
        outward *= np.sign(outward @ (points[k] - centre)) or 1.0
        points[k] += 0.5 * outward  # a contour runs through the centres of the outermost pixels
    quad = corners_of_lines(points, directions)
    return quad if is_plausible_rectangle(quad) else None


def line_through(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A straight line through points of which some lie astray.

    Parameters
    ----------
    points : (n, 2) array

    Returns
    -------
    point, direction : (2,) arrays
        A point on the line and its unit direction.
    """
    keep = points
    for _ in range(5):
        centre = keep.mean(axis=0)
        direction = np.linalg.svd(keep - centre, full_matrices=False)[2][0]
        off = np.abs((points - centre) @ np.array([-direction[1], direction[0]]))
        reach = max(2.5 * 1.4826 * float(np.median(off)), 0.35)
        closer = points[off <= reach]
        if len(closer) < 4 or len(closer) == len(keep):
            break
        keep = closer
    return centre, direction


def _difference(piece: Piece, quad: np.ndarray) -> float:
    """Area in which a piece and a quadrilateral in its pixels differ. [px^2]"""
    pad = 4
    mask = np.pad(piece.mask, pad)
    drawn = np.zeros_like(mask)
    cv2.fillConvexPoly(drawn, np.round((quad + pad) * 16).astype(np.int32), 1, shift=4)
    return float(np.count_nonzero(drawn != mask))


def cut_into_rectangles(piece: Piece, *, least_area: int, depth: int = 8) -> list[tuple[Piece, Fitted]]:
    """A piece cut along straight lines through its inner corners until its parts are rectangles.

    Strips that touch, at whatever angle, make an outline with inner corners; the cut goes on from a side of
    one of them. Parts that no cut improves are returned as they are, with a fit that is not good.

    Parameters
    ----------
    piece : Piece
    least_area : int
        Smaller parts are dropped. [px^2]
    depth : int
        Cuts that may follow one another.
    """
    fit = fitted(piece)
    if fit.good or depth == 0:
        return [(piece, fit)]
    cut = _best_cut(piece)
    if cut is None:
        return [(piece, fit)]
    parts: list[tuple[Piece, Fitted]] = []
    for mask in cut:
        for part in pieces_of(mask, least_area=least_area, x=piece.x, y=piece.y):
            parts += cut_into_rectangles(part, least_area=least_area, depth=depth - 1)
    return parts or [(piece, fit)]


def _best_cut(piece: Piece) -> tuple[np.ndarray, np.ndarray] | None:
    """The two masks on either side of the cut that leaves the least empty around its parts."""
    contour = outline_of(piece).astype(float)
    y, x = np.nonzero(piece.mask)
    pixels = np.stack([x, y], axis=1).astype(float)
    some = pixels[:: max(1, len(pixels) // 6000)]
    best, line = (1 - WORTHWHILE) * _empty(contour, piece.area), None
    for point, direction in _cut_lines(piece, contour):
        normal = np.array([-direction[1], direction[0]])
        side, on_edge = (some - point) @ normal, (contour - point) @ normal
        share = np.count_nonzero(side > 0) / len(some)
        if not 0.04 < share < 0.96:
            continue
        seam = _seam(piece.mask, point, direction)
        left = _empty(np.concatenate([contour[on_edge >= 0], seam]), share * piece.area)
        left += _empty(np.concatenate([contour[on_edge < 0], seam]), (1 - share) * piece.area)
        if left < best:
            best, line = left, (point, normal)
    if line is None:
        return None
    side = (pixels - line[0]) @ line[1] > 0
    one, other = np.zeros_like(piece.mask), np.zeros_like(piece.mask)
    one[y[side], x[side]] = 1
    other[y[~side], x[~side]] = 1
    return one, other


def _empty(border: np.ndarray, area: float) -> float:
    """What the smallest rectangle round some points leaves beyond an area. [px^2]"""
    if len(border) < 4:
        return float("inf")
    (_, _), (width, height), _ = cv2.minAreaRect(border.astype(np.float32))
    return max(0.0, (width + 1) * (height + 1) - area)


def _seam(mask: np.ndarray, point: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """(n, 2) array: points of a line inside a mask."""
    reach = float(np.hypot(*mask.shape))
    line = point + np.arange(-reach, reach, 2.0)[:, None] * direction
    nearest = np.round(line).astype(int)
    within = np.all((nearest >= 0) & (nearest < mask.shape[::-1]), axis=1)
    line, nearest = line[within], nearest[within]
    return line[mask[nearest[:, 1], nearest[:, 0]] > 0]


def _cut_lines(piece: Piece, contour: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Lines along which a piece may be cut.

    Through each inner corner of its outline in the direction of each of its long sides, and along the long
    sides.
    """
    corners = cv2.approxPolyDP(contour.astype(np.int32).reshape(-1, 1, 2), 2.0, True).reshape(-1, 2).astype(float)
    if not 5 <= len(corners) <= MOST_CORNERS:
        return []
    sides = _long_sides(corners, contour)
    directions: list[np.ndarray] = []
    for _, direction in sides:
        if all(abs(direction @ other) < np.cos(np.radians(0.7)) for other in directions):
            directions.append(direction)
    inner = _inner_corners(corners)
    lines = [(corner, direction) for corner in inner for direction in directions[:8]]
    for i, one in enumerate(inner):
        for other in inner[i + 1 :]:
            gap = float(np.linalg.norm(other - one))
            if gap > 5:
                lines.append((one, (other - one) / gap))
    return [*sides, *lines][:120]


def _inner_corners(corners: np.ndarray) -> list[np.ndarray]:
    """Corners at which an outline turns inwards."""
    turning = np.sign(signed_area(corners))
    arriving, leaving = corners - np.roll(corners, 1, axis=0), np.roll(corners, -1, axis=0) - corners
    turn = turning * (arriving[:, 0] * leaving[:, 1] - arriving[:, 1] * leaving[:, 0])
    sizes = np.linalg.norm(arriving, axis=1) * np.linalg.norm(leaving, axis=1)
    return list(corners[turn < -0.1 * sizes])


def _long_sides(corners: np.ndarray, contour: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Lines through the long straight stretches of an outline, longest first: point and unit direction."""
    ends = np.roll(corners, -1, axis=0)
    lengths = np.linalg.norm(ends - corners, axis=1)
    found = []
    for k in np.argsort(-lengths)[:16]:
        if lengths[k] < max(10.0, 0.12 * lengths.max()):
            break
        direction = (ends[k] - corners[k]) / lengths[k]
        along = (contour - corners[k]) @ direction
        aside = np.abs((contour - corners[k]) @ np.array([-direction[1], direction[0]]))
        own = contour[(along > 0.08 * lengths[k]) & (along < 0.92 * lengths[k]) & (aside < 2.5)]
        found.append(line_through(own) if len(own) > 5 else (corners[k], direction))
    return found
