"""Reading and taking in that are cut short: by a kill, by Ctrl-C, by a full disk. What was read stays read."""

from __future__ import annotations

import contextlib
import csv
import errno
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest

from fairpanel.jobs import reading
from fairpanel.jobs.showing import as_json, load_last_read
from fairpanel.jobs.take_in import take_in
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import DiskFull, disk_full

PICTURES = 5


@pytest.fixture(scope="module")
def many_already(tmp_path_factory, empty_already) -> Path:
    """A bench with five small pictures, each of one strip and four steps, nothing read."""
    folder = tmp_path_factory.mktemp("many")
    rng = np.random.default_rng(4)
    with (folder / "table.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(["picture", "strip", "role", "seconds", "product", "box"])
        for n in range(PICTURES):
            picture = np.full((180, 320, 3), 235.0)
            tones = [(235, 235, 235), (190, 214, 232), (140, 178, 215), (88, 130, 190), (100, 142, 197)]
            for i, tone in enumerate(tones):
                picture[30:150, 20 + 60 * i : 60 + 60 * i] = tone
                role, seconds = ("product", 70) if i == 4 else ("step", (0, 20, 60, 180)[i])
                strip, product = (f"P{n}", f"Wax {n % 3}") if i == 4 else (f"steps {n}", "")
                table.writerow([f"{n}.png", strip, role, seconds, product, f"{20 + 60 * i} 30 40 120"])
            noisy = (picture + rng.normal(0, 2, picture.shape)).clip(0, 255).astype(np.uint8)
            cv2.imwrite(str(folder / f"{n}.png"), noisy[..., ::-1])
    bench = Path(shutil.copytree(empty_already, folder / "bench"))
    take_in(bench, folder / "table.csv")
    return bench


@pytest.fixture
def many(many_already, tmp_path) -> Path:
    """A copy that may be read."""
    return Path(shutil.copytree(many_already, tmp_path / "many"))


def _measured(bench: Path) -> int:
    """Pictures whose marks are saved."""
    with Bench.open(bench) as opened:
        rows = opened.current_rows()
        method = next(iter(reading.all_methods().values()))
        tasks = reading._tasks(opened, method, rows, reading._entered(method, rows))
        return len(opened.marks_by_key([t.key for t in tasks]))


# ---- kill -9 -----------------------------------------------------------------------------------------------------

# One process loads the program once and starts a reader for each line it gets; the reader reports each picture only
# once the bench has said that its marks are saved.
_NURSERY = """
import os, sys
from pathlib import Path
import fairpanel.jobs.reading as reading
import fairpanel.methods.uv_strip

for run in sys.stdin:
    child = os.fork()
    if child == 0:
        print("reader", os.getpid(), flush=True)
        reading.read_bench(Path(sys.argv[1]), progress=lambda done, of, what: print("measured", done, flush=True))
        print("whole", 1, flush=True)
        os._exit(0)
    os.waitpid(child, 0)
    print("ended", 0, flush=True)
"""


@pytest.fixture
def nursery(many):
    """A process that starts readers of the bench."""
    process = subprocess.Popen(
        [sys.executable, "-c", _NURSERY, many], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    yield process
    process.communicate()


def _read_until_killed(nursery, seconds: float) -> list[int]:
    """Start a reader and kill it so many seconds after its first report; gives the counts that it reported."""
    nursery.stdin.write("read\n")
    nursery.stdin.flush()
    what, reader = nursery.stdout.readline().split()
    assert what == "reader"
    reported = [nursery.stdout.readline().split()]
    time.sleep(seconds)
    with contextlib.suppress(ProcessLookupError):  # it was quicker and is through
        os.kill(int(reader), signal.SIGKILL)
    while reported[-1][0] != "ended":
        reported.append(nursery.stdout.readline().split())
    return [int(count) for word, count in reported if word == "measured"]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="readers are started by fork")
def test_ten_kills_at_random_moments(nursery, many):
    """After each the bench is whole and every picture reported as measured still is; a last read goes on to the end."""
    moments, known = random.Random(20261203), 0
    for _ in range(10):
        counts = _read_until_killed(nursery, moments.choice([0.0, 0.02, 0.1, 0.3]) * moments.random())
        assert counts[0] >= known  # the next reader begins where the last one was
        known = counts[-1]
        with Bench.open(many) as looker:
            assert looker.check() == []
        assert _measured(many) >= known
    done = reading.read_bench(many)
    assert (done.pictures, done.readings) == (PICTURES, PICTURES)
    assert done.measured_now <= PICTURES - known
    with Bench.open(many) as bench:
        assert bench.check() == []
    assert len(as_json(load_last_read(many))["strips"]) == PICTURES


# ---- Ctrl-C ------------------------------------------------------------------------------------------------------


def _saved(bench: Path) -> int:
    """Pictures whose marks are saved, asked of the records while another process writes."""
    with sqlite3.connect(f"file:{bench / 'bench.sqlite'}?mode=ro", uri=True) as records:
        return records.execute("SELECT count(*) FROM measuring").fetchone()[0]


@pytest.mark.skipif(os.name == "nt", reason="no SIGINT for a single process")
def test_ctrl_c_is_harmless(many):
    """A sentence, no traceback, exit code 130 as of any program so stopped; the next read goes on from there."""
    program = Path(sys.executable).with_name("fairpanel")
    process = subprocess.Popen([program, "read", many], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    while _saved(many) == 0 and process.poll() is None:
        time.sleep(0.005)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=30)
    assert (process.returncode, out) == (130, "")
    assert "What was read stays read" in err and "Traceback" not in err and len(err.strip().splitlines()) == 1
    before = _measured(many)
    assert before >= 1
    done = reading.read_bench(many)
    assert done.measured_now == PICTURES - before and done.readings == PICTURES


# ---- a full disk -------------------------------------------------------------------------------------------------


def test_a_disk_that_is_full_at_take_in(bench, tmp_path, monkeypatch):
    """Said in plain words; the bench holds nothing of it, and with room the same table goes in."""
    cv2.imwrite(str(tmp_path / "a.png"), np.full((80, 100, 3), 200, np.uint8))
    (tmp_path / "table.csv").write_text("picture,strip,role,seconds,product\na.png,P1,product,60,Wax A\n")

    def no_room(*about):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("fairpanel.storage.originals.os.fsync", no_room)
    with pytest.raises(DiskFull, match=r"is full\. Nothing of this step was kept .* Make room and do the step again"):
        take_in(bench, tmp_path / "table.csv")
    monkeypatch.undo()
    with Bench.open(bench) as opened:
        assert opened.current_rows() == opened.pictures() == [] and opened.check() == []
    assert take_in(bench, tmp_path / "table.csv").taken


def test_a_disk_that_fills_up_while_reading(many, monkeypatch):
    """No room for the marks of the third picture: told, the earlier ones are kept, and the bench is free again."""
    real, calls = Bench.save_marks, []

    def save(self, *about, **more):
        calls.append(1)
        if len(calls) == 3:
            raise disk_full(many)
        return real(self, *about, **more)

    monkeypatch.setattr(Bench, "save_marks", save)
    with pytest.raises(DiskFull, match="Make room"):
        reading.read_bench(many)
    monkeypatch.undo()
    assert _measured(many) == 2
    done = reading.read_bench(many)
    assert (done.measured_now, done.readings) == (PICTURES - 2, PICTURES)


# ---- two pictures of one strip -----------------------------------------------------------------------------------


def _two_pictures(folder: Path, factor: float) -> None:
    """The same strip and steps pictured twice, its product patch in the second lighter by a factor."""
    rng = np.random.default_rng(8)
    with (folder / "table.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(["picture", "strip", "role", "seconds", "product", "plate", "box"])
        for name, light in (("a.png", 1.0), ("b.png", factor)):
            tones = [
                (235, 235, 235),
                (205, 222, 234),
                (170, 196, 224),
                (130, 168, 210),
                (88, 130, 190),
                (150, 183, 218),
            ]
            picture = np.full((180, 380, 3), 235.0)
            for i, tone in enumerate(tones):
                picture[30:150, 20 + 60 * i : 60 + 60 * i] = np.array(tone) * (light if i == 5 else 1)
                film = i == 5
                table.writerow([name, "P1" if film else "S", "product" if film else "step",
                                70 if film else (0, 10, 25, 60, 180)[i], "Wax A" if film else "",
                                "g1" if film else "", f"{20 + 60 * i} 30 40 120"])  # fmt: skip
            noisy = (picture + rng.normal(0, 2, picture.shape)).clip(0, 255).astype(np.uint8)
            cv2.imwrite(str(folder / name), noisy[..., ::-1])


@pytest.mark.parametrize(("factor", "flagged"), [(1.0, False), (1.2, True)])
def test_two_pictures_of_one_strip(bench, factor, flagged):
    """They count as one plate; where they disagree, both say so, and so does the product."""
    _two_pictures(bench.parent, factor)
    take_in(bench, bench.parent / "table.csv")
    reading.read_bench(bench)
    shown = as_json(load_last_read(bench))
    assert {s["picture"] for s in shown["strips"]} == {"a.png", "b.png"}
    assert ["pictures disagree" in s["flags"] for s in shown["strips"]] == [flagged, flagged]
    (result,) = shown["results"]
    assert result["plates"] == 1 and ("pictures disagree" in result["flags"]) == flagged
