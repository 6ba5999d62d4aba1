"""The mat's markers laid over a picture as a whole: where the mat lies, how well that is known, whether it is there.

No marker need be readable by itself. Plane, lens and blur are moved together until all the markers, blurred alike,
fit the picture best (least squares by Gauss and Newton; level, gain and slope of the light are free at each marker).
Only then are their patterns asked for: each marker must look more like itself than like any other marker of the mat,
turned or mirrored.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import cv2
import numpy as np
from scipy.special import ndtr

from fairpanel.mat.layout import MARKER_SIDE, PAGES, Marker, layout
from fairpanel.mat.markers import MODULES, pattern
from fairpanel.picture.dark_squares import Guess
from fairpanel.picture.markers import projected

#: Where a marker is compared with the picture, from its upper left corner along either side: its rim too. [mm]
_AT = np.arange(-1.75, MARKER_SIDE + 2.0, 0.5)
#: Finest picture that is asked. [px/mm]
_PX_PER_MM = 3.0
#: Blur of marker and picture while the way is still long. [mm]
_COARSE_BLUR = 1.6
#: A gain below this share of the brightest marker's: it is not there.
_LEAST_GAIN = 0.2
#: Standard deviation of lenses' radial distortion, before a picture is seen. [1]
_RADIAL_SD = 0.01
#: Millimetres that stand for 1 in the numbers that are solved for.
_UNIT = 100.0

#: Markers that must look more like themselves than like any other, and how like all together must be themselves.
FEWEST_OWN, LEAST_LIKENESS = 4, 0.6
#: A marker's place is known no better than this, whatever the sums say: paper curls [mm]; and than these shares of a
#: pixel's side and of the blur's deviation, since neither is quite what is assumed.
_LEAST_SHIFT_MM, _SHARE_OF_PIXEL, _SHARE_OF_BLUR = 0.03, 0.06, 0.03


@dataclass(frozen=True)
class MarkerFit:
    """The mat as its markers fit a picture best.

    Parameters
    ----------
    page : str
    matrix : (3, 3) array
        Millimetres to pixels of a lens without distortion.
    radial : float
        Distortion, as in `FoundMat`. [1]
    blur_mm : float
        Standard deviation of the blur.
    numbers : tuple of int
        Markers that look like themselves.
    shifts_mm : (n, 2) array
        How far each of them seems to lie from its place.
    error_mm : float
        Largest expanded uncertainty (coverage factor 2) of a place on the page.
    mirrored : bool
        The markers are there in mirror writing.
    """

    page: str
    matrix: np.ndarray
    radial: float
    blur_mm: float
    numbers: tuple[int, ...] = ()
    shifts_mm: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))
    error_mm: float = np.inf
    mirrored: bool = False


def fitted(picture: np.ndarray, guess: Guess) -> MarkerFit | None:
    """The mat near a guess, or None where its markers are not there.

    Parameters
    ----------
    picture : (height, width) float32 array
        Levelled light.
    guess : Guess
    """
    try:
        with np.errstate(all="ignore"):
            return _fitted(picture, guess)
    except np.linalg.LinAlgError:  # nothing there that holds the fit
        return None


def _fitted(picture: np.ndarray, guess: Guess) -> MarkerFit | None:
    scale = min(1.0, _PX_PER_MM / max(_pixels_per_mm(guess.matrix, guess.page), 1e-6))
    size = (max(1, round(picture.shape[1] * scale)), max(1, round(picture.shape[0] * scale)))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA) if scale < 1 else picture
    to_small = _resizing(picture.shape, small.shape)
    near = _coarse(small, replace(guess, matrix=to_small @ guess.matrix))
    if near is None:
        return None
    fit, markers = near
    own = _asked(small, fit, markers)
    if own is None:
        return None
    if isinstance(own, str):
        return replace(fit, mirrored=True)
    fine = _fine(small, fit, own)
    return replace(fine, matrix=np.linalg.inv(to_small) @ fine.matrix) if fine is not None else None


def _resizing(before: tuple[int, ...], after: tuple[int, ...]) -> np.ndarray:
    """(3, 3) pixels before to pixels after resizing."""
    kx, ky = after[1] / before[1], after[0] / before[0]
    return np.array([[kx, 0, (kx - 1) / 2], [0, ky, (ky - 1) / 2], [0, 0, 1.0]])


def _pixels_per_mm(matrix: np.ndarray, page: str) -> float:
    x, y = PAGES[page][0] / 2, PAGES[page][1] / 2
    here, right, down = projected(matrix, np.array([[x, y], [x + 1, y], [x, y + 1]]))
    (a, b), (c, d) = right - here, down - here
    return float(np.sqrt(abs(a * d - b * c)))


# ---- drawn markers ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Drawn:
    """Soft markers at the places where they are compared, (n, points): light, its slopes along x and y [1/mm], and how
    it changes with the logarithm of the blur."""

    light: np.ndarray
    along: np.ndarray
    down: np.ndarray
    softer: np.ndarray


def _drawn(patterns: np.ndarray, blur_mm: float) -> _Drawn:
    """Markers blurred by a Gaussian; exact, as a module's light is a product of two differences of its integral."""
    z = (_AT[:, None] - np.arange(MODULES + 1) * MARKER_SIDE / MODULES) / blur_mm
    bell = np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
    share, slope, wider = (-np.diff(f, axis=1) for f in (ndtr(z), bell / blur_mm, -z * bell))

    def spread(down: np.ndarray, along: np.ndarray) -> np.ndarray:
        return (down @ (patterns - 1.0) @ along.T).reshape(len(patterns), -1)

    return _Drawn(
        spread(share, share), spread(share, slope), spread(slope, share), spread(wider, share) + spread(share, wider)
    )


