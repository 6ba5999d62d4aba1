"""The mat as a page to print, true to the millimetre.

Markers and greys are drawn as areas, not as a raster, so that they are exact at any resolution. Nothing is
printed inside a cell; only light corner brackets come near one.
"""

from __future__ import annotations

import io
from collections.abc import Iterable

import numpy as np
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from fairpanel.mat.code import modules
from fairpanel.mat.layout import Cell, Grey, Layout, Marker, Rectangle
from fairpanel.mat.markers import MODULES, pattern
from fairpanel.picture.colour import linear_to_srgb

PLAIN, BOLD = "Vera", "VeraBd"

#: Greys of the drawing: text, quiet text, hairlines. 0 is black.
INK, QUIET, FAINT = 0.15, 0.42, 0.78

CHECK_LINE_TEXT = "This line is 100 mm; print at 100 %, not fit to page"

HOW_TO = (
    "Lay each strip in a cell, its start at the arrow, running the way it points. The step strip goes below.",
    "Dry strips only, and flat. Keep weights and fingers off the patches and off the greys.",
    "Even daylight, or a lamp on each side. No flash, no glare, no shadow across the mat.",
    "Camera square above, all six markers in the picture and sharp. Plain mode, no filter.",
    "Print on plain matt white paper. A code, if you use one, goes into its frame on the right.",
    "Take in the original file. Messengers shrink pictures and change their tones.",
)

CAUTION = (
    "A UV lamp harms eyes and skin: shield it before it is switched on. What is read here was measured on "
    "glass, for paint; it says nothing about skin. Labels, safety sheets, local codes and licensed trades "
    "come first."
)


def draw(mat: Layout, *, code: str = "") -> bytes:
    """The mat as a one-page PDF. The same mat gives the same bytes.

    Parameters
    ----------
    mat : Layout
    code : str
        Text to print as a QR code in the frame for it; the frame is left empty without.
    """
    for name in (PLAIN, BOLD):
        pdfmetrics.registerFont(TTFont(name, f"{name}.ttf"))
    out = io.BytesIO()
    size = (mat.width * mm, mat.height * mm)
    canvas = Canvas(out, pagesize=size, invariant=1, pageCompression=1, initialFontName=PLAIN)
    canvas.setTitle(f"Mat for UV strips, {mat.page_name}")
    canvas.setViewerPreference("PrintScaling", "None")
    sheet = _Sheet(canvas, mat)
    _draw_head(sheet, mat)
    for marker in mat.markers:
        _draw_marker(sheet, marker)
    for grey in mat.greys:
        _draw_grey(sheet, grey)
    for cell in mat.cells:
        _draw_cell(sheet, cell)
    _draw_check_line(sheet, mat)
    _draw_code(sheet, mat.code, code)
    _draw_how_to(sheet, mat)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


class _Sheet:
    """The canvas in the layout's own coordinates: millimetres, origin top left, y down."""

    def __init__(self, canvas: Canvas, mat: Layout) -> None:
        self.canvas, self.height = canvas, mat.height

    def areas(self, rectangles: Iterable[Rectangle], grey: float) -> None:
        """Fill rectangles as one path, so that no viewer shows a seam between neighbours."""
        path = self.canvas.beginPath()
        for r in rectangles:
            path.rect(r.x * mm, (self.height - r.y - r.height) * mm, r.width * mm, r.height * mm)
        self.canvas.setFillGray(grey)
        self.canvas.drawPath(path, fill=1, stroke=0)

    def polygon(self, points: np.ndarray, grey: float) -> None:
        path = self.canvas.beginPath()
        (x, y), *others = points
        path.moveTo(x * mm, (self.height - y) * mm)
        for x, y in others:
            path.lineTo(x * mm, (self.height - y) * mm)
        path.close()
        self.canvas.setFillGray(grey)
        self.canvas.drawPath(path, fill=1, stroke=0)

    def line(self, x0: float, y0: float, x1: float, y1: float, *, width: float, grey: float) -> None:
        self.canvas.setStrokeGray(grey)
        self.canvas.setLineWidth(width * mm)
        self.canvas.line(x0 * mm, (self.height - y0) * mm, x1 * mm, (self.height - y1) * mm)

    def text(self, x: float, y: float, words: str, *, points: float, grey: float = INK, font: str = PLAIN) -> float:
        """Write with the baseline at y; gives back the width written. [mm]"""
        self.canvas.setFillGray(grey)
        self.canvas.setFont(font, points)
        self.canvas.drawString(x * mm, (self.height - y) * mm, words)
        return pdfmetrics.stringWidth(words, font, points) / mm

    def brackets(self, r: Rectangle, *, away: float, length: float) -> None:
        """Light corners a little outside a rectangle."""
        x0, y0, x1, y1 = r.x - away, r.y - away, r.x + r.width + away, r.y + r.height + away
        for x, y, right, down in ((x0, y0, 1, 1), (x1, y0, -1, 1), (x1, y1, -1, -1), (x0, y1, 1, -1)):
            self.line(x, y, x + right * length, y, width=0.15, grey=FAINT)
            self.line(x, y, x, y + down * length, width=0.15, grey=FAINT)


