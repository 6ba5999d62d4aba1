"""`fairpanel old-scores`: plain text, JSON alone, exit codes."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from fairpanel.commands.old_scores import command
from fairpanel.files.tables import TableFaults
from fairpanel.storage.bench import Bench

LADDER = "score,minutes\n0,4\n2,3\n4,2\n8,1\n16,0\n"
OLD = "product,score,date\nPaste wax [A],0,2023\nSealant D,3,2023-05\nCoating J,0-2,\nClear coat,8,2022\n"


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    Bench.create(tmp_path / "bench").close()
    (tmp_path / "ladder.csv").write_text(LADDER, encoding="utf-8")
    (tmp_path / "old.csv").write_text(OLD, encoding="utf-8")
    return tmp_path / "bench"


def run(bench, *more, table=True):
    beside = bench.parent
    named = [str(beside / "old.csv"), "--ladder", str(beside / "ladder.csv"), "--exposed", "4min"] if table else []
    return CliRunner().invoke(command, [str(bench), *named, *more], catch_exceptions=False, standalone_mode=False)


def test_text_says_luck_scores_order_and_what_to_test_again(bench):
    """Every part is there, names in square brackets come out as typed."""
    shown = run(bench, "--steps-under-glass", "yes").output
    for part in ("Luck alone, steps under glass: of 4 strips", "Above luck: 1 of 4", "Within luck: 3 of 4",
                 "Paste wax [A]", "Order that is noise", "8 over 3", "Test again first", "Estimates"):  # fmt: skip
        assert part in shown
    assert shown.index("Clear coat") < shown.index("Sealant D")


def test_json_stands_alone_on_standard_output(bench):
    """Also where there is something to remark: that goes to standard error."""
    run(bench)
    again = run(bench, "--json")
    assert len(json.loads(again.stdout)["tables"][0]["scores"]) == 4
    assert "Nothing new" in again.stderr


def test_what_is_on_the_bench_is_shown_without_a_table(bench):
    """Nothing there: said so, exit code 3. Then the same as when it was taken in."""
    empty = run(bench, table=False)
    assert empty.return_value == 3 and "No old scores" in empty.output
    taken = run(bench, "--json")
    assert taken.return_value == 0
    assert json.loads(run(bench, "--json", table=False).stdout) == json.loads(taken.stdout)


def test_wrong_tables_are_told_in_full(bench):
    """The command raises what `main` turns into exit code 2."""
    (bench.parent / "ladder.csv").write_text("score,minutes\n0,4\n2,later\n", encoding="utf-8")
    with pytest.raises(TableFaults, match="“later” is not a time"):
        run(bench)
