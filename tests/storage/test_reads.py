"""What was read: kept with where it came from, shown only when finished, measured once."""

import numpy as np
import pytest

from fairpanel.measured import Component, Measured
from fairpanel.methods.contract import Mark, Outline, Reading, Refusal, Result
from fairpanel.storage import Bench, NewRow
from fairpanel.storage.errors import NotOnBench, ReadFinished, ReadNotFinished, ReasonNeeded

_LN_T = Measured(-0.105, (Component("curve", 0.02, "sheet 1", 9.0), Component("patch", 0.013)), ("stained",))
_REFUSED = Refusal("p.jpg", "3", "no steps found", "lay a step strip beside it")


def _reading(row_ids, product="A", **more):
    return Reading(tuple(row_ids), product, "", "p.jpg", "1", "blocked", _LN_T, -0.2, -0.01, **more)


def _result(readings, product="A"):
    return Result(product, "uv_strip", "blocked", _LN_T, -0.2, 0.0, -0.3, 0.1, 1, tuple(readings))


@pytest.fixture
def rows(bench):
    """Two rows about two pictures."""
    staged = [bench.stage(b"p", name="p.jpg"), bench.stage(b"q", name="q.jpg")]
    bench.add_take_in(
        table_name="t.csv",
        pictures=staged,
        rows=[NewRow("uv_strip", 1, str(i), {"strip": i}, i + 2, one.name, one.sha256) for i, one in enumerate(staged)],
    )
    return bench.current_rows()


def _begin(bench):
    return bench.begin_read(code_version="0.1.0", seed=2**40, methods={"uv_strip": 1}, settings={"draws": 10})


def _measure(bench, read_id, row, key="key", tone=0.25, refusals=()):
    return bench.save_marks(
        read_id,
        method="uv_strip",
        method_version=1,
        cache_key=key,
        picture_id=row.picture_id,
        outlines=[Outline(row.id, np.array([[0.5, 1.0], [2.0, 1.0], [2.0, 3.25]]), "found")],
        marks=[Mark(row.id, {"tone": tone, "bands": np.array([0.1, 0.2])}, ("stained",))],
        refusals=refusals,
    )


def _read_everything(bench, rows):
    read_id = _begin(bench)
    for row in rows:
        _measure(bench, read_id, row, key=row.id, refusals=[_REFUSED] if row is rows[0] else ())
    bench.save_readings(read_id, "uv_strip", [_reading([row.id]) for row in rows], [Refusal("q.jpg", "2", "a", "b")])
    result_ids = bench.save_results(read_id, "uv_strip", [_result([1, 0]), _result([1], "B")])
    bench.save_findings(read_id, [(result_ids[0], {"finding": "shown"}), (None, {"groups": [["A", "B"]]})])
    return read_id


def test_a_read_comes_back_as_it_was_saved(bench, rows):
    """Readings, results, findings and refusals, each linked to what it came from."""
    read_id = _read_everything(bench, rows)
    bench.end_read(read_id, "all good")
    readings, results = bench.readings_of(read_id), bench.results_of(read_id)
    marks_by_row = {m.row_id for one in bench.measurings_of(read_id) for m in one.marks}
    assert marks_by_row == {row.id for row in rows}
    assert [r.reading for r in readings] == [_reading([row.id]) for row in rows]
    assert [len(r.mark_ids) for r in readings] == [1, 1]
    assert readings[0].mark_ids != readings[1].mark_ids
    assert [r.result for r in results] == [_result([1, 0]), _result([1], "B")]
    assert results[0].reading_ids == (readings[0].id, readings[1].id)
    assert results[1].reading_ids == (readings[1].id,)
    findings = bench.findings_of(read_id)
    assert [(f.result_id, f.body) for f in findings] == [
        (results[0].id, {"finding": "shown"}),
        (None, {"groups": [["A", "B"]]}),
    ]
    assert bench.refusals_of(read_id) == [_REFUSED, Refusal("q.jpg", "2", "a", "b")]
    assert bench.check() == []


def test_the_last_read_is_the_one_finished_last(bench, rows):
    """With version, settings, seed and times; a read that was stopped is none."""
    assert bench.last_read() is None
    first, second = _begin(bench), _begin(bench)
    assert bench.last_read() is None
    bench.end_read(second)
    bench.end_read(first, "slow one")
    last = bench.last_read()
    assert (last.id, last.code_version, last.seed, last.note) == (first, "0.1.0", 2**40, "slow one")
    assert (last.methods, last.settings) == ({"uv_strip": 1}, {"draws": 10})
    assert last.started_at <= last.finished_at


def test_nothing_is_shown_of_a_read_that_was_stopped(bench, rows):
    """Though all of it but the end is saved."""
    read_id = _read_everything(bench, rows)
    for ask in (
        bench.readings_of,
        bench.results_of,
        bench.findings_of,
        bench.refusals_of,
        bench.measurings_of,
    ):
        with pytest.raises(ReadNotFinished, match="Run `read` again"):
            ask(read_id)
    with pytest.raises(ReadNotFinished):
        bench.save_publication(read_id, folder="out", files={})


def test_nothing_can_be_added_to_a_finished_read(bench, rows):
    """Results are never changed afterwards."""
    read_id = _begin(bench)
    bench.end_read(read_id)
    for add in (
        lambda: _measure(bench, read_id, rows[0]),
        lambda: bench.use_marks(read_id, []),
        lambda: bench.save_readings(read_id, "uv_strip", []),
        lambda: bench.save_results(read_id, "uv_strip", []),
        lambda: bench.save_findings(read_id, []),
        lambda: bench.end_read(read_id),
    ):
        with pytest.raises(ReadFinished):
            add()