_OFFSETS = np.stack(np.meshgrid(_AT, _AT), axis=-1).reshape(-1, 2)
_SLOPES = np.column_stack([np.ones(len(_OFFSETS)), (_OFFSETS - MARKER_SIDE / 2) / MARKER_SIDE])

_NUMBERS = tuple(m.number for page in PAGES for m in layout(page).markers)


@cache
def _all_patterns() -> np.ndarray:
    """(numbers, 2, 4, 8, 8): every marker, as it is and mirrored, at every quarter turn."""
    return np.array([[[np.rot90(p, k) for k in range(4)] for p in (pattern(n), pattern(n)[:, ::-1])] for n in _NUMBERS])


@cache
def _unknown() -> np.ndarray:
    """(8, 8) mean of all markers: one whose number is not known."""
    return _all_patterns().mean(axis=(0, 1, 2))


# ---- the fit ---------------------------------------------------------------------------------------------------


def _warped(points: np.ndarray, fit: MarkerFit, shape: tuple[int, ...]) -> np.ndarray:
    """Pixels of millimetres, the lens's distortion included."""
    offset, centre, half = _from_centre(points, fit, shape)
    return centre + offset * (1 + fit.radial * (offset**2).sum(-1, keepdims=True) / half**2)


def _from_centre(points: np.ndarray, fit: MarkerFit, shape: tuple[int, ...]) -> tuple[np.ndarray, np.ndarray, float]:
    height, width = shape[:2]
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    return projected(fit.matrix, points) - centre, centre, float(np.hypot(width, height) / 2)


def _places(markers: Sequence[Marker]) -> np.ndarray:
    """(n, points, 2) where markers are compared. [mm]"""
    return np.array([[m.x, m.y] for m in markers])[:, None] + _OFFSETS


