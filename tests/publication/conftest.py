"""A small bench with everything in it that a publication must get right, made once."""

import csv
import shutil
import sys
import textwrap
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from fairpanel.jobs.old_scores import take_in_old_scores
from fairpanel.jobs.publishing import publish
from fairpanel.jobs.reading import read_bench
from fairpanel.jobs.take_in import take_in
from fairpanel.methods import all_methods
from fairpanel.rehearsal.campaigns import FULL
from fairpanel.rehearsal.suites import make_suite
from fairpanel.storage.bench import Bench

SCRIPT = "<script>alert(1)</script>"
SUNSCREEN = "Beach lotion Q"
SECOND = "my cellar.png"
PICTURE = "Garage of Jo IMG_0412.jpg"
NAMES = {"Product 01": SCRIPT, "Product 02": SUNSCREEN, "Product 03": "älter wax & Co", "Product 04": "Zinc coat"}


def _table(folder: Path) -> Path:
    """One scan of five half plates and their steps, the names changed; and two strips that hang out of a picture."""
    made = make_suite("scan_half", 3, per_picture=5)
    (folder / PICTURE).write_bytes(made.pictures[0].data)
    rows = [{**row, "picture": PICTURE, "product": NAMES.get(row["product"], row["product"])} for row in made.rows]
    for row in rows:
        if row["product"] == SUNSCREEN:
            row["kind"] = "Sun screen SPF 30"
    cv2.imwrite(str(folder / SECOND), np.full((200, 200, 3), 230, np.uint8))
    outside = {"picture": SECOND, "role": "product", "seconds": "130"}
    rows += [
        {**outside, "strip": "X1", "product": "Zinc coat", "box": "150 150 100 40"},
        {**outside, "strip": "X2", "product": SUNSCREEN, "box": "150 20 100 40"},
    ]
    with (folder / "table.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, FULL, extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)
    return folder / "table.csv"


@pytest.fixture(scope="session")
def names():
    """Names that a publication must show, escape, change or leave out."""
    return SimpleNamespace(script=SCRIPT, sunscreen=SUNSCREEN, pictures=(PICTURE, SECOND))


@pytest.fixture(scope="session")
def read_already(tmp_path_factory) -> Path:
    """A bench with a finished read and old scores; to be copied, not used."""
    folder = tmp_path_factory.mktemp("published")
    Bench.create(folder / "bench", zone="Europe/Berlin").close()
    take_in(folder / "bench", _table(folder))
    (folder / "old.csv").write_text(f"product,score,date\nOld wax O,0-2,2024-05\n{SUNSCREEN},4,2024-05\n")
    (folder / "ladder.csv").write_text("score,minutes\n0,4\n1,3\n2,2\n3,1\n4,0\n")
    take_in_old_scores(
        folder / "bench",
        folder / "old.csv",
        ladder_path=folder / "ladder.csv",
        exposed="4min",
        steps_under_glass="not known",
        half_scores="no",
        halfway="62",
    )
    read_bench(folder / "bench")
    return folder / "bench"


@pytest.fixture
def bench_folder(read_already, tmp_path) -> Path:
    """A copy of the bench that may be changed."""
    return Path(shutil.copytree(read_already, tmp_path / "bench"))


@pytest.fixture(scope="session")
def published(read_already, tmp_path_factory) -> Path:
    """A publication of it; to be looked at only."""
    copy = shutil.copytree(read_already, tmp_path_factory.mktemp("source") / "bench")
    out = tmp_path_factory.mktemp("out") / "page"
    publish(copy, out, title="Spring test")
    return out


STICKINESS = '''
"""A rating typed from 0 to 5: somebody else's method, in one file."""

from dataclasses import dataclass

from fairpanel.measured import Component, Measured
from fairpanel.methods.columns import column, number, text
from fairpanel.methods.contract import Flag, Method, Quantity, Reading, Words


@dataclass(frozen=True)
class Row:
    product: str = column(text, required=True, noun="product", short_form=True, help="the product", example="Wax")
    panel: str = column(text, required=True, noun="specimen", identity=True, short_form=True, help="the panel")
    grade: float = column(number, required=True, short_form=True, help="the grade, 0 to 5", example="3")


def readings(marks, entered):
    found = [
        Reading((e.id,), e.row.product, e.row.panel, "", "", "grip",
                Measured(e.row.grade, (Component("reader", 0.4),)), e.row.grade - 0.8, e.row.grade + 0.8)
        for e in entered
    ]
    return found, []


METHOD = Method(
    name="stickiness", title="Grip of a dry cloth, by hand", version=3,
    quantities=(Quantity("grip", "grades", "ordinal", "higher", 1, between=lambda value: 0.3, ends=(0.0, 5.0)),),
    Row=Row, readings=readings,
    words=lambda result: Words("grips", "on this scale", "no grip found", "by one hand"),
    flags=(Flag("no replicate", False, "Only one panel."),),
    procedure="# Grip\\\\n\\\\n## What the number means\\\\n\\\\nHow hard a *dry* cloth drags.",
)
'''


@pytest.fixture
def outside_method(tmp_path, monkeypatch):
    """A method from outside the package, installed beside it by its entry point."""
    home = tmp_path / "site"
    about = home / "somebody_else-1.0.dist-info"
    about.mkdir(parents=True)
    (home / "somebody_else.py").write_text(textwrap.dedent(STICKINESS).replace("\\\\n", "\\n"))
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: somebody-else\nVersion: 1.0\n")
    (about / "entry_points.txt").write_text("[fairpanel.methods]\nstickiness = somebody_else:METHOD\n")
    monkeypatch.syspath_prepend(str(home))
    all_methods.cache_clear()
    yield "stickiness"
    all_methods.cache_clear()
    sys.modules.pop("somebody_else", None)
