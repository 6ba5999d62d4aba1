import shutil
from pathlib import Path

import pytest

from fairpanel.storage import Bench


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Where a bench is to be."""
    return tmp_path / "bench"


@pytest.fixture(scope="session")
def empty_bench(tmp_path_factory) -> Path:
    """A new bench, closed; to be copied, not used."""
    made = tmp_path_factory.mktemp("made") / "bench"
    Bench.create(made, zone="Europe/Berlin").close()
    return made


@pytest.fixture
def bench(folder: Path, empty_bench: Path):
    """A new bench, open for writing."""
    shutil.copytree(empty_bench, folder)
    with Bench.open(folder, writing=True) as opened:
        yield opened
