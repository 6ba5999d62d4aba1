"""Taking in what was done: once, all or nothing, changed only with a reason."""

from dataclasses import dataclass

import pytest

from fairpanel.storage import Bench, NewRow
from fairpanel.storage.errors import AlreadyReplaced, NotOnBench, ReasonNeeded

_TABLE = b"picture,strip,role,seconds,product\n"


@dataclass(frozen=True)
class Typed:
    """A method's row, as a method would declare it."""

    strip: str
    product: str
    seconds: float | None = None


def _row(strip, product="A", line=2, **more):
    return NewRow("typed", 1, f"strip {strip}", Typed(strip, product), line=line, **more)


def _rows(*pairs, **more):
    return [_row(strip, product, line=2 + i, **more) for i, (strip, product) in enumerate(pairs)]


def _bodies(bench):
    return [(row.body["strip"], row.body["product"]) for row in bench.current_rows()]


def test_a_table_is_taken_in_with_pictures_and_nouns(bench):
    """Rows point to pictures by content; things they name are entered; the table itself is kept."""
    staged = bench.stage(b"picture", name="p.jpg")
    taken = bench.add_take_in(
        table_name="done.csv",
        table=_TABLE,
        pictures=[staged],
        rows=_rows(("1", "A"), ("2", "B"), picture_name="p.jpg", picture_sha256=staged.sha256),
        nouns=[("product", "A"), ("product", "B"), ("product", "A"), ("lamp", "L1")],
    )
    rows = bench.current_rows("typed")
    assert tuple(row.id for row in rows) == taken.row_ids
    assert _bodies(bench) == [("1", "A"), ("2", "B")]
    assert {row.picture_id for row in rows} == {bench.pictures()[0].id}
    assert [row.line for row in rows] == [2, 3]
    assert [e.name for e in bench.nouns("product")] == ["A", "B"]
    assert bench.original_bytes(rows[0].picture_id) == b"picture"
    assert any(p.suffix == ".csv" and p.read_bytes() == _TABLE for p in bench.folder.rglob("*") if p.is_file())
    assert bench.check() == []


def test_the_same_table_twice_changes_nothing(bench):
    """No take-in, no row, no picture, no file."""

    def take_in():
        staged = bench.stage(b"picture", name="p.jpg")
        rows = _rows(("1", "A"), ("2", "B"), picture_name="p.jpg", picture_sha256=staged.sha256)
        return bench.add_take_in(table_name="t.csv", table=_TABLE, pictures=[staged], rows=rows)

    first = take_in()
    before = sorted(p for p in bench.folder.rglob("*") if "bench." not in p.name)
    second = take_in()
    assert second.id is None
    assert second.row_ids == first.row_ids
    assert len(second.comparison.unchanged) == 2
    assert sorted(p for p in bench.folder.rglob("*") if "bench." not in p.name) == before


def test_the_same_rows_in_another_file_change_nothing(bench):
    """Saved with other line ends or by another program, the rows are still the same."""
    bench.add_take_in(table_name="t.csv", table=_TABLE, rows=_rows(("1", "A")))
    taken = bench.add_take_in(table_name="t.csv", table=_TABLE + b"\r\n", rows=_rows(("1", "A")))
    assert taken.id is None
    assert bench.check() == []


def test_a_changed_row_needs_a_reason(bench):
    """Nothing is taken in without; the lines are named."""
    bench.add_take_in(table_name="t.csv", rows=_rows(("1", "A"), ("2", "B")))
    with pytest.raises(ReasonNeeded, match="lines 3") as told:
        bench.add_take_in(table_name="t.csv", table=_TABLE, rows=_rows(("1", "A"), ("2", "C"), ("3", "D")))
    assert told.value.lines == (3,)
    assert _bodies(bench) == [("1", "A"), ("2", "B")]
    assert bench.check() == []


def test_a_chain_of_amendments_is_kept(bench):
    """Each entry names the one it replaces and the reason; only the newest stands."""
    bench.add_take_in(table_name="t.csv", rows=_rows(("1", "A"), ("2", "B")))
    bench.add_take_in(table_name="t.csv", rows=_rows(("1", "A"), ("2", "C")), reason="misread label")
    second = bench.current_rows()[1]
    newest = bench.amend_row(second.id, Typed("2", "D"), reason="wrong bottle")
    assert _bodies(bench) == [("1", "A"), ("2", "D")]
    history = bench.row_history(second.id)
    assert [(h.body["product"], h.reason) for h in history] == [
        ("B", ""),
        ("C", "misread label"),
        ("D", "wrong bottle"),
    ]
    assert [h.replaces for h in history] == [None, history[0].id, history[1].id]
    assert history[-1].id == newest
    assert bench.row_history(history[0].id) == history


def test_only_the_newest_entry_can_be_changed(bench):
    """Else there would be two that stand."""
    bench.add_take_in(table_name="t.csv", rows=_rows(("1", "A")))
    (row,) = bench.current_rows()
    bench.amend_row(row.id, Typed("1", "B"), reason="typo")
    for change in (
        lambda: bench.amend_row(row.id, Typed("1", "C"), reason="typo"),
        lambda: bench.withdraw_rows([row.id], reason="typo"),
    ):
        with pytest.raises(AlreadyReplaced):
            change()
    assert _bodies(bench) == [("1", "B")]


