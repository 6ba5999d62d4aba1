"""Small made scans, to be spoilt, and the way from a file's bytes through the real jobs to what is told of it."""

from __future__ import annotations

import io
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from fairpanel.jobs.reading import read_bench
from fairpanel.jobs.showing import as_json, load_last_read
from fairpanel.jobs.take_in import take_in
from fairpanel.rehearsal.campaigns import FULL, TableForm, table_bytes
from fairpanel.rehearsal.suites import make_suite
from fairpanel.storage.bench import Bench


@dataclass(frozen=True)
class Scan:
    """A made scan that is read without a doubt, and what is known of it.

    Parameters
    ----------
    pixels : (height, width, 3) uint8 array
        Upright.
    profile : bytes or None
        What its codes mean.
    rows : list of dict
        Its table.
    outlines : mapping of (strip, patch) to (4, 2) array
        [px]
    steps : str
        Name of the step strip.
    film : list of str
        Names of the strips with a product.
    """

    pixels: np.ndarray
    profile: bytes | None
    rows: list[dict[str, str]]
    outlines: dict[tuple[str, int], np.ndarray]
    steps: str
    film: list[str]

    def place(self, strip: str, patch: int = 0) -> tuple[int, int]:
        """Middle of a patch: x, y. [px]"""
        x, y = np.asarray(self.outlines[strip, patch]).mean(axis=0)
        return round(float(x)), round(float(y))

    @property
    def strip_px(self) -> float:
        """Width of a strip. [px]"""
        corners = np.asarray(self.outlines[self.film[0], 0])
        return float(min(np.hypot(*(corners[0] - corners[1])), np.hypot(*(corners[1] - corners[2]))))


def _scan(suite: str, seed: int) -> Scan:
    made = make_suite(suite, seed, per_picture=2, dpi=100.0)
    one = made.pictures[0]
    image = Image.open(io.BytesIO(one.data))
    names = list(dict.fromkeys(r["strip"] for r in made.rows))
    steps = next(r["strip"] for r in made.rows if r["role"] == "step")
    film = [n for n in names if n != steps]
    pixels = np.array(image.convert("RGB"))
    return Scan(pixels, image.info.get("icc_profile"), made.rows, one.outlines, steps, film)


@pytest.fixture(scope="session")
def on_bed() -> Scan:
    """Strips on the scanner's bed, outlines given in pixels; two products."""
    return _scan("scan_bed", 7)


@pytest.fixture(scope="session")
def on_mat() -> Scan:
    """Half plates in cells of the mat; two products."""
    return _scan("scan_half", 7)


@pytest.fixture(scope="session")
def empty_already(tmp_path_factory) -> Path:
    """An empty bench, to be copied."""
    bench = tmp_path_factory.mktemp("empty") / "bench"
    Bench.create(bench, zone="UTC").close()
    return bench


@pytest.fixture
def bench(empty_already, tmp_path) -> Path:
    """An empty bench of its own."""
    return Path(shutil.copytree(empty_already, tmp_path / "bench"))


@pytest.fixture
def read_picture(bench) -> Callable[..., dict[str, Any]]:
    """`read_picture(data, "name.png", rows)`: taken in and read by the real jobs; gives what `results --json` gives."""

    def read(data: bytes, name: str, rows: Sequence[dict[str, str]]) -> dict[str, Any]:
        folder = bench.parent
        (folder / name).write_bytes(data)
        table = folder / "table.csv"
        table.write_bytes(table_bytes([{**r, "picture": name} for r in rows], TableForm(FULL)))
        take_in(bench, table)
        read_bench(bench)
        return as_json(load_last_read(bench))

    return read