def _draw_head(sheet: _Sheet, mat: Layout) -> None:
    strips = [c for c in mat.cells if c.kind == "strip"]
    steps = next(c for c in mat.cells if c.kind == "steps")
    left = _text_edge(mat)
    sheet.text(left, 13.2, "Mat for UV strips", points=13, font=BOLD)
    sizes = (
        mat.page_name.capitalize(),
        f"{len(strips)} strips up to {strips[0].width:g} × {strips[0].height:g} mm",
        f"one step strip up to {steps.width:g} × {steps.height:g} mm",
    )
    sheet.text(left, 17.6, "   ·   ".join(sizes), points=7, grey=QUIET)


def _draw_marker(sheet: _Sheet, marker: Marker) -> None:
    """Black square with the white modules on it (six by six inside a border of one)."""
    side = marker.width / MODULES
    sheet.areas([marker], 0.0)
    places = np.argwhere(pattern(marker.number))
    white = (Rectangle(marker.x + c * side, marker.y + r * side, side, side) for r, c in places)
    sheet.areas(white, 1.0)


def _draw_grey(sheet: _Sheet, grey: Grey) -> None:
    sheet.areas([grey], float(linear_to_srgb(grey.level)))


def _draw_cell(sheet: _Sheet, cell: Cell) -> None:
    sheet.brackets(cell, away=0.9, length=3.0)
    baseline = cell.y - 2.1
    x = cell.x + 1.1 + sheet.text(cell.x, baseline, cell.name, points=6, grey=QUIET)
    down, aside = [[0, 0], [1.5, 0], [0.75, 1.3]], [[0, -0.1], [0, 1.4], [1.3, 0.65]]
    arrow = np.array(down if cell.kind == "strip" else aside)
    sheet.polygon(arrow + np.array([x, baseline - 1.35]), QUIET)


def _draw_check_line(sheet: _Sheet, mat: Layout) -> None:
    x0, y, x1, _ = mat.check_line
    sheet.line(x0, y, x1, y, width=0.25, grey=INK)
    for tenth in range(11):
        half = 1.6 if tenth in (0, 10) else 0.7
        x = x0 + (x1 - x0) * tenth / 10
        sheet.line(x, y - half, x, y + half, width=0.2 if tenth in (0, 10) else 0.15, grey=INK)
    sheet.text(x0, y - 2.7, CHECK_LINE_TEXT, points=7)


def _draw_code(sheet: _Sheet, box: Rectangle, text: str) -> None:
    if not text:
        sheet.brackets(box, away=0.9, length=2.0)
        sheet.text(box.x, box.y + box.height + 3.8, "code", points=6, grey=QUIET)
        return
    dark = modules(text)
    side = box.width / len(dark)
    sheet.areas((Rectangle(box.x + c * side, box.y + r * side, side, side) for r, c in np.argwhere(dark)), 0.0)


def _draw_how_to(sheet: _Sheet, mat: Layout) -> None:
    """Six sentences in two columns under the check line, and the caution between the lowest markers."""
    left, gap = mat.check_line[0], 6.0
    width = (mat.code.x - 6.0 - left - gap) / 2
    for column, sentences in enumerate((HOW_TO[:3], HOW_TO[3:])):
        y = mat.check_line[1] + 7.2
        x = left + column * (width + gap)
        for number, sentence in enumerate(sentences, 1 + 3 * column):
            sheet.text(x, y, str(number), points=6.5, font=BOLD)
            y = _paragraph(sheet, sentence, x=x + 4.0, y=y, width=width - 4.0) + 0.9
    edge, low = _text_edge(mat), mat.markers[3].y
    _paragraph(sheet, CAUTION, x=edge, y=low + 5.4, width=mat.width - 2 * edge, grey=QUIET)


def _text_edge(mat: Layout) -> float:
    """Where text beside the markers begins: half a marker of white away from them. [mm]"""
    marker = mat.markers[0]
    return marker.x + 1.5 * marker.width


def _paragraph(sheet: _Sheet, words: str, *, x: float, y: float, width: float, grey: float = INK) -> float:
    """Set a paragraph from the baseline y; gives back the next baseline. [mm]"""
    for line in simpleSplit(words, PLAIN, 6.5, width * mm):
        sheet.text(x, y, line, points=6.5, grey=grey)
        y += 3.1
    return y
