"""Commands driven as a user drives them: their words on the command line, the streams, the exit code."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from PIL import Image

from fairpanel.commands import main
from fairpanel.jobs.reading import read_bench
from fairpanel.jobs.take_in import take_in
from fairpanel.rehearsal.suites import make_suite
from fairpanel.storage.bench import Bench


@dataclass(frozen=True)
class Ended:
    """How a command ended: exit code, standard output, standard error."""

    code: int
    out: str
    err: str

    @property
    def data(self) -> Any:
        """Standard output as JSON; fails where anything else stands there too."""
        return json.loads(self.out)


@pytest.fixture
def fairpanel(capfd, monkeypatch) -> Callable[..., Ended]:
    """`fairpanel("read", bench)` as it is typed, with what it wrote on each stream and its exit code."""

    def run(*words: object) -> Ended:
        monkeypatch.setattr(sys, "argv", ["fairpanel", *(str(w) for w in words)])
        with pytest.raises(SystemExit) as ended:
            main()
        written = capfd.readouterr()
        return Ended(int(ended.value.code or 0), written.out, written.err)

    return run


# ---- a bench with pictures -------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def made(tmp_path_factory) -> SimpleNamespace:
    """Folder, table, strips and truth of a scan of the mat with three half plates and their steps."""
    campaign = make_suite("scan_half", 7, per_picture=3, dpi=100.0, table="full")
    folder = tmp_path_factory.mktemp("made")
    return SimpleNamespace(folder=folder, table=campaign.write(folder), truth=campaign.truth, rows=campaign.rows)


@pytest.fixture(scope="session")
def taken_already(made, tmp_path_factory) -> Path:
    """A bench with the made table taken in; to be copied, not used."""
    bench = tmp_path_factory.mktemp("taken") / "bench"
    Bench.create(bench, zone="UTC").close()
    take_in(bench, made.table)
    return bench


@pytest.fixture(scope="session")
def read_already(taken_already, tmp_path_factory) -> Path:
    """The same, read; to be copied or looked at, not changed."""
    bench = Path(shutil.copytree(taken_already, tmp_path_factory.mktemp("read") / "bench"))
    read_bench(bench)
    return bench


@pytest.fixture
def taken(taken_already, tmp_path) -> Path:
    """A bench with a table taken in, nothing read."""
    return Path(shutil.copytree(taken_already, tmp_path / "taken"))


@pytest.fixture
def read(read_already, tmp_path) -> Path:
    """A bench with a table taken in and read."""
    return Path(shutil.copytree(read_already, tmp_path / "read"))


# ---- an empty bench and tables -----------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def empty_already(tmp_path_factory) -> Path:
    """An empty bench, to be copied."""
    bench = tmp_path_factory.mktemp("empty") / "bench"
    Bench.create(bench, zone="UTC").close()
    return bench


@pytest.fixture
def bench(empty_already, tmp_path) -> Path:
    """An empty bench beside two pictures, a.png and b.png, that show nothing."""
    for name, tone in (("a.png", 200), ("b.png", 190)):
        Image.fromarray(np.full((80, 100, 3), tone, np.uint8)).save(tmp_path / name)
    return Path(shutil.copytree(empty_already, tmp_path / "bench"))


@pytest.fixture
def table(bench) -> Callable[..., Path]:
    """Writes a table beside the bench's pictures: text, or bytes as they are."""

    def write(content: str | bytes, name: str = "table.csv") -> Path:
        path = bench.parent / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


@pytest.fixture
def bodies(bench) -> Callable[[], list[dict[str, Any]]]:
    """The rows that stand on the bench, as they are kept, in the order of the table."""

    def current() -> list[dict[str, Any]]:
        with Bench.open(bench) as opened:
            return [dict(r.body) for r in sorted(opened.current_rows(), key=lambda r: r.line)]

    return current


@pytest.fixture
def untouched(bench) -> Callable[[], bool]:
    """Whether the bench still holds nothing at all, no file included."""

    def holds_nothing() -> bool:
        with Bench.open(bench) as opened:
            empty = not opened.current_rows() and not opened.pictures() and not opened.nouns("product")
        return empty and not any(p.is_file() for p in (bench / "originals").rglob("*"))

    return holds_nothing
