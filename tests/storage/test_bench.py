"""Making, opening and refusing a bench."""

import sqlite3
from pathlib import Path

import pytest

from fairpanel.storage import Bench
from fairpanel.storage.errors import (
    BenchDamaged,
    BenchError,
    BenchExists,
    CannotWrite,
    NewerBench,
    NoBench,
    NotWriting,
    OlderBench,
)


def _everything_in(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def _number_in_records(folder: Path, number: str) -> None:
    with sqlite3.connect(folder / "bench.sqlite") as records:
        records.execute("UPDATE alembic_version SET version_num = ?", (number,))
    records.close()


def test_a_new_bench_is_whole_and_knows_its_name_and_zone(folder):
    """What is made can be closed, opened by a looker, and passes its own check."""
    Bench.create(folder, name="Cellar", zone="+01:00").close()
    with Bench.open(folder) as bench:
        assert bench.about == {"name": "Cellar", "zone": "+01:00"}
        assert bench.check() == []


def test_a_closed_bench_is_one_file_of_records(folder):
    """Nothing beside the main file is needed once the bench is closed, so it can be copied."""
    with Bench.create(folder) as bench:
        bench.enter("product", "A")
    assert sorted(p.name for p in folder.glob("bench.sqlite*")) == ["bench.sqlite"]


def test_records_are_synced_fully_and_refer_to_what_is_there(bench):
    """Write-ahead log, full syncing, foreign keys (SQLite's own numbers: FULL is 2)."""
    with bench._saving() as connection:
        asked = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "recursive_triggers")
        }
    assert asked == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "recursive_triggers": 1}


@pytest.mark.parametrize("what", ["bench", "other files", "a file"])
def test_a_new_bench_wants_a_folder_of_its_own(folder, what):
    """Nothing that lies there is touched."""
    if what == "bench":
        Bench.create(folder).close()
    elif what == "other files":
        folder.mkdir()
        (folder / "letter.txt").write_text("dear")
    else:
        folder.write_text("dear")
    before = _everything_in(folder) if folder.is_dir() else folder.read_bytes()
    with pytest.raises(BenchExists):
        Bench.create(folder)
    assert (_everything_in(folder) if folder.is_dir() else folder.read_bytes()) == before


def test_what_a_kill_while_making_leaves_is_no_obstacle(folder):
    """A bench stands under its own name only when it is complete; the rest is made over."""
    (folder / "originals").mkdir(parents=True)
    (folder / "bench.sqlite.new").write_bytes(b"half")
    (folder / "bench.sqlite.new-wal").write_bytes(b"half")
    with pytest.raises(NoBench):
        Bench.open(folder)
    with Bench.create(folder) as bench:
        assert bench.check() == []


def test_a_place_where_no_folder_can_be(tmp_path):
    """Below a file, or with too long a name: said in plain words."""
    (tmp_path / "file").write_text("x")
    for place in (tmp_path / "file" / "bench", tmp_path / ("b" * 300)):
        with pytest.raises(CannotWrite, match="cannot be used"):
            Bench.create(place)


def test_an_unknown_time_zone_makes_no_bench(folder):
    """The message says what may be written."""
    with pytest.raises(ValueError, match="Europe/Berlin"):
        Bench.create(folder, zone="Europe/Nowhere")
    assert not folder.exists()


def test_no_bench_there(tmp_path):
    """An empty folder, and a SQLite file of somebody else's, are told from a bench."""
    with pytest.raises(NoBench, match="fairpanel new"):
        Bench.open(tmp_path)
    with sqlite3.connect(tmp_path / "bench.sqlite") as other:
        other.execute("CREATE TABLE recipe (name)")
    other.close()
    with pytest.raises(NoBench, match="not a bench's"):
        Bench.open(tmp_path, writing=True)


