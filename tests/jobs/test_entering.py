"""Things by form: faults at fields, two windows, renaming, cautions before."""

from __future__ import annotations

import pytest

from fairpanel.jobs.entering import Conflict, Faulty, amend, enter, take_out, thing, things
from fairpanel.jobs.recording import undo
from fairpanel.plan.things import kind_of
from fairpanel.storage.bench import Bench
from fairpanel.storage.changes import changes
from fairpanel.storage.records import NewRow

PRODUCT, PLATE = kind_of("product"), kind_of("specimen")


def test_entering_and_looking_up(bench):
    """By any words in name or fields; the things its fields name are entered on the way."""
    enter(bench, PRODUCT, {"name": "Wax A", "kind": "paste wax"})
    enter(bench, PRODUCT, {"name": "Film B", "maker": "Somebody"})
    assert [e.name for e in things(bench, PRODUCT)] == ["Film B", "Wax A"]
    assert [e.name for e in things(bench, PRODUCT, words="WAX paste")] == ["Wax A"]
    enter(bench, PLATE, {"name": "P1", "product": "Coating C"}, cautioned=True)
    assert [e.name for e in things(bench, PRODUCT, words="coating")] == ["Coating C"]


def test_all_faults_at_once(bench):
    """Name, field and reason, each at its field; nothing is written."""
    id = enter(bench, PRODUCT, {"name": "Wax A"})
    with pytest.raises(Faulty) as told:
        amend(bench, PRODUCT, id, {"name": " ", "price": "dear"}, reason="")
    assert set(told.value.wrong) == {"name", "price", "reason"}
    with pytest.raises(Faulty) as told:
        enter(bench, PRODUCT, {"name": "Wax A"})
    assert set(told.value.wrong) == {"name"}
    assert len(thing(bench, PRODUCT, id).history) == 1


def test_two_windows_lose_nothing(bench):
    """The second to save writes nothing and is shown what the first wrote."""
    id = enter(bench, PRODUCT, {"name": "Wax A", "price": "5"})
    newer = amend(bench, PRODUCT, id, {"name": "Wax A", "price": "6"}, reason="receipt")
    with pytest.raises(Conflict) as told:
        amend(bench, PRODUCT, id, {"name": "Wax A", "price": "7"}, reason="other window")
    assert told.value.newest.id == newer and told.value.newest.body == {"price": 6.0}
    assert thing(bench, PRODUCT, id).entry.body == {"price": 6.0}


def test_saving_without_a_change_writes_nothing(bench):
    """The same words again are no new entry."""
    id = enter(bench, PRODUCT, {"name": "Wax A", "price": "5,00"})
    assert amend(bench, PRODUCT, id, {"name": "Wax A", "price": "5"}, reason="looked at it") == id


def test_a_name_that_rows_use_stays(bench):
    """Renaming it would cut rows off from it; taking it out too."""
    id = enter(bench, PRODUCT, {"name": "Wax A"})
    with Bench.open(bench, writing=True) as opened:
        opened.add_take_in(table_name="", rows=[NewRow("uv_strip", 1, "a", {"product": "Wax A"})])
    with pytest.raises(Faulty) as told:
        amend(bench, PRODUCT, id, {"name": "Wax B"}, reason="typing error")
    assert "1 row" in told.value.wrong["name"]
    with pytest.raises(Faulty):
        take_out(bench, PRODUCT, id, reason="twice")


def test_no_plate_before_its_caution_was_read(bench):
    """Coating is hazardous: every method's caution on it comes first."""
    with pytest.raises(Faulty) as told:
        enter(bench, PLATE, {"name": "P1"})
    assert set(told.value.wrong) == {"cautioned"}
    enter(bench, PLATE, {"name": "P1"}, cautioned=True)


def test_undo_from_the_job(bench):
    """A thing entered by mistake is out again, its record stays."""
    id = enter(bench, PRODUCT, {"name": "Wax A"})
    undo(bench, id)
    assert things(bench, PRODUCT) == []
    with Bench.open(bench) as opened:
        assert [c.what for c in changes(opened)] == ["taken out", "entered"]
