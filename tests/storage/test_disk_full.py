"""A full disk: a plain error, and the bench as it was."""

import errno
import os
import subprocess
from pathlib import Path

import pytest

from fairpanel.storage import Bench, NewRow
from fairpanel.storage.errors import BenchError, CannotWrite, DiskFull


def _no_room(*about):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_no_room_for_a_picture(bench, folder, monkeypatch):
    """Nothing of it stays, and with room it goes in."""
    bench.keep_original(b"first", "a.jpg")
    monkeypatch.setattr("fairpanel.storage.originals.os.fsync", _no_room)
    with pytest.raises(DiskFull, match="Make room"):
        bench.keep_original(b"second", "b.jpg")
    monkeypatch.undo()
    assert [p.name for p in bench.pictures()] == ["a.jpg"]
    assert list((folder / "originals" / "incoming").iterdir()) == []
    assert bench.check() == []
    bench.keep_original(b"second", "b.jpg")
    assert bench.check() == []


def test_no_room_for_the_records(bench, folder):
    """SQLite itself is held to its present size: the whole take-in is undone, its picture included."""
    bench.enter("product", "A")
    with bench._engine.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")  # lasts as long as the connection
    staged = bench.stage(b"picture", name="p.jpg")
    rows = [NewRow("typed", 1, f"strip {i}", {"note": "x" * 500}, i) for i in range(200)]
    with pytest.raises(DiskFull):
        bench.add_take_in(table_name="t.csv", table=b"table", pictures=[staged], rows=rows)
    assert bench.current_rows() == bench.pictures() == []
    assert not any(p.is_file() for p in (folder / "originals").rglob("*"))
    with bench._engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA max_page_count = 1000000")
    bench.add_take_in(table_name="t.csv", rows=rows)
    assert len(bench.current_rows()) == 200
    assert bench.check() == []


def test_no_right_to_write(bench, monkeypatch):
    """Another plain error than a full disk."""

    def refuse(*about):
        raise PermissionError(errno.EACCES, "Permission denied", "somewhere")

    monkeypatch.setattr("fairpanel.storage.originals.os.fsync", refuse)
    with pytest.raises(CannotWrite, match="somewhere may not be written"):
        bench.keep_original(b"x", "x.jpg")


@pytest.fixture
def small_disk(tmp_path: Path):
    """A disk of 1.5 MB."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1536k", "fairpanel-test", str(place)]
    try:
        done = subprocess.run(mount, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.skip("this system has no mount command")
    if done.returncode:
        pytest.skip(f"a small disk cannot be made here: {done.stderr.strip()}")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_disk_that_fills_up_for_real(small_disk):
    """Pictures and rows until nothing fits: what was reported saved is there, and the bench is whole."""
    with Bench.create(small_disk / "bench") as bench:
        saved = []
        with pytest.raises(DiskFull):
            for i in range(1000):
                picture = bench.keep_original(os.urandom(20_000), f"{i}.jpg")
                bench.enter("product", f"product {i}", {"note": "x" * 3000})
                saved.append((picture.id, picture.sha256, f"product {i}"))
        assert len(saved) > 5
    with Bench.open(small_disk / "bench", writing=True) as bench:
        assert bench.check() == []
        on_bench = {p.id: p.sha256 for p in bench.pictures()}
        names = {e.name for e in bench.nouns("product")}
        for picture_id, sha256, name in saved:
            assert on_bench[picture_id] == sha256
            assert name in names
        bench.original_bytes(saved[-1][0])


def test_no_room_to_make_a_bench(small_disk):
    """Nothing that looks like a bench is left."""
    (small_disk / "ballast").write_bytes(os.urandom(1536 * 1024 - 120_000))
    with pytest.raises(BenchError) as told:
        Bench.create(small_disk / "bench")
    assert isinstance(told.value, DiskFull)
    assert not (small_disk / "bench" / "bench.sqlite").exists()
