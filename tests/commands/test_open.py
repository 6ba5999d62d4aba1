"""`fairpanel open`: a bench is made where there is none, the page is there at once, and it ends when told to."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import httpx2
import pytest

from fairpanel.storage.bench import Bench
from fairpanel.web.plan_form import START

_RUN = "import sys; from fairpanel.commands import main; main()"


class Opened:
    """The command in a process of its own, until it is ended."""

    def __init__(self, *words: object) -> None:
        self.began = time.perf_counter()
        self.process = subprocess.Popen(
            [sys.executable, "-c", _RUN, "open", *map(str, words), "--no-browser", "--port", "0"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.said = []
        for line in self.process.stdout:
            self.said.append(line)
            if found := re.search(r"http://127\.0\.0\.1:\d+/", line):
                self.address = found[0]
                break

    def busy(self) -> float:
        """Processor time it took so far [s]: what the clock would show on a computer that does nothing else."""
        told = Path(f"/proc/{self.process.pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
        return (int(told[11]) + int(told[12])) / os.sysconf("SC_CLK_TCK")

    def end(self) -> tuple[int, str, str]:
        """Ctrl+C; gives exit code and what it still said."""
        self.process.send_signal(signal.SIGINT)
        out, err = self.process.communicate(timeout=20)
        return self.process.returncode, out, err


@pytest.fixture
def opened():
    """`opened(folder)`; whatever is still there at the end is killed by its own number."""
    there = []

    def open_(*words: object) -> Opened:
        there.append(Opened(*words))
        return there[-1]

    yield open_
    for one in there:
        one.process.kill()
        one.process.wait()
        one.process.stdout.close()
        one.process.stderr.close()


def test_a_new_bench_from_nothing_to_the_first_page(opened, tmp_path):
    """It says that it made a bench, serves it, and everything is on the disk when it has ended."""
    one = opened(tmp_path / "new")
    up, busy_up = time.perf_counter(), one.busy()
    told = httpx2.get(one.address)
    usable, busy_usable = time.perf_counter(), one.busy()
    assert told.status_code == 200 and "Due now" in told.text
    assert "an empty one was made there" in one.said[0]
    assert min(usable - up, busy_usable - busy_up) < 1.0, "the first page takes longer than a second"
    assert min(usable - one.began, busy_usable) < 3.0, "from start to usable takes longer than three seconds"
    code, out, err = one.end()
    assert (code, err) == (0, "") and "Everything that was done is on the bench" in out
    with Bench.open(tmp_path / "new") as bench:
        assert bench.check() == []


def test_an_old_bench_is_opened_as_it_is(opened, bench):
    """Nothing is made, and commands can write beside it."""
    one = opened(bench)
    assert not any("made" in line for line in one.said)
    with Bench.open(bench, writing=True) as beside:
        beside.enter("product", "Wax A")
    assert httpx2.get(one.address).status_code == 200
    assert one.end()[0] == 0


def test_a_folder_with_other_things_is_left_alone(fairpanel, tmp_path):
    """It says so, and makes nothing."""
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "mother.txt").write_text("Dear")
    done = fairpanel("open", tmp_path / "letters", "--no-browser")
    assert done.code == 2 and "holds other things" in done.err
    assert [p.name for p in (tmp_path / "letters").iterdir()] == ["mother.txt"]


def test_it_ends_also_in_the_middle_of_work(opened, bench):
    """A rehearsal is going on: it is stopped, not waited for to its end."""
    one = opened(bench)
    with httpx2.Client(base_url=one.address, headers={"origin": one.address.rstrip("/")}) as page:
        form = START | {"repeats": "30"}
        assert page.post("/rehearse/try", data=form).status_code == 303
    began = time.perf_counter()
    code, out, _ = one.end()
    assert code == 0 and "Closed" in out and time.perf_counter() - began < 20


def test_the_bench_is_where_it_was_told(opened, bench, tmp_path, monkeypatch):
    """Without a folder, the present one."""
    monkeypatch.chdir(bench)
    one = opened()
    assert "bench" in httpx2.get(one.address).text
    assert Path.cwd() == bench
