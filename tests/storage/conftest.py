from pathlib import Path

import pytest

from fairpanel.storage import Bench


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Where a bench is to be."""
    return tmp_path / "bench"


@pytest.fixture
def bench(folder: Path):
    """A new bench, open for writing."""
    with Bench.create(folder, zone="Europe/Berlin") as made:
        yield made
