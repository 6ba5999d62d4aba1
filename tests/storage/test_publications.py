"""Publications on the bench."""

import hashlib

import pytest

from fairpanel.storage.errors import BenchError, ReadNotFinished

_FILES = [("index.html", b"<p>"), ("pictures/1.png", b"png")]
_HASHES = {place: hashlib.sha256(data).hexdigest() for place, data in _FILES}


@pytest.fixture
def read_id(bench):
    read_id = bench.begin_read(code_version="0.1.0", seed=1, methods={}, settings={})
    bench.end_read(read_id)
    return read_id


def test_a_publication_is_kept_with_the_hashes_of_its_files(bench, read_id, folder):
    """And `check` sees when one is changed or gone."""
    kept = bench.keep_publication(read_id, iter(_FILES))
    assert (kept.read_id, kept.files) == (read_id, _HASHES)
    place = folder / kept.folder
    assert (place / "pictures" / "1.png").read_bytes() == b"png"
    assert bench.check() == []
    (place / "index.html").write_bytes(b"<p>better")
    (place / "pictures" / "1.png").unlink()
    assert [p.kind for p in bench.check()] == ["publication", "publication"]


def test_a_publication_elsewhere_is_recorded_only(bench, read_id):
    """Where the tester put it is theirs to move and remove."""
    bench.save_publication(read_id, folder="D:/web/test", files=_HASHES)
    (one,) = bench.publications()
    assert (one.folder, one.files) == ("D:/web/test", _HASHES)
    assert bench.check() == []


@pytest.mark.parametrize("place", ["../x", "/etc/x", "a/../../x", "", "C:x", "a\\x"])
def test_no_file_leaves_the_publications_folder(bench, read_id, folder, place):
    """And nothing of such a publication is kept."""
    with pytest.raises(BenchError, match="below its folder"):
        bench.keep_publication(read_id, [*_FILES, (place, b"")])
    assert list((folder / "publications").iterdir()) == []
    assert bench.publications() == []


def test_an_unfinished_read_is_not_published(bench, folder):
    """The files written for it are taken away again."""
    read_id = bench.begin_read(code_version="0.1.0", seed=1, methods={}, settings={})
    with pytest.raises(ReadNotFinished):
        bench.keep_publication(read_id, _FILES)
    assert list((folder / "publications").iterdir()) == []
