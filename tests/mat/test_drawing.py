"""The printed mat is true to the millimetre, reproducible, and keeps clear of the cells."""

import re
import zlib

import numpy as np
import pypdfium2
import pytest

from fairpanel.mat.drawing import CAUTION, CHECK_LINE_TEXT, draw
from fairpanel.mat.layout import GREY_LEVELS, PAGES, Rectangle, layout
from fairpanel.picture.codes import read_codes
from fairpanel.picture.colour import linear_to_srgb
from fairpanel.picture.finding_mat import find_mat

PER_MM = 300 / 25.4


def _part(page, r: Rectangle, inset=0.0):
    """Pixels of the rendered page inside a rectangle of the layout."""
    x0, y0 = (r.x + inset) * PER_MM, (r.y + inset) * PER_MM
    x1, y1 = (r.x + r.width - inset) * PER_MM, (r.y + r.height - inset) * PER_MM
    return page[int(np.ceil(y0)) : int(y1), int(np.ceil(x0)) : int(x1)]


@pytest.mark.parametrize("name", PAGES)
def test_page_size_and_number(name):
    """One page of exactly the paper's size (ISO 216 A4 210 x 297 mm; letter 8.5 x 11 in)."""
    pdf = pypdfium2.PdfDocument(draw(layout(name)))
    assert len(pdf) == 1
    assert np.array(pdf[0].get_size()) / 72 * 25.4 == pytest.approx(PAGES[name], abs=0.01)


@pytest.mark.parametrize("name", PAGES)
def test_everything_lies_where_the_layout_says(name, page_at_300_dpi, upright):
    """Markers within two pixels of the viewer (0.042 mm each: it sets edges and the page to whole ones)."""
    found = find_mat(upright(page_at_300_dpi(name)))
    for marker in layout(name).markers:
        expected = marker.corners * PER_MM - 0.5
        assert np.abs(found.to_pixels(marker.corners) - expected).max() < 2 * 0.0424 * PER_MM
    assert found.print_scale(300) == pytest.approx(1.0, abs=5e-4)


@pytest.mark.parametrize("name", PAGES)
def test_the_check_line_is_100_mm(name, page_at_300_dpi):
    """Its ends, found as the outermost dark columns along it."""
    x0, y, x1, _ = layout(name).check_line
    band = page_at_300_dpi(name)[int((y - 1.4) * PER_MM) : int((y + 1.4) * PER_MM), :, 1]
    stretch = slice(int((x0 - 3) * PER_MM), int((x1 + 3) * PER_MM))
    dark = np.flatnonzero((band[:, stretch] < 140).all(axis=0))  # end strokes stand over the whole band
    assert (dark.max() - dark.min()) / PER_MM == pytest.approx(100.0, abs=0.3)


@pytest.mark.parametrize("name", PAGES)
def test_greys_show_their_level(name, page_at_300_dpi):
    """A viewer shows the sRGB code of the level, to the nearest code."""
    page = page_at_300_dpi(name)
    for grey in layout(name).greys:
        inside = _part(page, grey, inset=0.3)
        assert np.ptp(inside.reshape(-1, 3), axis=0).max() == 0
        assert abs(int(inside[0, 0, 0]) - 255 * float(linear_to_srgb(grey.level))) <= 0.51
    assert {g.level for g in layout(name).greys} == set(GREY_LEVELS)


@pytest.mark.parametrize("name", PAGES)
def test_nothing_is_printed_in_or_near_a_cell(name, page_at_300_dpi):
    """Inside it is white; within 1.5 mm there are only the light brackets."""
    page = page_at_300_dpi(name)
    for cell in layout(name).cells:
        assert (_part(page, cell) == 255).all(), cell.name
        around = Rectangle(cell.x - 1.5, cell.y - 1.5, cell.width + 3, cell.height + 3)
        assert _part(page, around).min() > 190, cell.name


def test_same_mat_same_bytes():
    """Drawn twice, the file is the same to the last byte."""
    assert draw(layout("A4")) == draw(layout("A4"))


def test_the_printer_is_told_not_to_scale():
    """Viewer preference PrintScaling None (ISO 32000-1, table 150, from memory)."""
    assert re.search(rb"/PrintScaling\s*/None", draw(layout("A4")))


def test_every_font_is_embedded():
    """No font is left to the viewer (TrueType programs stand in FontFile2, ISO 32000-1, 9.9)."""
    pdf = draw(layout("letter"))
    assert len(re.findall(rb"/BaseFont", pdf)) == len(re.findall(rb"/FontFile2", pdf)) == 2


def test_the_page_says_what_it_must():
    """Check line, cell names, how-to and caution can be read as text, and the caution has the last word."""
    text = " ".join(pypdfium2.PdfDocument(draw(layout("A4")))[0].get_textpage().get_text_range().split())
    for words in (CHECK_LINE_TEXT, "A1", "B6", "steps", "Dry strips only", "No flash"):
        assert words in text
    assert CAUTION in text
    assert CAUTION.endswith("Labels, safety sheets, local codes and licensed trades come first.")


def test_a_code_is_printed_and_read_back(page_at_300_dpi):
    """Drawn in its frame and read from the page."""
    assert read_codes(page_at_300_dpi("A4", "FP-A7-0031")) == ["FP-A7-0031"]


def test_nothing_of_the_maker_s_machine_is_in_the_file():
    """No path and no user in the file, its streams unpacked."""
    pdf = draw(layout("A4"))
    unpacked = pdf
    for match in re.finditer(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL):
        try:
            unpacked += zlib.decompress(match[1].strip())
        except zlib.error:
            continue
    assert not re.search(rb"/(home|root|tmp|Users)/", unpacked)
