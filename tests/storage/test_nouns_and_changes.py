"""Entering, taking out, entering again; and taking any change back without a record being lost."""

from __future__ import annotations

import pytest

from fairpanel.storage.bench import Bench
from fairpanel.storage.changes import changes, take_back
from fairpanel.storage.errors import AlreadyReplaced, NotOnBench
from fairpanel.storage.records import WITHDRAWN, NewRow


@pytest.fixture
def bench(tmp_path):
    with Bench.create(tmp_path / "bench", zone="UTC") as opened:
        yield opened


def _names(bench, noun="product"):
    return [one.name for one in bench.nouns(noun)]


def test_what_was_taken_out_can_be_entered_again(bench):
    """It goes on with its line; its history has every step."""
    first = bench.enter("product", "Wax A", {"kind": "wax"})
    bench.amend_entry(first, reason="typed twice", body={"kind": "wax", WITHDRAWN: True})
    assert _names(bench) == []
    again = bench.enter("product", "Wax A", {"kind": "paste wax"})
    assert _names(bench) == ["Wax A"]
    assert [e.withdrawn for e in bench.entry_history(again)] == [False, True, False]
    with pytest.raises(AlreadyReplaced, match="already"):
        bench.enter("product", "Wax A")


def test_a_row_that_names_it_brings_it_back(bench):
    """What rows name is never missing from the bench."""
    first = bench.enter("product", "Wax A")
    bench.amend_entry(first, reason="no longer made", body={WITHDRAWN: True})
    bench.add_take_in(table_name="", rows=[NewRow("m", 1, "1", {"v": 1})], nouns=[("product", "Wax A")])
    assert _names(bench) == ["Wax A"]


def test_two_things_never_get_one_name(bench):
    """Neither by entering nor by renaming."""
    bench.enter("product", "Wax A")
    other = bench.enter("product", "Wax B")
    with pytest.raises(AlreadyReplaced, match="already"):
        bench.amend_entry(other, name="Wax A", reason="same thing")


def test_a_new_entry_taken_back(bench):
    """It is out, and taking that back brings it in again."""
    id = bench.enter("lamp", "L2", {"bulb": "x"})
    take_back(bench, id, reason="undone")
    assert _names(bench, "lamp") == []
    newest = changes(bench)[0]
    assert newest.what == "taken out" and newest.newest
    take_back(bench, newest.id, reason="undone")
    assert bench.nouns("lamp")[0].body == {"bulb": "x"}
    assert len(bench.all_entries("lamp")) == 3


def test_a_change_taken_back_restores_name_and_body(bench):
    """The former words stand again; only the newest change can be taken back."""
    first = bench.enter("product", "Wax A", {"price": 5.0})
    second = bench.amend_entry(first, name="Wax AA", body={"price": 6.0}, reason="misread")
    with pytest.raises(AlreadyReplaced):
        take_back(bench, first, reason="undone")
    take_back(bench, second, reason="undone")
    (now,) = bench.nouns("product")
    assert (now.name, now.body) == ("Wax A", {"price": 5.0})


def _row(v, identity="1"):
    return NewRow("m", 1, identity, {"v": v}, line=2)


def _standing(bench):
    return {r.identity: r.body["v"] for r in bench.current_rows()}


def test_a_table_taken_back(bench):
    """Rows it added go, rows it changed are as before, in the place they had."""
    bench.add_take_in(table_name="a.csv", rows=[_row(1)], table=b"1")
    bench.add_take_in(table_name="a.csv", rows=[_row(2), _row(9, "2")], table=b"2", reason="re-read")
    assert _standing(bench) == {"1": 2, "2": 9}
    newest = changes(bench)[0]
    assert (newest.added, newest.changed, newest.reason, newest.newest) == (1, 1, "re-read", True)
    take_back(bench, newest.id, reason="undone")
    assert _standing(bench) == {"1": 1} and bench.current_rows()[0].line == 2
    take_back(bench, changes(bench)[0].id, reason="undone")
    assert _standing(bench) == {"1": 2, "2": 9}


def test_rows_changed_since_are_not_overwritten(bench):
    """The older table cannot be taken back before the newer change."""
    taken = bench.add_take_in(table_name="", rows=[_row(1)])
    bench.amend_row(taken.row_ids[0], {"v": 3}, reason="slip")
    old = changes(bench)[1]
    assert not old.newest
    with pytest.raises(AlreadyReplaced, match="newer change"):
        take_back(bench, old.id, reason="undone")
    assert _standing(bench) == {"1": 3}


def test_what_is_kept_for_ever(bench):
    """Neither the bench's own entry nor a seal is taken back."""
    seal = bench.enter("seal", "spring", {"state": "sealed"})
    for id in (seal, bench.nouns("bench")[0].id, "0" * 16):
        with pytest.raises(NotOnBench):
            take_back(bench, id, reason="undone")
    assert changes(bench) == []


def test_pages_of_changes(bench):
    """So many at once, and the ones before."""
    for i in range(5):
        bench.enter("product", f"P{i}")
    first = changes(bench, most=2)
    rest = changes(bench, most=9, before=first[-1].made_at)
    assert [c.name for c in [*first, *rest]] == ["P4", "P3", "P2", "P1", "P0"]
