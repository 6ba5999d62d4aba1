"""Where things lie: strips on a plane in millimetres, and the plane in the pixels of a picture.

Pixels count from the centre of the first one, (0, 0), with y down, as outlines do.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from fairpanel.rehearsal.strips import MadeStrip

_COARSE = 16


def projected(matrix: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(..., 2) array: points taken through a homography."""
    p = np.asarray(points, dtype=float) @ matrix[:, :2].T + matrix[:, 2]
    return p[..., :2] / p[..., 2:]


@dataclass
class Plane:
    """A flat scene that can be drawn on.

    Parameters
    ----------
    light : (rows, columns, 3) float32 array
        Linear light given back, working space.
    px_per_mm : float
    origin_mm : (x, y)
        Place of the upper left corner of the first pixel. [mm]
    """

    light: np.ndarray
    px_per_mm: float
    origin_mm: tuple[float, float] = (0.0, 0.0)

    def to_own_pixels(self) -> np.ndarray:
        """(3, 3) array: millimetres to pixel centres of `light`."""
        s, (x, y) = self.px_per_mm, self.origin_mm
        return np.array([[s, 0, -s * x - 0.5], [0, s, -s * y - 0.5], [0, 0, 1.0]])

    def lay(
        self, strip: MadeStrip, corners_mm: np.ndarray, *, shadow: float = 0.1, shadow_mm: tuple = (0.4, 0.4)
    ) -> None:
        """Draw a strip with its own corners (start left, start right, end right, end left) at these places.

        Parameters
        ----------
        shadow : float
            Depth of the shadow the paper's edge throws. [1]
        shadow_mm : (x, y)
            How far it is thrown. [mm]
        """
        rows, columns = strip.reflectance.shape[:2]
        own = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], dtype=np.float32) - 0.5
        there = projected(self.to_own_pixels(), corners_mm).astype(np.float32)
        margin = 2.0 * self.px_per_mm
        x0, y0 = np.maximum(np.floor(there.min(axis=0) - margin).astype(int), 0)
        x1, y1 = np.minimum(np.ceil(there.max(axis=0) + margin).astype(int), self.light.shape[1::-1])
        if x1 <= x0 or y1 <= y0:
            return
        matrix = cv2.getPerspectiveTransform(own, there - np.array([x0, y0], dtype=np.float32))
        size = (int(x1 - x0), int(y1 - y0))
        drawn = cv2.warpPerspective(strip.reflectance, matrix, size, borderMode=cv2.BORDER_REPLICATE)
        cover = cv2.warpPerspective(np.ones((rows, columns), dtype=np.float32), matrix, size)
        below = self.light[y0:y1, x0:x1]
        if shadow:
            below = below * (1 - shadow * self._thrown(cover, shadow_mm))[..., None]
        self.light[y0:y1, x0:x1] = below + cover[..., None] * (drawn - below)

    def _thrown(self, cover: np.ndarray, shadow_mm: tuple) -> np.ndarray:
        s = self.px_per_mm
        shift = np.array([[1, 0, shadow_mm[0] * s], [0, 1, shadow_mm[1] * s]], dtype=np.float32)
        moved = cv2.warpAffine(cover, shift, cover.shape[::-1])
        return cv2.GaussianBlur(moved, (0, 0), max(0.3 * s, 0.5))


@dataclass(frozen=True)
class View:
    """How a picture sees the plane.

    Parameters
    ----------
    matrix : (3, 3) array
        Millimetres to pixels of a picture by a perfect lens.
    size : (width, height)
        [px]
    bulge : float
        Radial distortion of the lens, relative displacement at the corner of the picture. [1]
    """

    matrix: np.ndarray
    size: tuple[int, int]
    bulge: float = 0.0

    @property
    def _centre(self) -> np.ndarray:
        return (np.array(self.size) - 1) / 2

    def _undistorted(self, px: np.ndarray) -> np.ndarray:
        away = px - self._centre
        square = (away**2).sum(axis=-1, keepdims=True) / (self._centre**2).sum()
        return self._centre + away * (1 + self.bulge * square)

    def to_pixels(self, points_mm: np.ndarray) -> np.ndarray:
        """(..., 2) array: pixels of places on the plane."""
        ideal = projected(self.matrix, points_mm)
        px = ideal
        for _ in range(8 if self.bulge else 0):
            px = px - (self._undistorted(px) - ideal)
        return px

    def to_millimetres(self, px: np.ndarray) -> np.ndarray:
        """(..., 2) array: places on the plane of pixels; the way back from `to_pixels`."""
        return projected(np.linalg.inv(self.matrix), self._undistorted(np.asarray(px, dtype=float)))

    def px_per_mm(self, at_mm: np.ndarray) -> float:
        """Scale of the picture near a place. [px/mm]"""
        p = np.asarray(at_mm, dtype=float) + np.array([[0, 0], [1, 0], [0, 1]])
        o, x, y = self.to_pixels(p)
        return float(np.sqrt(np.hypot(*(x - o)) * np.hypot(*(y - o))))

    def pictured(self, plane: Plane, *, surround: np.ndarray) -> np.ndarray:
        """(height, width, 3) float32 array: light of the plane where each pixel looks.

        Parameters
        ----------
        surround : (3,) array
            Light of whatever lies beyond the plane.
        """
        width, height = self.size
        beyond = tuple(float(v) for v in surround)
        to_plane = plane.to_own_pixels() @ np.linalg.inv(self.matrix)
        back = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        if not self.bulge:
            return cv2.warpPerspective(
                plane.light,
                to_plane,
                self.size,
                flags=back,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=beyond,
            )
        # The lens is followed on a coarse grid; between its points the way is straight to 0.01 px.
        gx, gy = np.meshgrid(np.arange(0, width + _COARSE, _COARSE), np.arange(0, height + _COARSE, _COARSE))
        coarse = projected(to_plane, self._undistorted(np.stack([gx, gy], axis=-1))).astype(np.float32)
        finer = np.array([[1 / _COARSE, 0, 0], [0, 1 / _COARSE, 0]], dtype=np.float32)
        maps = cv2.warpAffine(coarse, finer, self.size, flags=back, borderMode=cv2.BORDER_REPLICATE)
        return cv2.remap(
            plane.light,
            maps[..., 0],
            maps[..., 1],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=beyond,
        )