@pytest.mark.parametrize("content", [b"", b"picture,strip,role\n" * 20])
def test_records_that_are_none_are_called_damaged(folder, content):
    """A file emptied or written over by something else."""
    Bench.create(folder).close()
    (folder / "bench.sqlite").write_bytes(content)
    with pytest.raises(BenchDamaged, match="backup"):
        Bench.open(folder, writing=True)
    assert (folder / "bench.sqlite").read_bytes() == content


def test_records_damaged_in_the_middle_are_refused_or_found_by_check(folder):
    """Bytes lost in the middle of the file do not go unnoticed."""
    with Bench.create(folder) as bench:
        names = [("product", f"product {i} " + "x" * 200) for i in range(300)]
        bench.add_take_in(table_name="t.csv", rows=[], nouns=names)
    file = folder / "bench.sqlite"
    data = bytearray(file.read_bytes())
    data[40960:61440] = bytes(20480)
    file.write_bytes(data)
    try:
        with Bench.open(folder) as bench:
            assert any(p.kind == "records" for p in bench.check())
    except BenchDamaged:
        pass


@pytest.mark.parametrize("writing", [False, True])
@pytest.mark.parametrize("told_by", ["head of the file", "records"])
def test_a_newer_bench_is_refused_and_untouched(folder, writing, told_by):
    """By the number in the head of the file without opening it, and by the one in the records."""
    Bench.create(folder).close()
    if told_by == "records":
        _number_in_records(folder, "9999")
    else:
        with sqlite3.connect(folder / "bench.sqlite") as records:
            records.execute("PRAGMA user_version = 9999")
        records.close()
    before = _everything_in(folder)
    with pytest.raises(NewerBench, match=r"9999.*Update Fairpanel"):
        Bench.open(folder, writing=writing)
    after = _everything_in(folder)
    assert {k: v for k, v in after.items() if k.startswith("bench.sqlite")} == {
        k: v for k, v in before.items() if k.startswith("bench.sqlite")
    }


def test_a_bench_opened_for_looking_cannot_be_written(folder):
    """Neither by our own code nor by the database."""
    Bench.create(folder).close()
    with Bench.open(folder) as bench:
        with pytest.raises(NotWriting):
            bench.enter("product", "A")
        with pytest.raises(NotWriting):
            bench.keep_original(b"x", "x.jpg")
        with pytest.raises(BenchError), bench._looking() as connection:
            connection.exec_driver_sql("DELETE FROM entry")


def test_a_bench_on_a_write_protected_stick_can_be_looked_at(folder, monkeypatch):
    """SQLite cannot keep its log there; the bench is read as it is."""
    with Bench.create(folder) as bench:
        bench.enter("product", "A")
    monkeypatch.setattr("fairpanel.storage.engine._beside_may_be_written", lambda file: False)
    with Bench.open(folder) as bench:
        assert [e.name for e in bench.nouns("product")] == ["A"]
        assert sorted(p.name for p in folder.glob("bench.sqlite*")) == ["bench.sqlite"]


def test_an_older_bench_on_a_write_protected_stick_is_refused(folder, monkeypatch):
    """It cannot be brought up to date there."""
    Bench.create(folder).close()
    _number_in_records(folder, "0000")
    monkeypatch.setattr("fairpanel.storage.bench.os.access", lambda *about: False)
    with pytest.raises(OlderBench, match="Copy it"):
        Bench.open(folder)


def test_odd_characters_in_the_folder_name(tmp_path):
    """Question mark, hash, percent and umlauts mean something in addresses, and nothing here."""
    folder = tmp_path / "Bänk #1 50% ?"
    with Bench.create(folder) as bench:
        bench.enter("product", "Lack & Öl")
    with Bench.open(folder) as bench:
        assert [e.name for e in bench.nouns("product")] == ["Lack & Öl"]


def test_a_looker_sees_what_a_writer_saves(bench, folder):
    """Any number can look while one writes."""
    with Bench.open(folder) as looker:
        assert looker.nouns("product") == []
        bench.enter("product", "A")
        assert [e.name for e in looker.nouns("product")] == ["A"]
