"""Rows by form and by pasted table, of any method."""

from __future__ import annotations

import pytest

from fairpanel.files.tables import TableFaults
from fairpanel.jobs.entering import Conflict, Faulty
from fairpanel.jobs.recording import (
    amend_row,
    cells_of,
    enter_row,
    method_named,
    row_history,
    rows,
    take_in_table,
    undo,
    withdraw_row,
)
from fairpanel.jobs.run_sheet import STEPS
from fairpanel.storage.bench import Bench
from fairpanel.storage.changes import changes
from fairpanel.storage.errors import NotOnBench

STEP = {"picture": "made.png", "strip": STEPS, "role": "step", "seconds": "8"}


@pytest.fixture
def method():
    return method_named("uv_strip")


@pytest.fixture
def with_picture(bench):
    with Bench.open(bench, writing=True) as opened:
        opened.keep_original(b"not looked into here", "made.png")
    return bench


def test_rows_one_by_one(with_picture, method):
    """Several patches of one strip are several rows; each keeps its place."""
    for seconds in ("8", "15 s", "0,5 min"):
        enter_row(with_picture, method, STEP | {"seconds": seconds})
    found = rows(with_picture, "uv_strip", words="steps")
    assert sorted(r.body["seconds"] for r in found.rows) == [8, 15, 30] and found.of == 3
    assert all(r.picture_id for r in found.rows)
    assert cells_of(method, found.rows[0])["strip"] == STEPS


@pytest.mark.parametrize(
    ("change", "field"),
    [({"seconds": "soon"}, "seconds"), ({"role": "hat"}, "role"), ({"strip": ""}, "strip"),
     ({"picture": "x"}, "picture"), ({"role": "product"}, "product")],
)  # fmt: skip
def test_faults_at_their_fields(with_picture, method, change, field):
    """Of one cell, of rows together, of the picture; nothing is kept."""
    with pytest.raises(Faulty) as told:
        enter_row(with_picture, method, STEP | change)
    assert field in told.value.wrong and rows(with_picture, "uv_strip").of == 0


def test_a_row_that_clashes_with_another(with_picture, method):
    """The method's own rules over all rows: a strip is either steps or a product's."""
    enter_row(with_picture, method, STEP)
    with pytest.raises(Faulty) as told:
        enter_row(with_picture, method, STEP | {"role": "product", "product": "Wax A", "seconds": "9"})
    assert "mixes" in told.value.wrong["role"]


def test_changing_and_taking_out(with_picture, method):
    """With a reason; by one window at a time; with all its history; and back again."""
    id = enter_row(with_picture, method, STEP)
    with pytest.raises(Faulty) as told:
        amend_row(with_picture, id, STEP | {"seconds": "9", "strip": "other"}, reason="")
    assert set(told.value.wrong) == {"reason", "strip"}
    new = amend_row(with_picture, id, STEP | {"seconds": "9", "paper_sheet": "A7"}, reason="the card was late")
    with pytest.raises(Conflict) as clash:
        amend_row(with_picture, id, STEP | {"seconds": "10"}, reason="other window")
    assert clash.value.newest.body["seconds"] == 9
    assert amend_row(with_picture, new, STEP | {"seconds": "9.0", "paper_sheet": "A7"}, reason="same") == new
    withdraw_row(with_picture, new, reason="cut wrongly")
    assert rows(with_picture, "uv_strip").of == 0
    assert [r.reason for r in row_history(with_picture, id)] == ["", "the card was late", "cut wrongly"]
    with Bench.open(with_picture) as opened:
        newest = next(c for c in changes(opened) if c.noun == "row")
    undo(with_picture, newest.id)
    assert [r.body["seconds"] for r in rows(with_picture, "uv_strip").rows] == [9]


def test_a_pasted_table(with_picture, on_mat):
    """Pictures come with it or are there already; every fault says row and column, in the page's own words."""
    from PIL import Image

    path = with_picture.parent / "two.png"
    Image.fromarray(on_mat.pixels).save(path, icc_profile=on_mat.profile)
    head = "picture\tstrip\trole\tseconds\n"
    with pytest.raises(TableFaults) as told:
        take_in_table(with_picture, (head + "two.png\tsteps\tstep\tsoon\nno.png\tS\tstep\t8\n").encode(), "pasted")
    places = [(f.row, f.column) for f in told.value.faults]
    assert (2, "seconds") in places and (3, "picture") in places
    with pytest.raises(TableFaults, match="on the bench, and none came"):
        take_in_table(with_picture, (head + "two.png\tsteps\tstep\t8\n").encode(), "pasted")
    table = (head + "two.png\tsteps\tstep\t8\ntwo.png\tsteps\tstep\t15\n").encode()
    taken = take_in_table(with_picture, table, "pasted", pictures=[("two.png", path.read_bytes())])
    assert len(taken.comparison.added) == 2
    assert not take_in_table(with_picture, table, "pasted").taken
    changed = table.replace(b"\t15", b"\t16")
    with pytest.raises(TableFaults, match="field “Reason”"):
        take_in_table(with_picture, changed, "pasted")
    assert len(take_in_table(with_picture, changed, "pasted", reason="late").comparison.changed) == 1


def test_a_method_that_is_not_here():
    """Said by name."""
    with pytest.raises(NotOnBench, match="no test method"):
        method_named("none")
