"""The printed mat as a page of paper, drawn from its geometry alone."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from fairpanel.mat.layout import MARKER_FAMILY, Layout, layout

# Light given back by the printing, of 255 for paper white.
_OUTLINE, _LABEL, _LINE, _INK = 190, 150, 50, 9


@lru_cache(maxsize=6)
def page_light(page: str = "A4", *, px_per_mm: float = 7.0) -> np.ndarray:
    """(rows, columns) float32 array: light given back by the printed page, paper white being 1.

    Pixel (0, 0) covers the first 1 / `px_per_mm` millimetres of the page. Edges are smooth.
    """
    mat = layout(page)
    finer = 4 if px_per_mm < 9 else 2
    fine = px_per_mm * finer
    drawn = np.full((round(mat.height * px_per_mm) * finer, round(mat.width * px_per_mm) * finer), 255, dtype=np.uint8)
    _draw_lines(drawn, mat, fine)
    for grey in mat.greys:
        _fill(drawn, grey.x, grey.y, grey.width, grey.height, round(255 * grey.level), fine)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_FAMILY))
    for marker in mat.markers:
        _draw_marker(drawn, marker, dictionary, fine)
    small = cv2.resize(drawn, None, fx=1 / finer, fy=1 / finer, interpolation=cv2.INTER_AREA) / np.float32(255)
    small.setflags(write=False)
    return small


def _px(mm: float, scale: float) -> int:
    return round(mm * scale)


def _fill(drawn, x, y, width, height, level, scale) -> None:
    drawn[_px(y, scale) : _px(y + height, scale), _px(x, scale) : _px(x + width, scale)] = level


def _draw_marker(drawn, marker, dictionary, scale) -> None:
    side = _px(marker.width, scale)
    modules = cv2.aruco.generateImageMarker(dictionary, marker.number, dictionary.markerSize + 2, borderBits=1)
    sharp = cv2.resize(modules, (side, side), interpolation=cv2.INTER_NEAREST)
    x, y = _px(marker.x, scale), _px(marker.y, scale)
    drawn[y : y + side, x : x + side] = np.maximum(sharp, _INK)


def _draw_lines(drawn, mat: Layout, scale: float) -> None:
    for cell in mat.cells:
        first, last = (
            (_px(cell.x, scale), _px(cell.y, scale)),
            (_px(cell.x + cell.width, scale), _px(cell.y + cell.height, scale)),
        )
        cv2.rectangle(drawn, first, last, _OUTLINE, max(1, _px(0.25, scale)))
        _write(drawn, cell.name, cell.x + 0.5, cell.y - 1.0, scale)
    x0, y0, x1, y1 = mat.check_line
    thick = max(1, _px(0.3, scale))
    cv2.line(drawn, (_px(x0, scale), _px(y0, scale)), (_px(x1, scale), _px(y1, scale)), _LINE, thick)
    for x in (x0, x1):
        cv2.line(drawn, (_px(x, scale), _px(y0 - 1.5, scale)), (_px(x, scale), _px(y0 + 1.5, scale)), _LINE, thick)
    _write(drawn, "100 mm", x1 + 3.0, y1 + 1.0, scale)


def _write(drawn, text: str, x_mm: float, y_mm: float, scale: float) -> None:
    at = (_px(x_mm, scale), _px(y_mm, scale))
    cv2.putText(drawn, text, at, cv2.FONT_HERSHEY_SIMPLEX, 0.1 * scale, _LABEL, max(1, _px(0.3, scale)), cv2.LINE_AA)


def page_with_greys(rng: np.random.Generator, *, page: str, px_per_mm: float, ink_error: float = 0.01) -> np.ndarray:
    """The page as one printer made it: each grey level off by a little, the same in all its patches.

    Parameters
    ----------
    ink_error : float
        Relative standard deviation of a level. [1]
    """
    light = page_light(page, px_per_mm=px_per_mm).copy()
    off = {level: float(np.exp(rng.normal(0, ink_error))) for level in sorted({g.level for g in layout(page).greys})}
    for grey in layout(page).greys:
        _fill(light, grey.x, grey.y, grey.width, grey.height, min(grey.level * off[grey.level], 0.98), px_per_mm)
    return light
