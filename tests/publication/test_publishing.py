"""Writing the folder: whole or not at all, and never over what is not ours."""

import hashlib
import json

import pytest
from click.testing import CliRunner

from fairpanel.commands import group
from fairpanel.jobs import publishing
from fairpanel.jobs.publishing import CannotPublish, publish
from fairpanel.jobs.showing import NothingRead
from fairpanel.storage.bench import Bench


def _hashes(folder):
    files = [f for f in folder.rglob("*") if f.is_file()]
    return {f.relative_to(folder).as_posix(): hashlib.sha256(f.read_bytes()).hexdigest() for f in files}


def test_a_publication_is_recorded_and_may_be_replaced(bench_folder, tmp_path):
    """With the hash of every file; the same read gives the same bytes again."""
    out = tmp_path / "web" / "page"
    done = publish(bench_folder, out)
    before = _hashes(out)
    publish(bench_folder, out)
    assert _hashes(out) == before
    with Bench.open(bench_folder) as bench:
        records = bench.publications()
        assert len(records) == 2 and records[0].files == before
        assert bench.check() == []
    assert (done.products, done.readings, done.files, done.left_out) == (4, 4, len(before), ("Beach lotion Q",))
    assert [p.name for p in out.parent.iterdir()] == ["page"]


@pytest.mark.parametrize("other", ["holiday.jpg", "datapackage.json", "pictures/holiday.jpg"])
def test_a_folder_with_other_things_is_left_alone(bench_folder, tmp_path, other):
    """Whatever lies there, be it named like ours."""
    out = tmp_path / "page"
    (out / other).parent.mkdir(parents=True)
    (out / other).write_text("{}")
    with pytest.raises(CannotPublish, match="holds"):
        publish(bench_folder, out)
    assert _hashes(out) == {other: hashlib.sha256(b"{}").hexdigest()}


def test_an_earlier_publication_changed_by_hand_is_left_alone(bench_folder, published, tmp_path):
    """The message names the file."""
    import shutil

    out = shutil.copytree(published, tmp_path / "page")
    (out / "index.html").write_text("mine")
    with pytest.raises(CannotPublish, match=r"index\.html .* was changed"):
        publish(bench_folder, out)
    (out / "index.html").write_bytes((published / "index.html").read_bytes())
    (out / "notes.txt").write_text("mine")
    with pytest.raises(CannotPublish, match=r"holds notes\.txt"):
        publish(bench_folder, out)


def test_stopped_half_way_the_earlier_publication_stands(bench_folder, tmp_path, monkeypatch):
    """And nothing half-written is left beside it, nor any record of it."""
    out = tmp_path / "page"
    publish(bench_folder, out)
    before = _hashes(out)

    def stopped(content, pictures):
        yield "index.html", b"half"
        raise KeyboardInterrupt

    monkeypatch.setattr(publishing, "files", stopped)
    with pytest.raises(KeyboardInterrupt):
        publish(bench_folder, out)
    assert _hashes(out) == before and {p.name for p in tmp_path.iterdir()} == {"bench", "page"}
    with Bench.open(bench_folder) as bench:
        assert len(bench.publications()) == 1


def test_nothing_read_is_nothing_to_publish(tmp_path):
    """And no folder is made."""
    Bench.create(tmp_path / "bench", zone="UTC").close()
    with pytest.raises(NothingRead, match="fairpanel read"):
        publish(tmp_path / "bench", tmp_path / "page")
    assert not (tmp_path / "page").exists()


def test_the_command_says_where_and_what_was_left_out(bench_folder, tmp_path):
    """Where to look, and which products are method controls."""
    told = CliRunner().invoke(group, ["publish", str(bench_folder), str(tmp_path / "page"), "--title", "T"])
    assert told.exit_code == 0, told.output
    assert f"Open {tmp_path / 'page' / 'index.html'}" in told.output
    assert "Left out, being method controls: Beach lotion Q" in told.output
    package = json.loads((tmp_path / "page" / "datapackage.json").read_text())
    assert package["title"] == "T" and "skin or sunscreen" in package["description"]
