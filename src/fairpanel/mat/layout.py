"""Geometry of the printed mat, in millimetres: origin top left of the page, x to the right, y down.

The drawing, the finder and the maker of made pictures all take the mat from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

#: OpenCV's name of the family of fiducial markers; 6 x 6 modules inside a black border of one module.
MARKER_FAMILY = "DICT_ARUCO_MIP_36h12"

PAGES = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}

#: Number of the top left marker on each page size; a photo shows by its markers which page was printed.
FIRST_MARKER = {"A4": 0, "letter": 10}


@dataclass(frozen=True)
class Rectangle:
    """An upright rectangle. [mm]"""

    x: float
    y: float
    width: float
    height: float

    @property
    def corners(self) -> np.ndarray:
        """(4, 2) array: top left, top right, bottom right, bottom left. [mm]"""
        x, y, w, h = self.x, self.y, self.width, self.height
        return np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])


@dataclass(frozen=True)
class Marker(Rectangle):
    """A fiducial marker: number in its family and the outer edge of its black border."""

    number: int


@dataclass(frozen=True)
class Grey(Rectangle):
    """A neutral patch. `level` is the share of the paper white's light it gives back (linear). [1]"""

    level: float


@dataclass(frozen=True)
class Cell(Rectangle):
    """A place for a strip (`kind` "strip") or for the step strip ("steps"); patches start at its top or left."""

    name: str
    kind: str


@dataclass(frozen=True)
class Layout:
    """The mat on one page size."""

    page_name: str
    width: float
    height: float
    markers: tuple[Marker, ...]
    greys: tuple[Grey, ...]
    cells: tuple[Cell, ...]
    code: Rectangle
    check_line: tuple[float, float, float, float]

    def cell(self, name: str) -> Cell:
        """The cell of that name, whatever its case.

        Raises
        ------
        KeyError
            No such cell on this mat.
        """
        wanted = name.strip().casefold()
        for cell in self.cells:
            if cell.name.casefold() == wanted:
                return cell
        raise KeyError(name)


#: Share of the paper white's light for the grey patches, dark to light. Near geometric, so even in density.
GREY_LEVELS = (0.05, 0.10, 0.20, 0.35, 0.55, 0.80)

MARKER_SIDE = 12.0
CELL_WIDTH, CELL_HEIGHT = 26.0, 64.0
STEPS_WIDTH, STEPS_HEIGHT = 170.0, 26.0
GREY_WIDTH, GREY_HEIGHT = 12.0, 9.0


@cache
def layout(page: str = "A4") -> Layout:
    """The mat for a page size.

    Twelve strip cells stand in two rows of six (A1 to A6, B1 to B6), the step strip lies below them, and white
    paper is left all round each, for the illumination. Each grey level stands once above and once below, in
    opposite order, so that uneven light and the camera's tone curve cannot be mistaken for each other.

    Parameters
    ----------
    page : {"A4", "letter"}

    Raises
    ------
    KeyError
        Another page size.
    """
    width, height = PAGES[page]
    middle = width / 2
    steps_y = 180.0

    left, right = 6.0, width - 6.0 - MARKER_SIDE
    top, bottom = 7.0, height - 7.0 - MARKER_SIDE
    beside_steps = steps_y + (STEPS_HEIGHT - MARKER_SIDE) / 2
    places = [(left, top), (right, top), (right, bottom), (left, bottom), (left, beside_steps), (right, beside_steps)]
    markers = tuple(Marker(x, y, MARKER_SIDE, MARKER_SIDE, FIRST_MARKER[page] + i) for i, (x, y) in enumerate(places))

    pitch = CELL_WIDTH + 6.0
    first = middle - (6 * CELL_WIDTH + 5 * 6.0) / 2
    strips = tuple(
        Cell(first + i * pitch, y, CELL_WIDTH, CELL_HEIGHT, f"{row}{i + 1}", "strip")
        for row, y in (("A", 36.0), ("B", 108.0))
        for i in range(6)
    )
    steps = Cell(middle - STEPS_WIDTH / 2, steps_y, STEPS_WIDTH, STEPS_HEIGHT, "steps", "steps")

    centres = [first + CELL_WIDTH / 2 + i * pitch for i in range(6)]
    greys = tuple(
        Grey(x - GREY_WIDTH / 2, y, GREY_WIDTH, GREY_HEIGHT, level)
        for y, levels in ((22.0, GREY_LEVELS), (213.0, GREY_LEVELS[::-1]))
        for x, level in zip(centres, levels, strict=True)
    )
    code = Rectangle(right - 6.0 - 14.0, 226.0, 14.0, 14.0)
    check_line = (first, 233.0, first + 100.0, 233.0)
    return Layout(page, width, height, markers, greys, (*strips, steps), code, check_line)


def as_json(mat: Layout) -> dict:
    """The mat as plain data, for whoever lays strips on it by other means. Millimetres, origin top left, y down."""
    return {
        "page": {"name": mat.page_name, "width": mat.width, "height": mat.height},
        "unit": "mm",
        "marker_family": MARKER_FAMILY,
        "markers": [{"number": m.number, "corners": m.corners.tolist()} for m in mat.markers],
        "greys": [{"x": g.x, "y": g.y, "width": g.width, "height": g.height, "level": g.level} for g in mat.greys],
        "cells": [
            {"name": c.name, "kind": c.kind, "x": c.x, "y": c.y, "width": c.width, "height": c.height}
            for c in mat.cells
        ],
        "code": {"x": mat.code.x, "y": mat.code.y, "width": mat.code.width, "height": mat.code.height},
        "check_line": list(mat.check_line),
    }