def _seen(picture: np.ndarray, fit: MarkerFit, markers: Sequence[Marker]) -> np.ndarray:
    """(n, points) levelled light at the markers' points."""
    px = _warped(_places(markers), fit, picture.shape).astype(np.float32)
    return cv2.remap(picture, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(float)


def _inside(picture: np.ndarray, fit: MarkerFit) -> list[Marker]:
    """Markers of the page that lie wholly in the picture."""
    height, width = picture.shape
    inside = []
    for marker in layout(fit.page).markers:
        px = _warped(marker.corners, fit, picture.shape)
        if px.min() > -0.5 and (px < (width - 0.5, height - 0.5)).all():
            inside.append(marker)
    return inside


@dataclass(frozen=True)
class _Compared:
    """Markers of the picture against drawn ones: light's level, gain and slope taken out.

    `rest` (n, points) is what is left, as a share of the gain; `columns` (n, points, parameters) how each parameter
    would change it; `ways` (n, points, 2) a shift by a millimetre along x and y; `like` (n,) how alike they are.
    """

    rest: np.ndarray
    columns: np.ndarray
    ways: np.ndarray
    gain: np.ndarray
    like: np.ndarray


def _against(picture: np.ndarray, fit: MarkerFit, markers: Sequence[Marker], patterns: np.ndarray) -> _Compared:
    drawn = _drawn(patterns, fit.blur_mm)
    shapes = drawn.light
    seen = _seen(picture, fit, markers)
    by_shift = np.stack([drawn.along, drawn.down], axis=-1)  # (n, points, 2)
    by_plane = (by_shift[..., None, :] * _moves(picture, fit, markers)).sum(axis=-1)
    columns = np.concatenate([by_plane, -drawn.softer[..., None]], axis=-1)
    rest, gain, like, ways = np.empty_like(seen), np.empty(len(seen)), np.empty(len(seen)), np.empty_like(by_shift)
    for i, shape in enumerate(shapes):
        base, _ = np.linalg.qr(np.column_stack([shape, _SLOPES]))
        flat, _ = np.linalg.qr(_SLOPES)
        level, drawn_level = seen[i] - flat @ (flat.T @ seen[i]), shape - flat @ (flat.T @ shape)
        gain[i] = level @ drawn_level / (drawn_level @ drawn_level)
        like[i] = level @ drawn_level / max(np.linalg.norm(level) * np.linalg.norm(drawn_level), 1e-9)
        left = seen[i] - base @ (base.T @ seen[i])
        rest[i] = left / max(gain[i], 1e-3)
        columns[i] -= base @ (base.T @ columns[i])
        ways[i] = by_shift[i] - base @ (base.T @ by_shift[i])
    return _Compared(rest, columns, ways, gain, like)


def _moves(picture: np.ndarray, fit: MarkerFit, markers: Sequence[Marker]) -> np.ndarray:
    """(n, points, 9, 2) millimetres by which each of nine parameters moves a point: eight of the plane, the lens."""
    points = _places(markers)
    moves = np.concatenate([_plane_moves(points, fit.page), np.zeros((*points.shape[:2], 1, 2))], axis=2)
    for i, marker in enumerate(markers):
        middle = marker.corners.mean(axis=0)
        here, right, down = projected(fit.matrix, middle + np.array([[0, 0], [0.5, 0], [0, 0.5]]))
        to_mm = np.linalg.inv(np.column_stack([right - here, down - here]) / 0.5)
        offset, _, half = _from_centre(points[i], fit, picture.shape)
        moves[i, :, 8] = (offset * (offset**2).sum(-1, keepdims=True) / half**2) @ to_mm.T
    return moves


def _plane_moves(points: np.ndarray, page: str) -> np.ndarray:
    """(..., 8, 2) millimetres by which the plane's parameters move points."""
    q = (points - np.array(PAGES[page]) / 2) / _UNIT
    x, y, one, no = q[..., 0], q[..., 1], np.ones(q.shape[:-1]), np.zeros(q.shape[:-1])
    along = np.stack([x, y, one, no, no, no, -x * x, -x * y], axis=-1)
    down = np.stack([no, no, no, x, y, one, -x * y, -y * y], axis=-1)
    return _UNIT * np.stack([along, down], axis=-1)


def _moved(fit: MarkerFit, step: np.ndarray) -> MarkerFit:
    d = step
    warp = np.array([[1 + d[0], d[1], d[2]], [d[3], 1 + d[4], d[5]], [d[6], d[7], 1.0]])
    x, y = PAGES[fit.page][0] / 2, PAGES[fit.page][1] / 2
    to_unit = np.array([[1 / _UNIT, 0, -x / _UNIT], [0, 1 / _UNIT, -y / _UNIT], [0, 0, 1.0]])
    matrix = fit.matrix @ np.linalg.inv(to_unit) @ warp @ to_unit
    blur = float(np.clip(fit.blur_mm * np.exp(np.clip(d[9], -0.3, 0.3)), 0.15, 5.0))
    return replace(fit, matrix=matrix / matrix[2, 2], radial=float(fit.radial + d[8]), blur_mm=blur)


def _iterated(
    picture: np.ndarray, fit: MarkerFit, markers: Sequence[Marker], patterns: np.ndarray, *, rounds: int, lens: bool
) -> tuple[MarkerFit, _Compared]:
    """Least squares until nothing moves any more; markers that are not there do not pull."""
    held = np.full(10, 1e-4)
    held[6:8] = 1e-2
    corners = _plane_moves(np.array([m.corners.mean(axis=0) for m in markers]), fit.page)
    for _ in range(rounds):
        c = _against(picture, fit, markers, patterns)
        there = (c.gain > _LEAST_GAIN * max(c.gain.max(), 0.1)).astype(float) * np.clip(c.like, 0.05, 1)
        noise = max(float((there[:, None] * c.rest**2).sum() / max(there.sum() * c.rest.shape[1], 1)), 1e-6)
        weighted = (c.columns * there[:, None, None]).reshape(-1, 10)
        normal = weighted.T @ c.columns.reshape(-1, 10)
        pull = weighted.T @ c.rest.ravel()
        normal += np.diag(held * normal.diagonal().mean())
        normal[8, 8] += noise / _RADIAL_SD**2 if lens else 1e12
        pull[8] += fit.radial * noise / _RADIAL_SD**2 if lens else 0.0
        step = -np.linalg.solve(normal, pull)
        if not np.isfinite(step).all():
            raise np.linalg.LinAlgError("the fit ran away")
        far = float(np.abs(np.einsum("q,nqk->nk", step[:8], corners)).max())
        fit = _moved(fit, step * min(1.0, 3.0 / max(far, 1e-9)))
        if far < 0.004:
            break
    return fit, _against(picture, fit, markers, patterns)


def _coarse(picture: np.ndarray, guess: Guess) -> tuple[MarkerFit, list[Marker]] | None:
    """From a guess to within a fraction of a millimetre, by markers whose numbers are not asked."""
    fit = MarkerFit(guess.page, guess.matrix, 0.0, _COARSE_BLUR)
    markers = _inside(picture, fit)
    if len(markers) < FEWEST_OWN:
        return None
    soft = cv2.GaussianBlur(picture, (0, 0), _COARSE_BLUR * _pixels_per_mm(fit.matrix, fit.page))
    fit, _ = _iterated(soft, fit, markers, np.array([_unknown()] * len(markers)), rounds=6, lens=False)
    markers = _inside(picture, fit) if np.isfinite(fit.matrix).all() else []
    if len(markers) < FEWEST_OWN:
        return None
    pitch = 0.3 / max(_pixels_per_mm(fit.matrix, fit.page), 0.1)
    fit = replace(fit, blur_mm=max(pitch, np.sqrt(max(fit.blur_mm**2 - _COARSE_BLUR**2, 0.1))))
    unknown = np.array([_unknown()] * len(markers))
    fit, compared = _iterated(picture, fit, markers, unknown, rounds=6, lens=False)
    return (fit, markers) if (compared.like > 0.6).sum() >= FEWEST_OWN else None


# ---- is it there? ----------------------------------------------------------------------------------------------


def _likenesses(picture: np.ndarray, fit: MarkerFit, markers: Sequence[Marker]) -> np.ndarray:
    """(n, numbers, 2, 4) likeness of the picture's markers to all there are, beyond that of any dark square."""
    every = _all_patterns()
    drawn = _drawn(every.reshape(-1, MODULES, MODULES), fit.blur_mm).light
    base, _ = np.linalg.qr(np.column_stack([drawn.mean(axis=0), _SLOPES]))
    drawn = _unit(drawn - drawn @ base @ base.T)
    seen = _seen(picture, fit, markers)
    return (_unit(seen - seen @ base @ base.T) @ drawn.T).reshape(len(markers), *every.shape[:3])


def _unit(rows: np.ndarray) -> np.ndarray:
    return rows / np.maximum(np.linalg.norm(rows, axis=-1, keepdims=True), 1e-9)


#: Which marker of the page stands where another one would if left and right were exchanged.
_ACROSS = (1, 0, 3, 2, 5, 4)


def _asked(picture: np.ndarray, fit: MarkerFit, markers: Sequence[Marker]) -> list[Marker] | str | None:
    """Markers that look like themselves and nothing else; "mirrored" where they do so in mirror writing."""
    like = _likenesses(picture, fit, markers)
    most = like.max(axis=(1, 2, 3))
    all_markers = layout(fit.page).markers

    own = [
        i for i, m in enumerate(markers) if like[i, _NUMBERS.index(m.number), 0, 0] == most[i] > LEAST_LIKENESS - 0.1
    ]
    if len(own) >= FEWEST_OWN and np.mean([most[i] for i in own]) > LEAST_LIKENESS:
        return [markers[i] for i in own]
    across = [all_markers[_ACROSS[all_markers.index(m)]].number for m in markers]
    turned = [i for i, n in enumerate(across) if like[i, _NUMBERS.index(n), 1, 0] == most[i] > LEAST_LIKENESS - 0.1]
    return "mirrored" if len(turned) >= FEWEST_OWN else None


# ---- how well? -------------------------------------------------------------------------------------------------


def _fine(picture: np.ndarray, fit: MarkerFit, own: list[Marker]) -> MarkerFit | None:
    """The last fit, by the markers' own patterns; they are asked once more where they then lie."""
    patterns = np.array([pattern(m.number) for m in own])
    fit, _ = _iterated(picture, fit, own, patterns, rounds=12, lens=len(own) > FEWEST_OWN)
    if not np.isfinite(fit.matrix).all():
        return None
    again = _asked(picture, fit, _inside(picture, fit))
    if again is None or isinstance(again, str):
        return None
    patterns = np.array([pattern(m.number) for m in again])
    fit, compared = _iterated(picture, fit, again, patterns, rounds=8, lens=len(again) > FEWEST_OWN)
    shifts, noise_mm = _shifts(compared, _pixels_per_mm(fit.matrix, fit.page), fit.blur_mm)
    return replace(
        fit,
        numbers=tuple(m.number for m in again),
        shifts_mm=shifts,
        error_mm=_error_mm(fit.page, again, shifts, noise_mm),
    )


def _shifts(compared: _Compared, px_per_mm: float, blur_mm: float) -> tuple[np.ndarray, float]:
    """(n, 2) shifts of single markers from where all together say, and what noise alone would shift one. [mm]

    Neighbouring points share their noise: as many count as one as lie within a pixel, or within the blur, which is
    where the drawing itself may be wrong.
    """
    pitch = _AT[1] - _AT[0]
    sharing = max(1.0, (max(1 / px_per_mm, 1.5 * blur_mm) / pitch) ** 2)
    shifts, variances = [], []
    for rest, ways in zip(compared.rest, compared.ways, strict=True):
        normal = ways.T @ ways
        shifts.append(-np.linalg.solve(normal, ways.T @ rest))
        variances.append(sharing * float((rest**2).mean()) * float(np.linalg.inv(normal).trace()) / 2)
    least = np.linalg.norm([_LEAST_SHIFT_MM, _SHARE_OF_PIXEL / px_per_mm, _SHARE_OF_BLUR * blur_mm])
    return np.array(shifts), max(float(np.sqrt(np.mean(variances))), float(least))


def _error_mm(page: str, markers: Sequence[Marker], shifts: np.ndarray, noise_mm: float) -> float:
    """Largest expanded uncertainty on the page, from how far its markers lie apart from the fitted plane."""
    middles = np.array([m.corners.mean(axis=0) for m in markers])
    plane = _plane_moves(middles, page)  # (n, 8, 2)
    rows = np.moveaxis(plane, 2, 1).reshape(-1, 8)
    free = max(len(rows) - 8, 1)
    sd = max(float(np.sqrt((shifts**2).sum() / free)), noise_mm)
    covariance = sd**2 * np.linalg.inv(rows.T @ rows)
    everywhere = np.array([m.corners for m in layout(page).markers]).reshape(-1, 2)
    to = np.moveaxis(_plane_moves(everywhere, page), 2, 1)  # (m, 2, 8)
    return 2 * float(np.sqrt(np.einsum("mai,ij,maj->m", to, covariance, to).max()))