@pytest.mark.parametrize("reason", ["", "  "])
def test_single_changes_need_a_reason_too(bench, reason):
    """A blank is none."""
    bench.add_take_in(table_name="t.csv", rows=_rows(("1", "A")))
    (row,) = bench.current_rows()
    with pytest.raises(ReasonNeeded):
        bench.amend_row(row.id, Typed("1", "B"), reason=reason)
    with pytest.raises(ReasonNeeded):
        bench.withdraw_rows([row.id], reason=reason)


def test_a_withdrawn_row_is_gone_but_on_record_and_can_come_back(bench):
    """It comes back in the same line of changes."""
    bench.add_take_in(table_name="t.csv", rows=_rows(("1", "A"), ("2", "B")))
    first = bench.current_rows()[0]
    bench.withdraw_rows([first.id], reason="plate fell")
    assert _bodies(bench) == [("2", "B")]
    assert [h.withdrawn for h in bench.row_history(first.id)] == [False, True]
    bench.add_take_in(table_name="t.csv", rows=_rows(("1", "A"), ("2", "B")))
    assert _bodies(bench) == [("1", "A"), ("2", "B")]
    assert [h.withdrawn for h in bench.row_history(first.id)] == [False, True, False]


def test_rows_left_out_of_a_corrected_table_can_be_withdrawn_with_it(bench):
    """Only rows about the same pictures of a table of the same name, and only when asked."""
    bench.add_take_in(table_name="t.csv", rows=_rows(("1", "A"), ("2", "B"), picture_name="p.jpg"))
    bench.add_take_in(table_name="t.csv", rows=_rows(("8", "X"), picture_name="other.jpg"))
    corrected = _rows(("1", "A"), ("2b", "B"), picture_name="p.jpg")
    compared = bench.compare_take_in("t.csv", corrected)
    assert [row.identity for row in compared.missing] == ["strip 2"]
    assert [row.identity for row in compared.added] == ["strip 2b"]
    with pytest.raises(ReasonNeeded):
        bench.add_take_in(table_name="t.csv", rows=corrected, withdraw_missing=True)
    bench.add_take_in(table_name="t.csv", rows=corrected, withdraw_missing=True, reason="strip was 2b")
    assert sorted(_bodies(bench)) == [("1", "A"), ("2b", "B"), ("8", "X")]


def test_rows_come_back_in_the_order_of_their_table(bench):
    """Where strips are found by their order, a row put in between must come in between."""
    bench.add_take_in(table_name="t.csv", rows=_rows(("1", "A"), ("3", "C"), picture_name="p"))
    bench.add_take_in(table_name="t.csv", rows=_rows(("1", "A"), ("2", "B"), ("3", "C"), picture_name="p"))
    assert _bodies(bench) == [("1", "A"), ("2", "B"), ("3", "C")]
    bench.amend_row(bench.current_rows()[1].id, Typed("2", "Z"), reason="typo")
    assert _bodies(bench) == [("1", "A"), ("2", "Z"), ("3", "C")]


def test_another_order_within_a_picture_is_a_change(bench):
    """It changes which strip is which, so it needs a reason; another order of pictures does not matter."""
    p, q = {"picture_name": "p"}, {"picture_name": "q"}
    bench.add_take_in(table_name="t", rows=[_row("1", **p), _row("2", line=3, **p), _row("9", line=4, **q)])
    moved = bench.add_take_in(table_name="t", rows=[_row("9", **q), _row("1", line=3, **p), _row("2", line=4, **p)])
    assert moved.id is None
    turned = [_row("2", **p), _row("1", line=3, **p)]
    with pytest.raises(ReasonNeeded, match="order"):
        bench.add_take_in(table_name="t", rows=turned)
    bench.add_take_in(table_name="t", rows=turned, reason="strips lay the other way")
    assert [row.body["strip"] for row in bench.current_rows() if row.picture_name == "p"] == ["2", "1"]


def test_equal_identities_are_told_apart_by_their_order(bench):
    """Two patches with the same identity in one table are two rows, then and later."""
    bench.add_take_in(table_name="t", rows=_rows(("1", "A"), ("1", "B")))
    assert bench.add_take_in(table_name="t", rows=_rows(("1", "A"), ("1", "B"))).id is None
    assert [row.ordinal for row in bench.current_rows()] == [0, 1]


def test_another_picture_under_the_same_name_is_a_change(bench):
    """The content decides, not the name."""
    one, other = bench.stage(b"one", name="p.jpg"), bench.stage(b"other", name="p.jpg")
    bench.add_take_in(table_name="t", pictures=[one], rows=[_row("1", picture_name="p.jpg", picture_sha256=one.sha256)])
    new = [_row("1", picture_name="p.jpg", picture_sha256=other.sha256)]
    staged = bench.stage(b"other", name="p.jpg")
    with pytest.raises(ReasonNeeded):
        bench.add_take_in(table_name="t", pictures=[staged], rows=new)
    assert len(bench.pictures()) == 1
    assert bench.check() == []
    bench.add_take_in(table_name="t", pictures=[bench.stage(b"other", name="p.jpg")], rows=new, reason="sharper")
    assert bench.original_bytes(bench.current_rows()[0].picture_id) == b"other"


