"""Old scores on a bench: taken in whole or not at all, kept as typed, judged table by table."""

from __future__ import annotations

import json

import pytest

from fairpanel.jobs.old_scores import OldScoreFaults, as_json, listed, load_old_tables, take_in_old_scores
from fairpanel.storage.bench import Bench

LADDER = "score,minutes matched\n0,4 min\n2,3 min\n4,2\n8,1\n16,0\n"
OLD = "product;score;date;note\nPaste wax A;0;2023;\nSealant D;0-2;2023-05;two coats\nClear coat;8;2022-04-01;\n"


@pytest.fixture
def bench(tmp_path):
    Bench.create(tmp_path / "bench").close()
    (tmp_path / "ladder.csv").write_text(LADDER, encoding="utf-8-sig")
    (tmp_path / "old.csv").write_text(OLD, encoding="utf-8")
    return tmp_path / "bench"


def taken(bench, **changes):
    beside = bench.parent
    return take_in_old_scores(
        bench, beside / "old.csv", **{"ladder_path": beside / "ladder.csv", "exposed": "4min", **changes}
    )


def test_scores_come_back_as_typed_in_their_order(bench):
    """Product, score, date and note as typed, each marked old."""
    assert taken(bench)
    (table,) = load_old_tables(bench)
    rows = listed(table)
    assert [(r["product"], r["score"], r["date"], r["note"]) for r in rows] == [
        ("Paste wax A", "0", "2023", ""),
        ("Sealant D", "0-2", "2023-05", "two coats"),
        ("Clear coat", "8", "2022-04-01", ""),
    ]
    assert all(r["old"] is True for r in rows)
    assert [r["verdict"] for r in rows] == ["within luck", "within luck", "above luck"]


def test_glass_not_known_gives_both_readings(bench):
    """Nothing said of the glass over the steps: a range for each way."""
    taken(bench)
    rows = listed(load_old_tables(bench)[0])
    assert [b["steps"] for b in rows[0]["blocked"]] == ["under glass", "without glass"]
    taken(bench, steps_under_glass="yes", amend="looked it up")
    rows = listed(load_old_tables(bench)[0])
    assert [b["steps"] for b in rows[0]["blocked"]] == ["under glass"]


def test_the_same_table_twice_changes_nothing(bench):
    """Taken in once; the second time nothing is new."""
    assert taken(bench)
    before = (bench / "bench.sqlite").read_bytes()
    assert not taken(bench)
    assert (bench / "bench.sqlite").read_bytes() == before


def test_another_table_of_that_name_needs_a_reason(bench):
    """Other scores, or another ladder, replace the table only with a reason; the old one stays on record."""
    taken(bench)
    (bench.parent / "old.csv").write_text(OLD.replace(";8;", ";16;"), encoding="utf-8")
    with pytest.raises(OldScoreFaults, match="--amend REASON"):
        taken(bench)
    assert listed(load_old_tables(bench)[0])[2]["score"] == "8"
    assert taken(bench, amend="read the wrong line")
    (table,) = load_old_tables(bench)
    assert listed(table)[2]["score"] == "16"


def test_tables_are_judged_apart(bench):
    """Each by its own ladder: another table on the bench changes nothing of the first."""
    taken(bench)
    alone = as_json(load_old_tables(bench))["tables"][0]
    beside = bench.parent
    (beside / "more.csv").write_text("product,score\nWax,1\nWax two,3\n", encoding="utf-8")
    (beside / "other.csv").write_text("score,seconds\n0,60\n1,45\n2,30\n3,0\n", encoding="utf-8")
    take_in_old_scores(
        bench, beside / "more.csv", ladder_path=beside / "other.csv", exposed="60", steps_under_glass="yes"
    )
    first, second = load_old_tables(bench)
    assert (first.name, second.name) == ("old.csv", "more.csv")
    assert as_json([first])["tables"][0] == alone


def test_every_fault_of_scores_ladder_and_options_at_once(bench):
    """A wrong heading, an empty product, no score, a doubled rung, an empty time, two options; nothing is taken in."""
    beside = bench.parent
    (beside / "old.csv").write_text("product,skore,score\nA,,5\n,,2\nB,,x\n", encoding="utf-8")
    (beside / "ladder.csv").write_text("score,minutes\n0,4\n0,3\n4,\n", encoding="utf-8")
    with pytest.raises(OldScoreFaults) as told:
        taken(bench, exposed="", steps_under_glass="maybe")
    message = str(told.value)
    for part in ("column skore", "row 3, column product", "row 4, column score", "ladder ladder.csv",
                 "0 stands in row 2 too", "row 4, column minutes", "--exposed is missing",
                 "--steps-under-glass “maybe”"):  # fmt: skip
        assert part in message
    assert load_old_tables(bench) == []


@pytest.mark.parametrize("broken", ["missing", "folder", "empty", "not text"])
def test_tables_that_cannot_be_read(bench, broken):
    """Missing, a folder, empty, not text: said with the name, nothing taken in."""
    path = bench.parent / "ladder.csv"
    path.unlink()
    if broken == "folder":
        path.mkdir()
    elif broken != "missing":
        path.write_bytes(b"" if broken == "empty" else b"\xff\xfe\x00\x01")
    with pytest.raises(OldScoreFaults, match=r"ladder\.csv"):
        taken(bench)
    assert load_old_tables(bench) == []


def test_everything_as_plain_data(bench):
    """JSON holds ladder, assumptions, luck, scores, orders, what to test again, and the way back to scores."""
    taken(bench)
    data = json.loads(json.dumps(as_json(load_old_tables(bench)), allow_nan=False))
    (table,) = data["tables"]
    assert table["ladder"]["seconds"] == [240, 180, 120, 60, 0] and table["ladder"]["exposed_s"] == 240
    assert {one["steps"]: one["strips"] for one in table["luck"]} == {"under glass": 3, "without glass": 3}
    assert {a["product"] for a in table["again"]} == {"Paste wax A", "Sealant D", "Clear coat"}
    assert {o["verdict"] for o in table["orders"]} <= {"stands", "stands for a pair named beforehand", "noise"}
    for one in table["scored_as"]:
        assert all(abs(sum(p["chances"]) - 1) < 1e-9 for p in one["products"])
