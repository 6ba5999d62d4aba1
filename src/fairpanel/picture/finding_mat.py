"""Finding the mat in a picture: where each of its millimetres lies, to a fraction of a pixel.

Markers are looked for in a reduced picture, their corners are refined in the full one, and a plane seen
through a lens with slight barrel or pincushion distortion is fitted to them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from fairpanel.mat.layout import PAGES, Grey, Layout, Marker, layout
from fairpanel.picture.marker_fit import MarkerFit
from fairpanel.picture.markers import detected, in_mirror, projected, reductions, refined_corners, shows
from fairpanel.picture.second_look import second_look
from fairpanel.picture.upright import Upright

#: Markers needed, and the least share of the mat they must span: three in a row say nothing about tilt.
FEWEST_MARKERS, LEAST_SPREAD = 3, 0.15

#: With so many, the places of the others are known well enough to look for them there.
ENOUGH_MARKERS = 4

#: A corner further than this from its place is not a corner of the mat. Curled paper stays below. [mm]
FARTHEST_CORNER_MM = 1.5

#: Fewer leave the lens so free that the far corners run away.
MARKERS_FOR_LENS = 5

#: Distortion is modelled where it makes the residual variance smaller by this factor.
_WORTH_A_PARAMETER = 1.5

#: Largest radial distortion believed: shift at the picture's corner as a share of the half diagonal.
_MOST_RADIAL = 0.15


class MirroredPicture(ValueError):
    """The mat is seen as in a mirror: left and right are exchanged."""


@dataclass(frozen=True)
class FoundMat:
    """Where the mat lies in a picture.

    Parameters
    ----------
    layout : Layout
        The page that was printed, known by its markers.
    homography : (3, 3) array
        Millimetres of the mat to pixels of a lens without distortion.
    centre : (2,) array
        Centre of the distortion. [px]
    radial : float
        Distortion: a point r half diagonals from the centre is shifted outwards by radial * r^3 half
        diagonals. [1]
    half_diagonal : float
        [px]
    markers : tuple of int
        Numbers of the markers used.
    residual_px, residual_mm : float
        Root mean square distance of the corners from their places.
    error_mm : float
        Largest expanded uncertainty (coverage factor 2) of a place on the page, as far as its markers tell.
    """

    layout: Layout
    homography: np.ndarray
    centre: np.ndarray
    radial: float
    half_diagonal: float
    markers: tuple[int, ...]
    residual_px: float
    residual_mm: float
    error_mm: float = 0.0

    def to_pixels(self, points_mm: np.ndarray) -> np.ndarray:
        """(..., 2) pixels of the upright picture of points in millimetres of the mat."""
        return _distorted(projected(self.homography, points_mm), self.centre, self.radial, self.half_diagonal)

    def to_mm(self, points_px: np.ndarray) -> np.ndarray:
        """(..., 2) millimetres of the mat of points in pixels of the upright picture."""
        straight = _undistorted(np.asarray(points_px, float), self.centre, self.radial, self.half_diagonal)
        return projected(np.linalg.inv(self.homography), straight)

    @property
    def pixels_per_mm(self) -> float:
        """Scale in the middle of the mat: root of the area that a square millimetre takes."""
        x, y = self.layout.width / 2, self.layout.height / 2
        here, right, down = self.to_pixels(np.array([[x, y], [x + 1, y], [x, y + 1]]))
        (a, b), (c, d) = right - here, down - here
        return float(np.sqrt(abs(a * d - b * c)))

    def print_scale(self, dpi: float) -> float:
        """How large the mat was printed, from a scan of known resolution; 1 is true to the millimetre.

        Parameters
        ----------
        dpi : float
            Of the scan. [px/inch]
        """
        return self.pixels_per_mm * 25.4 / dpi


def _distorted(points: np.ndarray, centre: np.ndarray, radial: float, half: float) -> np.ndarray:
    offset = points - centre
    far = offset[..., 0] ** 2 + offset[..., 1] ** 2
    return centre + offset * (1 + radial * far / half**2)[..., None]


def _undistorted(points: np.ndarray, centre: np.ndarray, radial: float, half: float) -> np.ndarray:
    """Inverse of `_distorted` by Newton's iteration along the radius; exact to far below a pixel."""
    offset = points - centre
    far = np.sqrt((offset**2).sum(-1, keepdims=True)) / half
    near = far.copy()
    for _ in range(6):
        near -= (near + radial * near**3 - far) / (1 + 3 * radial * near**2)
    return centre + offset / (1 + radial * near**2)