def test_one_picture_under_two_names(bench):
    """Kept once; each row has the name its table used."""
    staged = [bench.stage(b"same", name=name) for name in ("a.jpg", "b.jpg")]
    sha256 = staged[0].sha256
    rows = [
        _row("1", picture_name="a.jpg", picture_sha256=sha256),
        _row("2", line=3, picture_name="b.jpg", picture_sha256=sha256),
    ]
    bench.add_take_in(table_name="t", pictures=staged, rows=rows)
    assert [row.picture_name for row in bench.current_rows()] == ["a.jpg", "b.jpg"]
    assert len(bench.pictures()) == 1
    assert bench.check() == []


def test_a_row_that_names_an_absent_picture_takes_nothing_in(bench):
    """All or nothing, staged files included."""
    staged = bench.stage(b"here", name="a.jpg")
    rows = [
        _row("1", picture_name="a.jpg", picture_sha256=staged.sha256),
        _row("2", line=3, picture_name="b.jpg", picture_sha256="f" * 64),
    ]
    with pytest.raises(NotOnBench, match=r"Line 3 .*b\.jpg"):
        bench.add_take_in(table_name="t.csv", table=_TABLE, pictures=[staged], rows=rows, nouns=[("product", "A")])
    assert bench.current_rows() == bench.pictures() == bench.nouns("product") == []
    assert not any(p.is_file() for p in (bench.folder / "originals").rglob("*"))


def test_staged_pictures_can_be_dropped(bench):
    """When the table turns out wrong; what is on record stays."""
    kept = bench.keep_original(b"kept", "k.jpg")
    bench.drop_staged([bench.stage(b"kept", name="k.jpg"), bench.stage(b"not", name="n.jpg")])
    assert bench.original_bytes(kept.id) == b"kept"
    assert list((bench.folder / "originals" / "incoming").iterdir()) == []


def test_rows_of_an_older_version_are_compared_after_upgrading(bench):
    """A new version of a method does not make every row of a table look changed."""
    bench.add_take_in(table_name="t", rows=[NewRow("typed", 1, "1", {"minutes": 4})])
    new = [NewRow("typed", 2, "1", {"seconds": 240})]

    def upgrade(method, body, version):
        return {"seconds": 60 * body["minutes"]} if version == 1 else body

    with pytest.raises(ReasonNeeded):
        bench.add_take_in(table_name="t", rows=new)
    assert bench.add_take_in(table_name="t", rows=new, upgrade=upgrade).id is None


def test_methods_do_not_see_each_others_rows(bench):
    """The same identity in two methods is two things."""
    bench.add_take_in(table_name="t", rows=[NewRow("rating", 1, "1", {"n": 3}), NewRow("typed", 1, "1", {"n": 4})])
    assert [row.body for row in bench.current_rows("rating")] == [{"n": 3}]
    assert len(bench.current_rows()) == 2


def test_nouns_can_be_renamed_with_a_reason(bench):
    """The history keeps the old name."""
    first = bench.enter("product", "Shine", {"maker": "M"})
    with pytest.raises(AlreadyReplaced, match="Shine"):
        bench.enter("product", "Shine")
    with pytest.raises(ReasonNeeded):
        bench.amend_entry(first, name="Shine 2", reason="")
    bench.amend_entry(first, name="Shine 2", reason="label says 2")
    with pytest.raises(AlreadyReplaced):
        bench.amend_entry(first, name="Shine 3", reason="again")
    assert [(e.name, e.body) for e in bench.nouns("product")] == [("Shine 2", {"maker": "M"})]
    assert [(e.name, e.reason) for e in bench.entry_history(first)] == [
        ("Shine", ""),
        ("Shine 2", "label says 2"),
    ]


def test_times_are_utc_with_the_benchs_offset(folder):
    """As written on the bench's clock."""
    with Bench.create(folder, zone="+05:30") as bench:
        bench.enter("product", "A")
        (entry,) = bench.nouns("product")
    assert entry.made_at.endswith("Z")
    assert entry.made_offset == "+05:30"


def test_old_scores_stand_until_replaced(bench):
    """The same scores twice change nothing; others under the same name need a reason."""
    bodies = [{"product": "A", "score": "0-2"}, {"product": "B", "score": 3}]
    assert bench.add_old_scores(table_name="old.csv", table=b"one", bodies=bodies)
    assert bench.add_old_scores(table_name="old.csv", table=b"one", bodies=bodies) is None
    with pytest.raises(ReasonNeeded):
        bench.add_old_scores(table_name="old.csv", table=b"two", bodies=bodies[:1])
    bench.add_old_scores(table_name="old.csv", table=b"two", bodies=bodies[:1], reason="B was another test")
    bench.add_old_scores(table_name="older.csv", table=b"three", bodies=bodies[1:])
    assert [score.body for score in bench.old_scores()] == bodies
    assert bench.check() == []
