"""Killed at any moment: nothing that was reported saved is lost, nothing half-written is seen."""

import os
import random
import shutil
import signal
import subprocess
import sys
import time

import pytest

from fairpanel.storage import Bench

# One process loads the program once and starts a writer for each line it gets. A writer reports each thing
# only once the bench has said that it is saved.
_NURSERY = """
import os, sys
from fairpanel.methods.contract import Mark
from fairpanel.storage import Bench, NewRow

def write(folder, run):
    with Bench.open(folder, writing=True) as bench:
        print("open", os.getpid(), flush=True)
        read_id = bench.begin_read(code_version="0.1.0", seed=1, methods={}, settings={})
        for i in range(100000):
            data = os.urandom(30000)
            staged = bench.stage(data, name=f"{run}-{i}.jpg")
            rows = [
                NewRow("typed", 1, f"{run} {i} {k}", {"k": k}, k, staged.name, staged.sha256) for k in
                range(5)
            ]
            taken = bench.add_take_in(
                table_name=f"{run}-{i}.csv", table=data[:2000], pictures=[staged], rows=rows,
                nouns=[("product", f"{run} {i}")],
            )
            print("take-in", staged.sha256, *taken.row_ids, flush=True)
            marks = [Mark(row_id, {"tone": 0.5}) for row_id in taken.row_ids]
            bench.save_marks(
                read_id, method="typed", method_version=1, cache_key=staged.sha256, picture_id=None,
                marks=marks
            )
            print("marks", staged.sha256, flush=True)

for run in sys.stdin:
    child = os.fork()
    if child == 0:
        write(sys.argv[1], run.strip())
    os.waitpid(child, 0)
    print("ended", flush=True)
"""


def _write_until_killed(nursery, run, moments):
    """Start a writer and kill it within a step; gives what it reported.

    The kill comes a random part of a step's own time after a random report, so that it falls anywhere within
    a step on a fast machine and on a slow one.
    """
    nursery.stdin.write(f"{run}\n")
    nursery.stdin.flush()
    opened, writer = nursery.stdout.readline().split()
    assert opened == "open"
    reported = []
    step_s = 0.02
    for _ in range(moments.randint(0, 6)):
        began = time.monotonic()
        reported.append(nursery.stdout.readline().split())
        step_s = time.monotonic() - began
    time.sleep(step_s * moments.uniform(0.0, 1.5))
    os.kill(int(writer), signal.SIGKILL)
    reported += [line.split() for line in iter(nursery.stdout.readline, "ended\n")]
    return reported


def _must_hold(bench, reported):
    rows = {row.id: row for row in bench.current_rows()}
    for what, sha256, *row_ids in reported:
        if what == "take-in":
            for row_id in row_ids:
                picture = bench.picture(rows[row_id].picture_id)
                assert picture.sha256 == sha256
            bench.original_bytes(picture.id)
        else:
            assert len(bench.marks_by_key([sha256])[sha256].marks) == 5


def _must_hold_no_half(bench):
    per_picture = {}
    for row in bench.current_rows():
        per_picture.setdefault(row.picture_name, []).append(row.body["k"])
    assert all(ks == [0, 1, 2, 3, 4] for ks in per_picture.values())
    assert len(bench.pictures()) == len(bench.nouns("product")) == len(per_picture)
    keys = [p.sha256 for p in bench.pictures()]
    assert all(len(one.marks) == 5 for one in bench.marks_by_key(keys).values())


@pytest.fixture
def nursery(folder, empty_bench):
    """A process that starts writers to a new bench."""
    shutil.copytree(empty_bench, folder)
    process = subprocess.Popen(
        [sys.executable, "-c", _NURSERY, folder], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    yield process
    process.communicate()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="writers are started by fork")
def test_ten_kills_at_random_moments(nursery, folder):
    """After each, a looker and then a writer find everything reported and a whole bench."""
    moments = random.Random(20261124)
    reported = []
    for run in range(10):
        reported += _write_until_killed(nursery, run, moments)
        with Bench.open(folder) as looker:  # what is seen before any writer has tidied up
            _must_hold(looker, reported)
            assert looker.check() == []
    with Bench.open(folder, writing=True) as bench:
        _must_hold(bench, reported)
        _must_hold_no_half(bench)
        assert bench.check() == []
        assert list((folder / "originals" / "incoming").iterdir()) == []
        assert bench.last_read() is None
    assert len(reported) >= 10
