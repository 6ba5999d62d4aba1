"""Originals: kept as received, once, and missed when they are gone."""

import hashlib
import os

import pytest

from fairpanel.storage import Bench
from fairpanel.storage.errors import NotOnBench, OriginalDamaged, OriginalMissing

_DATA = b"not a real picture, but bytes are bytes" * 50


def _kept_files(folder):
    originals = folder / "originals"
    return sorted(p.relative_to(originals).as_posix() for p in originals.rglob("*") if p.is_file())


def test_a_picture_lies_under_its_hash_as_received(bench, folder):
    """The name on disk is the SHA-256 with the suffix of the first name."""
    picture = bench.keep_original(_DATA, "Strip 7.JPG", media_type="image/jpeg", facts={"bits": 8})
    sha256 = hashlib.sha256(_DATA).hexdigest()
    assert picture.sha256 == sha256
    assert picture.facts == {"bits": 8}
    assert _kept_files(folder) == [f"{sha256[:2]}/{sha256}.jpg"]
    assert bench.original_bytes(picture.id) == _DATA
    assert bench.original_path(picture.id).read_bytes() == _DATA
    assert bench.check() == []


def test_the_same_picture_twice_is_kept_once(bench, folder):
    """Under whatever names, in this opening or the next."""
    first = bench.keep_original(_DATA, "a.jpg")
    assert bench.keep_original(_DATA, "copy of a.jpeg") == first
    before = os.stat(bench.original_path(first.id)).st_mtime_ns
    bench.close()
    with Bench.open(folder, writing=True) as again:
        assert again.keep_original(_DATA, "c.png").id == first.id
        assert os.stat(again.original_path(first.id)).st_mtime_ns == before
        assert len(again.pictures()) == 1
    assert len(_kept_files(folder)) == 1


def test_names_lead_nowhere(bench, folder):
    """Whatever a name holds, the file lies where its hash says."""
    for i, name in enumerate(["../../etc/x.sh", "x.j/../p", "nul\0.png", "a." + "b" * 300, "ä ö 1,5%?.TIFF", ""]):
        picture = bench.keep_original(b"%d" % i, name)
        assert picture.name == name
        assert bench.original_path(picture.id).is_relative_to(folder / "originals")
    assert bench.check() == []


def test_a_damaged_original_is_not_read(bench, folder):
    """One changed bit is enough; `check` names the file."""
    picture = bench.keep_original(_DATA, "a.jpg")
    file = bench.original_path(picture.id)
    file.write_bytes(_DATA[:-1] + b"?")
    with pytest.raises(OriginalDamaged, match="backup"):
        bench.original_bytes(picture.id)
    (problem,) = bench.check()
    assert (problem.kind, problem.where) == ("damaged original", f"originals/{picture.file}")


def test_a_missing_original_is_missed(bench):
    """By reading and by `check`."""
    picture = bench.keep_original(_DATA, "a.jpg")
    bench.original_path(picture.id).unlink()
    with pytest.raises(OriginalMissing, match="take in the same picture again"):
        bench.original_bytes(picture.id)
    with pytest.raises(OriginalMissing):
        bench.original_path(picture.id)
    assert [p.kind for p in bench.check()] == ["missing original"]


@pytest.mark.parametrize("harm", ["missing", "damaged"])
def test_taking_in_the_same_picture_again_mends_it(bench, folder, harm):
    """What the error tells the tester to do works; damaged bytes are set aside, not thrown away."""
    picture = bench.keep_original(_DATA, "a.jpg")
    file = bench.original_path(picture.id)
    if harm == "missing":
        file.unlink()
    else:
        file.write_bytes(b"rot")
    assert bench.keep_original(_DATA, "a.jpg").id == picture.id
    assert bench.original_bytes(picture.id) == _DATA
    assert bench.check() == []
    aside = [p.read_bytes() for p in (folder / "originals" / "set-aside").glob("*")]
    assert aside == ([b"rot"] if harm == "damaged" else [])


def test_a_file_that_no_record_names_is_reported(bench, folder):
    """For instance after putting an older copy of the records in place."""
    (folder / "originals" / "ab").mkdir()
    (folder / "originals" / "ab" / "abc.jpg").write_bytes(b"x")
    (problem,) = bench.check()
    assert (problem.kind, problem.where) == ("unknown file", "originals/ab/abc.jpg")


def test_a_picture_not_on_the_bench(bench):
    """Said by its id."""
    with pytest.raises(NotOnBench, match="0123456789abcdef"):
        bench.original_bytes("0123456789abcdef")


def test_a_disk_that_lies_is_found_out(bench, monkeypatch):
    """What does not read back as written is not kept."""
    monkeypatch.setattr("fairpanel.storage.originals.hash_of", lambda file: "0" * 64)
    with pytest.raises(OriginalDamaged, match="Check the disk"):
        bench.keep_original(_DATA, "a.jpg")
    monkeypatch.undo()
    assert bench.pictures() == []
    assert bench.check() == []


def test_staged_files_are_finished_or_thrown_away_at_the_next_opening(folder):
    """Stopped between the record and the move, a picture is there; stopped before the record, it is not."""
    with Bench.create(folder) as bench:
        bench.stage(b"never named by a record", name="lost.jpg")
        kept = bench.keep_original(_DATA, "a.jpg")
        placed = bench.original_path(kept.id)
        waiting = folder / "originals" / "incoming" / placed.name
        placed.rename(waiting)
        (folder / "originals" / "incoming" / "0123.part").write_bytes(b"half a pict")
    with Bench.open(folder) as looker:
        assert looker.original_bytes(kept.id) == _DATA
        assert looker.check() == []
    with Bench.open(folder, writing=True) as bench:
        assert bench.original_path(kept.id) == placed
        assert list((folder / "originals" / "incoming").iterdir()) == []
        assert bench.check() == []
