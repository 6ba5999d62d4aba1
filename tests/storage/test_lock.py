"""One writer at a time."""

import os
import signal
import sqlite3
import subprocess
import sys

import pytest

from fairpanel.storage import Bench
from fairpanel.storage.errors import BenchInUse

_WRITER = """
import sys, time
from fairpanel.storage import Bench
bench = Bench.open(sys.argv[1], writing=True, doing="reading pictures")
print("open", flush=True)
time.sleep(60)
"""

_WRITER_WITH_WORKER = """
import os, sys, time
from fairpanel.storage import Bench
bench = Bench.open(sys.argv[1], writing=True)
if os.fork() == 0:
    print(os.getpid(), flush=True)
time.sleep(60)
"""


def _start(program, folder):
    process = subprocess.Popen([sys.executable, "-c", program, folder], stdout=subprocess.PIPE, text=True)
    return process, process.stdout.readline().strip()


def _end(process):
    process.kill()
    process.wait()
    process.stdout.close()


def test_a_second_writer_is_told_who_writes_and_what_to_do(folder):
    """The message names process, purpose and way out; looking stays possible."""
    Bench.create(folder).close()
    process, _ = _start(_WRITER, folder)
    try:
        with pytest.raises(BenchInUse) as told:
            Bench.open(folder, writing=True)
        assert f"process {process.pid}" in str(told.value)
        assert "reading pictures" in str(told.value)
        assert "Wait until it is done" in str(told.value)
        with Bench.open(folder) as looker:
            assert looker.check() == []
    finally:
        _end(process)


def test_a_killed_writer_blocks_nobody(folder):
    """The lock ends with its process, though the text in the file stays."""
    Bench.create(folder).close()
    process, _ = _start(_WRITER, folder)
    _end(process)
    assert str(process.pid) in (folder / "bench.lock").read_text()
    with Bench.open(folder, writing=True) as bench:
        assert bench.check() == []


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork here")
def test_a_worker_that_outlives_its_writer_blocks_nobody(folder):
    """A forked worker would go on holding the lock it inherited; it lets go of it at birth."""
    Bench.create(folder).close()
    process, worker = _start(_WRITER_WITH_WORKER, folder)
    try:
        _end(process)
        os.kill(int(worker), 0)  # the worker is alive
        Bench.open(folder, writing=True).close()
    finally:
        os.kill(int(worker), signal.SIGKILL)


def test_two_writers_in_one_process(bench, folder):
    """The lock belongs to the opened bench, not to the process."""
    with pytest.raises(BenchInUse, match=str(os.getpid())):
        Bench.open(folder, writing=True)


def test_closing_lets_the_next_one_write(folder):
    """And leaves no name in the lock file."""
    with Bench.create(folder):
        assert str(os.getpid()) in (folder / "bench.lock").read_text()
    assert (folder / "bench.lock").read_text() == ""
    Bench.open(folder, writing=True).close()


def test_records_held_by_another_program(bench, folder, monkeypatch):
    """A database viewer with an open change: said in plain words, after waiting a while."""
    viewer = sqlite3.connect(folder / "bench.sqlite", isolation_level=None)
    viewer.execute("BEGIN IMMEDIATE")
    monkeypatch.setattr("fairpanel.storage.engine._WAIT_S", 0.05)
    bench._engine.dispose()
    with pytest.raises(BenchInUse, match="Another program"):
        bench.enter("product", "A")
    viewer.execute("ROLLBACK")
    viewer.close()
    bench.enter("product", "A")
