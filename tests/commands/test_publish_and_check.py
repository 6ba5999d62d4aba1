"""`fairpanel publish` and `check`: what lies in the folder, what is whole, exit codes."""

from __future__ import annotations

import json
import sqlite3


def test_a_page_with_its_data_is_written(fairpanel, read, tmp_path):
    """The page, the pictures, the tables; the data are what `results --json` gives."""
    done = fairpanel("publish", read, tmp_path / "page", "--title", "Spring test")
    assert (done.code, done.err) == (0, "") and "3 products" in done.out and "index.html" in done.out
    page = (tmp_path / "page" / "index.html").read_text(encoding="utf-8")
    assert "Spring test" in page
    assert {"results.csv", "results.json"} <= {p.name for p in (tmp_path / "page").iterdir()}
    shown = {(r["product"], r["value"], r["finding"]) for r in fairpanel("results", read, "--json").data["results"]}
    written = json.loads((tmp_path / "page" / "results.json").read_text(encoding="utf-8"))["results"]
    assert {(r["product"], r["value"], r["finding"]) for r in written} == shown
    again = fairpanel("publish", read, tmp_path / "page")
    assert again.code == 0  # an earlier publication is replaced


def test_a_folder_that_holds_other_things_is_left_alone(fairpanel, read, tmp_path):
    """Exit code 2, nothing written."""
    other = tmp_path / "holiday"
    other.mkdir()
    (other / "beach.txt").write_text("sand")
    done = fairpanel("publish", read, other)
    assert done.code == 2 and "holiday" in done.err
    assert [p.name for p in other.iterdir()] == ["beach.txt"]


def test_publishing_before_reading(fairpanel, taken, tmp_path):
    """Exit code 2, and what to do first."""
    done = fairpanel("publish", taken, tmp_path / "page")
    assert done.code == 2 and "fairpanel read" in done.err and not (tmp_path / "page").exists()


def test_a_whole_bench(fairpanel, read):
    """Counts what it holds; exit code 0."""
    done = fairpanel("check", read)
    assert (done.code, done.err) == (0, "") and "is whole" in done.out and "1 picture, 1 read" in done.out


def test_a_picture_that_changed_on_disk(fairpanel, read, made):
    """One byte of an original: named, exit code 2."""
    original = next((read / "originals").rglob("*.jpg"))
    original.chmod(0o644)
    data = bytearray(original.read_bytes())
    data[len(data) // 2] ^= 1
    original.write_bytes(bytes(data))
    done = fairpanel("check", read)
    assert done.code == 2 and "1 problem" in done.out and made.rows[0]["picture"] in done.out


def test_records_of_a_newer_version_are_refused(fairpanel, read, made):
    """By every command, unharmed: only a newer program may touch them."""
    base = sqlite3.connect(read / "bench.sqlite")
    base.execute("UPDATE alembic_version SET version_num = 'r9999'")
    base.commit()
    base.close()
    before = (read / "bench.sqlite").read_bytes()
    for words in (["read", read], ["results", read], ["take-in", read, made.table], ["publish", read, read / "page"]):
        done = fairpanel(*words)
        assert (done.code, done.out) == (2, "") and "newer" in done.err
    assert (read / "bench.sqlite").read_bytes() == before
