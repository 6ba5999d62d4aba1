"""Backups, made while the bench is in use, and benches made from them."""

import pytest

from fairpanel.storage import Bench, backup, restore
from fairpanel.storage.errors import BenchExists, NoBench


def _filled(bench):
    """A bench with an original, a table, an entry and a publication."""
    picture = bench.keep_original(b"picture", "p.jpg")
    bench.add_old_scores(table_name="old.csv", table=b"old", bodies=[{"score": 1}])
    bench.enter("product", "A")
    read_id = bench.begin_read(code_version="0.1.0", seed=1, methods={}, settings={})
    bench.end_read(read_id)
    bench.keep_publication(read_id, [("index.html", b"<p>"), ("a/b.png", b"png")])
    return picture


def _contents(folder):
    with Bench.open(folder) as bench:
        return bench.pictures(), bench.nouns(), bench.old_scores(), bench.reads(), bench.publications()


def test_there_and_back(bench, folder, tmp_path):
    """While a writer has the bench open; the restored bench holds the same and can be worked on."""
    picture = _filled(bench)
    assert backup(folder, tmp_path / "stick") == []
    bench.enter("product", "later")
    assert restore(tmp_path / "stick", tmp_path / "again") == []
    assert _contents(tmp_path / "again") == _contents(tmp_path / "stick")
    with Bench.open(tmp_path / "again", writing=True) as again:
        assert again.original_bytes(picture.id) == b"picture"
        assert (again.folder / again.publications()[0].folder / "a" / "b.png").read_bytes() == b"png"
        assert [e.name for e in again.nouns("product")] == ["A"]
        again.enter("product", "B")


def test_what_is_wrong_with_the_bench_is_told(bench, folder, tmp_path):
    """All that can be copied is; the missing picture is named."""
    picture = _filled(bench)
    bench.original_path(picture.id).unlink()
    assert [p.kind for p in backup(folder, tmp_path / "stick")] == ["missing original"]
    assert _contents(tmp_path / "stick") == _contents(folder)


def test_nothing_is_written_over(bench, folder, tmp_path):
    """Neither a bench nor other files."""
    with pytest.raises(BenchExists):
        backup(folder, folder)
    (tmp_path / "x").mkdir()
    (tmp_path / "x" / "letter.txt").write_text("dear")
    with pytest.raises(BenchExists):
        restore(folder, tmp_path / "x")
    with pytest.raises(NoBench):
        restore(tmp_path / "x", tmp_path / "y")


def test_a_backup_that_was_stopped_is_no_bench(bench, folder, tmp_path, monkeypatch):
    """And can be begun again in the same place."""
    _filled(bench)

    def stop(*about):
        raise KeyboardInterrupt

    monkeypatch.setattr("fairpanel.storage.backups._copy_publications", stop)
    with pytest.raises(KeyboardInterrupt):
        backup(folder, tmp_path / "stick")
    monkeypatch.undo()
    with pytest.raises(NoBench):
        Bench.open(tmp_path / "stick")
    assert backup(folder, tmp_path / "stick") == []