def phone_view(
    rng: np.random.Generator,
    *,
    corners_mm: np.ndarray,
    megapixels: float,
    tilt_deg: float = 12.0,
    turn_deg: float = 8.0,
    fill: tuple[float, float] = (0.86, 0.97),
    portrait: bool = True,
    bulge: float = 0.002,
) -> View:
    """The view of a hand-held phone that has these places in its frame.

    Parameters
    ----------
    corners_mm : (n, 2) array
        What has to be in the frame. [mm]
    tilt_deg, turn_deg : float
        Largest tilt of the lens axis and largest turn in the picture's plane. [degrees]
    fill : (low, high)
        Share of the frame that they fill. [1]
    """
    long, short = round(np.sqrt(megapixels * 1e6 * 4 / 3)), round(np.sqrt(megapixels * 1e6 * 3 / 4))
    size = (short, long) if portrait else (long, short)
    tilt_x, tilt_y = np.radians(rng.uniform(-tilt_deg, tilt_deg, 2) * 0.8)
    turn = np.radians(rng.uniform(-turn_deg, turn_deg))
    middle = corners_mm.mean(axis=0)
    distance = rng.uniform(1.1, 1.6) * np.ptp(corners_mm, axis=0).max()
    matrix = _pinhole(turn, tilt_x, tilt_y, distance) @ np.array([[1, 0, -middle[0]], [0, 1, -middle[1]], [0, 0, 1.0]])
    return View(_fitted(rng, matrix, corners_mm, size, rng.uniform(*fill)), size, float(rng.normal(0, bulge)))


def _pinhole(turn: float, tilt_x: float, tilt_y: float, distance: float) -> np.ndarray:
    c, s = np.cos([turn, tilt_x, tilt_y]), np.sin([turn, tilt_x, tilt_y])
    about_axis = np.array([[c[0], -s[0], 0], [s[0], c[0], 0], [0, 0, 1]])
    about_x = np.array([[1, 0, 0], [0, c[1], -s[1]], [0, s[1], c[1]]])
    about_y = np.array([[c[2], 0, s[2]], [0, 1, 0], [-s[2], 0, c[2]]])
    rotation = about_x @ about_y @ about_axis
    return np.column_stack([rotation[:, 0], rotation[:, 1], [0, 0, distance]])


def _fitted(rng, matrix, corners_mm, size, fill) -> np.ndarray:
    """The view moved and scaled so that the corners fill the frame, a little off its centre."""
    seen = projected(matrix, corners_mm)
    low, high = seen.min(axis=0), seen.max(axis=0)
    scale = fill * float(np.min(np.array(size) / (high - low)))
    spare = np.array(size) - scale * (high - low)
    start = spare * rng.uniform(0.35, 0.65, 2) - scale * low - 0.5
    return np.array([[scale, 0, start[0]], [0, scale, start[1]], [0, 0, 1]]) @ matrix


def scan_view(
    rng: np.random.Generator,
    *,
    corners_mm: np.ndarray,
    dpi: float,
    turn_deg: float = 1.0,
    margin_mm: float = 6.0,
) -> View:
    """The view of a flat-bed scanner: true to scale, the originals lying a little crooked."""
    scale = dpi / 25.4
    turn = np.radians(rng.uniform(-turn_deg, turn_deg))
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    turned = corners_mm @ rotation.T
    low, high = turned.min(axis=0) - margin_mm, turned.max(axis=0) + margin_mm
    width, height = np.ceil((high - low) * scale).astype(int)
    matrix = np.eye(3)
    matrix[:2, :2] = scale * rotation
    matrix[:2, 2] = -scale * low - 0.5
    return View(matrix, (int(width), int(height)))
