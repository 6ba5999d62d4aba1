"""Empty cells of the mat: passed over by a look, refused by name where the table says that a strip lies there."""

from dataclasses import replace

import pytest

from fairpanel.files.pictures import decode
from fairpanel.methods.contract import Entered
from fairpanel.methods.uv_strip.finding_outlines import find
from fairpanel.methods.uv_strip.lying_strips import lying_strips
from fairpanel.methods.uv_strip.row import Row
from fairpanel.picture.finding_mat import mat_in
from fairpanel.rehearsal.plan import Plan, made_campaign


@pytest.fixture(scope="module")
def photo_and_rows():
    """A phone photo of the mat with two half plates and their steps; ten strip cells are empty."""
    made = made_campaign(Plan(products={"Wax": 1.0, "Film": 80.0}, plates=1, sheets=1, camera="phone"), seed=3)
    rows = [
        Row(r["picture"], r["strip"], r["role"], float(r["seconds"]), r["product"], box=r["box"]) for r in made.rows
    ]
    return decode(made.pictures[0].data, "photo"), rows


def test_a_look_finds_the_strips_and_nothing_in_the_empty_cells(photo_and_rows):
    """The printed line round an empty cell is no strip."""
    picture, rows = photo_and_rows
    assert {one.name for one in lying_strips(picture)} == {r.box for r in rows}


def test_a_strip_said_to_lie_in_an_empty_cell_is_refused(photo_and_rows):
    """With the name of the cell; the other strips are outlined as usual."""
    picture, rows = photo_and_rows
    free = next(f"{row}{i}" for row in "AB" for i in range(1, 7) if f"{row}{i}" not in {r.box for r in rows})
    strip = next(r.strip for r in rows if r.is_product)
    wrong = [replace(r, box=free) if r.strip == strip else r for r in rows]
    outlines, refusals = find(picture, [Entered(str(i), r) for i, r in enumerate(wrong)])
    assert [(r.strip, r.reason) for r in refusals] == [(strip, f"cell {free} of the mat is empty")]
    assert len(outlines) == sum(r.strip != strip for r in rows)


def test_on_the_mat_strips_without_a_place_are_taken_cell_by_cell(photo_and_rows):
    """The column box left empty: the same outlines as with the cells named; a strip too many is refused."""
    picture, rows = photo_and_rows
    order = [c.name for c in mat_in(picture).layout.cells]
    rows = sorted(rows, key=lambda r: order.index(r.box))
    named, _ = find(picture, [Entered(str(i), r) for i, r in enumerate(rows)])
    bare = [replace(r, box=None) for r in rows]
    found, refusals = find(picture, [Entered(str(i), r) for i, r in enumerate(bare)])
    assert not refusals
    for a, b in zip(named, found, strict=True):
        assert a.row_id == b.row_id and a.polygon == pytest.approx(b.polygon)
    more = [*bare, replace(bare[0], strip="one too many")]
    outlines, refusals = find(picture, [Entered(str(i), r) for i, r in enumerate(more)])
    assert not outlines and "strips lie in 3 cells" in refusals[0].reason