# ---- the fit -----------------------------------------------------------------------------------------------


def _of_page(seen: dict[int, np.ndarray], page: str) -> dict[int, Marker]:
    return {m.number: m for m in layout(page).markers if m.number in seen}


def _well_spread(page: str, markers: list[Marker]) -> bool:
    """Whether markers are enough, and span enough of the mat."""
    if len(markers) < FEWEST_MARKERS:
        return False

    def area(some: list[Marker]) -> float:
        middles = np.array([m.corners.mean(0) for m in some], np.float32)
        return float(cv2.contourArea(cv2.convexHull(middles)))

    return area(markers) >= LEAST_SPREAD * area(list(layout(page).markers))


def _plane(places: np.ndarray, corners: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Homography from millimetres to pixels by least squares, and the distances left. [px]"""
    matrix, _ = cv2.findHomography(places, corners, 0)
    if matrix is None:
        return np.full((3, 3), np.nan), np.full(len(places), np.inf)
    return matrix, np.linalg.norm(projected(matrix, places) - corners, axis=1)


def _radial(places: np.ndarray, corners: np.ndarray, centre: np.ndarray, half: float) -> float:
    """Radial distortion that the corners ask for, 0 where it does not pay for its parameter."""

    def left(radial: float) -> float:
        return float((_plane(places, _undistorted(corners, centre, radial, half))[1] ** 2).sum())

    # The sum of squares is all but a parabola in this parameter: three rounds of three points suffice.
    best = 0.0
    for step in (0.05, 0.01, 0.002):
        low, middle, high = left(best - step), left(best), left(best + step)
        bend = low - 2 * middle + high
        if not np.isfinite(bend) or bend <= 0:
            return 0.0
        best = float(np.clip(best + step * (low - high) / (2 * bend), -_MOST_RADIAL, _MOST_RADIAL))
    return best if left(0.0) > _WORTH_A_PARAMETER * left(best) else 0.0


def _fitted(seen: dict[int, np.ndarray], page: str, shape: tuple[int, ...]) -> FoundMat | None:
    """The mat by its markers; one that lies elsewhere than the others say is left out, the worst first."""
    height, width = shape[:2]
    centre, half = np.array([(width - 1) / 2, (height - 1) / 2]), float(np.hypot(width, height) / 2)
    used = _of_page(seen, page)
    while _well_spread(page, list(used.values())):
        places = np.concatenate([m.corners for m in used.values()])
        corners = np.concatenate([seen[n] for n in used])
        radial = _radial(places, corners, centre, half) if len(used) >= MARKERS_FOR_LENS else 0.0
        matrix, left_px = _plane(places, _undistorted(corners, centre, radial, half))
        mat = FoundMat(layout(page), matrix, centre, radial, half, tuple(sorted(used)), 0.0, 0.0)
        if np.isfinite(left_px).all():
            left_mm = np.linalg.norm(mat.to_mm(corners) - places, axis=1)
            if left_mm.max() <= FARTHEST_CORNER_MM:
                return replace(mat, residual_px=_rms(left_px), residual_mm=_rms(left_mm))
        worst = list(used)[int(np.argmax(left_px.reshape(-1, 4).max(1)))]
        del used[worst]
    return None


def _rms(distances: np.ndarray) -> float:
    return float(np.sqrt((distances**2).mean()))


@dataclass(frozen=True)
class _Search:
    """Page and rough corners of its markers where enough are seen; how many markers show in mirror writing."""

    page: str
    rough: dict[int, np.ndarray]
    mirrored: int


def _search(upright: Upright) -> _Search:
    """Coarse to fine, until enough markers are seen."""
    seen: dict[int, np.ndarray] = {}
    mirrored = 0
    for factor, picture in reductions(upright):
        more, others = detected(picture, factor)
        seen = more | seen
        page = max(PAGES, key=lambda name: len(_of_page(seen, name)))
        ours = _of_page(seen, page)
        if len(ours) >= ENOUGH_MARKERS and _well_spread(page, list(ours.values())):
            break
        mirrored = max(mirrored, in_mirror(picture, others))
    return _Search(page, {n: seen[n] for n in ours} if _well_spread(page, list(ours.values())) else {}, mirrored)


def _found(upright: Upright, search: _Search) -> FoundMat | None:
    """Refine and fit what was seen; then look where the markers not yet seen must be, and fit again."""
    pixels, page = upright.pixels, search.page
    seen = _measured(pixels, search.rough)
    first = _fitted(seen, page, pixels.shape)
    if first is None or len(first.markers) == len(first.layout.markers):
        return first
    missing = {m.number: first.to_pixels(m.corners) for m in first.layout.markers if m.number not in seen}
    more = _measured(pixels, missing)
    return (_fitted(seen | more, page, pixels.shape) or first) if more else first


def _measured(pixels: np.ndarray, rough: dict[int, np.ndarray]) -> dict[int, np.ndarray]:
    """Corners measured in the full picture, of the markers that are really there."""
    refined = {number: refined_corners(pixels, corners) for number, corners in rough.items()}
    return {number: c for number, c in refined.items() if c is not None and shows(pixels, c, number)}


def find_mat(upright: Upright) -> FoundMat | None:
    """Find the mat, at any turn, tilt and print scale.

    Parameters
    ----------
    upright : Upright

    Returns
    -------
    FoundMat or None
        None where fewer than three markers are seen, where they span too little, or where they do not agree.

    Raises
    ------
    MirroredPicture
        The mat is in the picture, but mirrored.
    """
    search = _search(upright)
    found = _found(upright, search)
    if found is not None:
        return found
    if search.mirrored >= FEWEST_MARKERS and _found_in_mirror(upright):
        raise MirroredPicture(_mirrored(upright))
    fit = second_look(upright)
    if fit is not None and fit.mirrored:
        raise MirroredPicture(_mirrored(upright))
    return _from_fit(fit, upright) if fit is not None else None


def _mirrored(upright: Upright) -> str:
    return (
        f"{upright.name} is mirrored: the mat reads from right to left. Save the picture again without "
        "mirroring (front cameras do it), or scan the printed side."
    )


def _from_fit(fit: MarkerFit, upright: Upright) -> FoundMat:
    """What the second look gives, as the first would give it."""
    centre = np.array([(upright.width - 1) / 2, (upright.height - 1) / 2])
    half = float(np.hypot(upright.width, upright.height) / 2)
    mat = FoundMat(layout(fit.page), fit.matrix, centre, fit.radial, half, fit.numbers, 0.0, 0.0, fit.error_mm)
    residual_mm = _rms(np.linalg.norm(fit.shifts_mm, axis=1))
    return replace(mat, residual_mm=residual_mm, residual_px=residual_mm * mat.pixels_per_mm)


def _found_in_mirror(upright: Upright) -> bool:
    turned = replace(upright, pixels=cv2.flip(upright.pixels, 1), found={})
    return _found(turned, _search(turned)) is not None


# ---- greys -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class GreyPatch:
    """A printed grey as the picture shows it.

    Parameters
    ----------
    grey : Grey
        Which patch of the mat.
    light, paper : (3,) arrays
        Linear wide-space light of the patch, and of the white paper on its left and right; trimmed means.
    spread : float
        Standard deviation of the patch's luminance from point to point. [1]
    clipped : float
        Share of points, patch or paper, with a channel at either end of the scale. [1]
    """

    grey: Grey
    light: np.ndarray
    paper: np.ndarray
    spread: float
    clipped: float


def grey_patches(found: FoundMat, upright: Upright) -> list[GreyPatch]:
    """Read each printed grey that lies wholly in the picture, with the white beside it.

    Parameters
    ----------
    found : FoundMat
    upright : Upright
        The picture it was found in.
    """
    greys = found.layout.greys
    if not greys:
        return []
    codes = _codes(found, upright, [_points(*box) for grey in greys for box in _boxes(grey)])
    sets = zip(greys, codes[::3], codes[1::3], codes[2::3], strict=True)
    return [
        _grey_patch(grey, upright, inside, np.concatenate([left, right]))
        for grey, inside, left, right in sets
        if inside is not None and left is not None and right is not None
    ]


def _boxes(grey: Grey) -> list[tuple[float, float, float, float]]:
    """Left, top, width and height of what is read: the middle of the patch, the paper on its left and right. [mm]"""
    beside = (grey.x - 2.8, grey.x + grey.width + 1.0)
    return [
        (grey.x + 1.5, grey.y + 1.5, grey.width - 3.0, grey.height - 3.0),
        *((x, grey.y + 1.0, 1.8, grey.height - 2.0) for x in beside),
    ]


def _grey_patch(grey: Grey, upright: Upright, inside: np.ndarray, white: np.ndarray) -> GreyPatch:
    clipped = sum(_at_ends(c, upright.top_code) for c in (inside, white)) / (len(inside) + len(white))
    patch, paper = upright.transfer.linear(inside), upright.transfer.linear(white)
    spread = float(((patch[:, 0] + patch[:, 1] + patch[:, 2]) / np.float32(3)).std())
    return GreyPatch(grey, _trimmed_mean(patch), _trimmed_mean(paper), spread, clipped)


def _at_ends(codes: np.ndarray, top: int) -> int:
    """How many points have a channel at either end of the scale."""
    at_end = (codes == 0) | (codes == top)
    return int((at_end[:, 0] | at_end[:, 1] | at_end[:, 2]).sum())


def _points(x: float, y: float, width: float, height: float) -> np.ndarray:
    """(n, 2) points of a grid about a seventh of a millimetre apart. [mm]"""
    xs = np.linspace(x, x + width, max(8, round(7 * width)))
    ys = np.linspace(y, y + height, max(8, round(7 * height)))
    points = np.empty((len(ys), len(xs), 2))
    points[..., 0], points[..., 1] = xs, ys[:, None]
    return points.reshape(-1, 2)


def _codes(found: FoundMat, upright: Upright, sets: list[np.ndarray]) -> list[np.ndarray | None]:
    """(n, 3) codes nearest to each set of points in millimetres, or None where one of them is outside."""
    ends = np.cumsum([len(s) for s in sets])
    starts = ends - [len(s) for s in sets]
    points = np.rint(found.to_pixels(np.concatenate(sets))).astype(int)
    low, high = np.minimum.reduceat(points, starts), np.maximum.reduceat(points, starts)
    within = np.all((low >= 0) & (high < (upright.width, upright.height)), axis=1)
    return [
        upright.pixels[points[a:b, 1], points[a:b, 0]] if w else None
        for a, b, w in zip(starts, ends, within, strict=True)
    ]


def _trimmed_mean(values: np.ndarray) -> np.ndarray:
    """Mean of the middle six tenths of each channel: a speck or a scratch does not count, rounding averages
    out."""
    ordered = np.sort(np.ascontiguousarray(values.T), axis=1)
    cut = len(values) // 5
    return ordered[:, cut : len(values) - cut].mean(axis=1)


# ---- once for each picture -------------------------------------------------------------------------------------


def mat_in(picture: Upright) -> FoundMat | None:
    """The mat in a picture, or None; found once and kept with the picture.

    Raises
    ------
    MirroredPicture
        The mat is there, the wrong way round.
    """
    if "mat" not in picture.found:
        picture.found["mat"] = find_mat(picture)
    return picture.found["mat"]


def greys_in(picture: Upright) -> list[GreyPatch]:
    """The mat's grey patches in a picture; none where there is no mat."""
    mat = mat_in(picture)
    return grey_patches(mat, picture) if mat is not None else []