def test_a_read_that_does_not_exist(bench):
    """Said by its id."""
    for ask in (bench.results_of, bench.end_read):
        with pytest.raises(NotOnBench, match="no read abc"):
            ask("abc")


def test_what_was_measured_is_found_again_by_its_key(bench, rows):
    """By any later read, even if the first was stopped; refusals and outlines come with it."""
    stopped = _begin(bench)
    measuring_id = _measure(bench, stopped, rows[0], key="k1", refusals=[_REFUSED])
    again = _begin(bench)
    found = bench.marks_by_key(["k1", "k2"])
    assert list(found) == ["k1"]
    kept = found["k1"]
    assert (kept.id, kept.picture_id, kept.method, kept.method_version) == (
        measuring_id,
        rows[0].picture_id,
        "uv_strip",
        1,
    )
    assert kept.marks == (Mark(rows[0].id, {"tone": 0.25, "bands": [0.1, 0.2]}, ("stained",)),)
    np.testing.assert_array_equal(kept.outlines[0].polygon, [[0.5, 1.0], [2.0, 1.0], [2.0, 3.25]])
    bench.use_marks(again, [kept.id, kept.id])
    bench.use_marks(again, [kept.id])
    bench.save_readings(again, "uv_strip", [_reading([rows[0].id])])
    bench.end_read(again)
    assert bench.refusals_of(again) == [_REFUSED]
    assert len(bench.readings_of(again)[0].mark_ids) == 1
    assert [one.id for one in bench.measurings_of(again, "uv_strip")] == [measuring_id]
    assert bench.measurings_of(again, "rating") == []


def test_a_picture_in_which_nothing_was_found_is_not_measured_again_either(bench, rows):
    """The key is known though it has no marks."""
    read_id = _begin(bench)
    bench.save_marks(read_id, method="uv_strip", method_version=1, cache_key="k", picture_id=None, refusals=[_REFUSED])
    assert bench.marks_by_key(["k"])["k"].refusals == (_REFUSED,)


def test_the_newest_of_a_key_counts(bench, rows):
    """Measured anew on demand, the old marks stay on record."""
    read_id = _begin(bench)
    for tone in (0.25, 0.5):
        _measure(bench, read_id, rows[0], key="k", tone=tone)
    assert bench.marks_by_key(["k"])["k"].marks[0].body["tone"] == 0.5


def test_many_keys_at_once(bench, rows):
    """More than a database takes in one question."""
    read_id = _begin(bench)
    _measure(bench, read_id, rows[0], key="k1999")
    assert list(bench.marks_by_key(f"k{i}" for i in range(2500))) == ["k1999"]


def test_marks_of_a_row_not_on_the_bench_are_not_saved(bench, rows):
    """Nor anything that would have come with them."""
    read_id = _begin(bench)
    with pytest.raises(NotOnBench):
        bench.save_marks(
            read_id,
            method="uv_strip",
            method_version=1,
            cache_key="k",
            picture_id=None,
            marks=[Mark(rows[0].id, {}), Mark("nobody", {})],
        )
    assert bench.marks_by_key(["k"]) == {}


def test_a_result_of_a_reading_that_was_not_saved_is_not_saved(bench, rows):
    """A mistake of the program, not of the tester."""
    read_id = _begin(bench)
    bench.save_readings(read_id, "uv_strip", [_reading([rows[0].id])])
    with pytest.raises(IndexError):
        bench.save_results(read_id, "uv_strip", [_result([1])])
    bench.end_read(read_id)
    assert bench.results_of(read_id) == []


def test_rows_changed_since_a_read(bench, rows):
    """So that results of rows amended since can be marked as such."""
    read_id = _begin(bench)
    bench.end_read(read_id)
    assert bench.rows_changed_since(read_id) == 0
    bench.amend_row(rows[0].id, {"strip": 9}, reason="typo")
    bench.withdraw_rows([rows[1].id], reason="fell")
    assert bench.rows_changed_since(read_id) == 2


def test_a_looker_sees_no_half_of_a_picture(bench, rows, folder, monkeypatch):
    """While a picture is being saved, others see it as not measured."""
    read_id = _begin(bench)
    with Bench.open(folder) as looker:
        seen = []
        add_all = type(bench)._add_all
        monkeypatch.setattr(
            type(bench),
            "_add_all",
            lambda self, *about: (add_all(self, *about), seen.append(looker.marks_by_key(["k"])))[0],
        )
        _measure(bench, read_id, rows[0], key="k")
        assert len(seen) > 2
        assert not any(seen)
        assert looker.marks_by_key(["k"])


def test_outlines_moved_by_hand(bench, rows):
    """The newest place counts, under the newest entry of its row, and each move has a reason."""
    row = rows[0]

    def moved_to(x):
        return Outline(row.id, np.array([[x, 0.0], [x + 1, 0.0], [x, 1.0]]), "moved")

    with pytest.raises(ReasonNeeded):
        bench.move_outline(row.picture_id, moved_to(1.0), reason="")
    bench.move_outline(row.picture_id, moved_to(1.0), reason="on the pencil line")
    bench.move_outline(row.picture_id, moved_to(2.0), reason="still on it")
    newest = bench.amend_row(row.id, {"strip": 7}, reason="typo")
    (outline,) = bench.moved_outlines(row.picture_id)
    assert (outline.row_id, outline.how, outline.polygon[0, 0]) == (newest, "moved", 2.0)
    bench.withdraw_rows([newest], reason="fell")
    assert bench.moved_outlines(row.picture_id) == []
