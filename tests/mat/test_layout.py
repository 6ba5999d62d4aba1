"""The geometry of the mat holds together."""

import itertools

import pytest

from fairpanel.mat.layout import GREY_LEVELS, PAGES, Rectangle, as_json, layout


def _gap(a: Rectangle, b: Rectangle) -> float:
    """Free distance between two rectangles; negative where they overlap. [mm]"""
    across = max(a.x - b.x - b.width, b.x - a.x - a.width)
    down = max(a.y - b.y - b.height, b.y - a.y - a.height)
    return max(across, down)


@pytest.mark.parametrize("name", PAGES)
def test_nothing_overlaps_and_all_is_on_the_page(name):
    """Markers, greys, cells and code keep at least 2 mm apart, and 5 mm from the edge that printers leave
    white."""
    mat = layout(name)
    things = [*mat.markers, *mat.greys, *mat.cells, mat.code]
    for a, b in itertools.combinations(things, 2):
        assert _gap(a, b) >= 2.0 - 1e-9
    for t in things:
        assert t.x >= 5 and t.y >= 5 and t.x + t.width <= mat.width - 5 and t.y + t.height <= mat.height - 5


@pytest.mark.parametrize("name", PAGES)
def test_cells_are_as_many_and_as_large_as_promised(name):
    """At least 12 strip cells of 26 x 64 mm and a step cell of 170 x 26 mm; each level of grey stands twice,
    apart."""
    mat = layout(name)
    strips = [c for c in mat.cells if c.kind == "strip"]
    assert len(strips) >= 12
    assert all((c.width, c.height) == (26, 64) for c in strips)
    assert [(c.width, c.height) for c in mat.cells if c.kind == "steps"] == [(170, 26)]
    assert len({c.name.casefold() for c in mat.cells}) == len(mat.cells)
    for level in GREY_LEVELS:
        one, two = [g for g in mat.greys if g.level == level]
        assert _gap(one, two) > 100
    assert mat.cell("a1") is mat.cell(" A1 ")
    with pytest.raises(KeyError):
        mat.cell("Z9")


def test_no_marker_number_is_on_both_pages():
    """So that a photo shows which page was printed."""
    one, two = ({m.number for m in layout(name).markers} for name in PAGES)
    assert not one & two


def test_the_published_layout_has_its_promised_fields():
    """Fields that others rely on."""
    data = as_json(layout("A4"))
    assert {"page", "markers", "greys", "cells"} <= data.keys()
    assert all({"x", "y", "width", "height", "level"} <= g.keys() for g in data["greys"])
    assert all({"name", "kind", "x", "y", "width", "height"} <= c.keys() for c in data["cells"])
    assert all(len(m["corners"]) == 4 for m in data["markers"])
