"""Naming strips on their picture."""

from __future__ import annotations

import pytest

from fairpanel.files.pictures import decode
from fairpanel.methods.columns import CellError, read_cells
from fairpanel.methods.uv_strip.by_picture import BY_PICTURE, answers_of, look, rows, times
from fairpanel.methods.uv_strip.row import Row, corners_of
from fairpanel.rehearsal.suites import make_suite

STEPS = {"picture": "a.png", "strip": "steps", "role": "step", "seconds": "0, 1, 2, 4 min", "box": "steps"}
HALF = {"picture": "a.png", "strip": "S1", "role": "product", "seconds": "90", "other half": "glass only",
        "product": "Wax A", "plate": "P1", "box": "A1"}  # fmt: skip


def as_rows(answers: dict[str, str]) -> list[Row]:
    cells, faults = rows(answers)
    assert faults == []
    found = [read_cells(Row, one, k) for k, one in enumerate(cells, 1)]
    assert all(not wrong for _, wrong in found)
    return [row for row, _ in found]


def test_what_lies_on_the_mat_is_found_without_a_table():
    """Twelve half plates and the steps, each with the cell it lies in."""
    picture = make_suite("scan_half", 7, dpi=100.0).pictures[0]
    found = look(decode(picture.data, picture.name))
    assert [f.place for f in found if f.steps] == ["steps"]
    assert sorted(f.place for f in found if not f.steps) == [f"{r}{c}" for r in "AB" for c in range(1, 7)]


def test_loose_strips_are_found_with_their_corners():
    """Each whole strip's place is four corners that the table's column understands, inside the picture."""
    picture = make_suite("scan_loose", 7, dpi=75.0).pictures[0]
    upright = decode(picture.data, picture.name)
    found = look(upright)
    assert sum(f.steps for f in found) == 1
    assert len(found) == 9
    for one in found:
        corners = corners_of(one.place)
        assert corners is not None and corners.min() >= 0
        assert (corners.max(axis=0) < (upright.width, upright.height)).all()


def test_one_answer_makes_a_row_for_each_step():
    """A unit at the end holds for all."""
    assert [r.seconds for r in as_rows(STEPS)] == [0.0, 60.0, 120.0, 240.0]


def test_a_half_plate_is_two_rows_and_only_one_names_the_product():
    """The half under glass only belongs to the plate, not to the product."""
    covered, bare = as_rows(HALF)
    assert (covered.role, covered.product, covered.seconds) == ("product", "Wax A", 90.0)
    assert (bare.role, bare.product, bare.plate, bare.seconds) == ("glass only", None, "P1", 90.0)


@pytest.mark.parametrize(
    "answers",
    [STEPS, HALF, HALF | {"seconds": "90, 60", "other half": "no glass"}, HALF | {"relative_light": "0.97; 0.95"}],
)
def test_rows_give_the_answers_back(answers):
    """The form filled from rows makes the same rows again."""
    made = as_rows(answers)
    assert as_rows(answers_of(made)) == made


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"role": "step"}, "other half"),
        ({"seconds": "30, 60, 90"}, "other half"),
        ({"seconds": "a while"}, "seconds"),
        ({"relative_light": "1; 0.9; 0.8"}, "relative_light"),
    ],
)
def test_what_cannot_be_meant_is_a_fault_at_its_field(change, field):
    """Nothing is guessed."""
    cells, faults = rows(HALF | change)
    assert cells == [] and [f.column for f in faults] == [field]


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("0,8,15", ["0", "8", "15"]), ("0 8 15", ["0", "8", "15"]), ("0,5", ["0,5"]), ("1:30", ["1:30"]),
     ("0, 30 s, 1 min", ["0 min", "30 s", "1 min"]), ("0, 1, 2 min", ["0 min", "1 min", "2 min"])],
)  # fmt: skip
def test_times_as_people_write_them(typed, meant):
    """Commas, blanks, units; a comma within a number is the decimal sign."""
    assert times(typed) == meant


def test_a_time_without_its_unit_among_others_is_refused():
    """Thirty what?"""
    with pytest.raises(CellError, match="unit"):
        times("0, 10 s, 30, 1 min")


def test_all_columns_of_a_row_are_asked_or_filled():
    """A column that a table has can be answered on the picture too."""
    from fairpanel.methods.columns import columns_of

    asked = {c.name for c in BY_PICTURE.asked} | {BY_PICTURE.picture, BY_PICTURE.place}
    assert {c.name for c in columns_of(Row)} <= asked
