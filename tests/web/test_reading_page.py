"""Reading from the page: what was taken in by command is read behind the page, and the start page shows it."""

from __future__ import annotations

import shutil
import time
from html import unescape

import cv2
import numpy as np
import pytest

from fairpanel.jobs import reading
from fairpanel.jobs.showing import load_last_read
from fairpanel.jobs.take_in import take_in
from fairpanel.rehearsal.suites import make_suite
from fairpanel.storage.bench import Bench
from fairpanel.storage.lock import PATIENCE
from fairpanel.web import work


@pytest.fixture(scope="module")
def _made(tmp_path_factory):
    return make_suite("scan_half", 7, per_picture=1, dpi=100.0, table="full").write(tmp_path_factory.mktemp("made"))


@pytest.fixture
def taken(bench_folder, _made):
    """A bench with a table taken in, nothing read."""
    take_in(bench_folder, _made)
    return bench_folder


def test_it_reads_what_the_command_would(client_of, taken, tmp_path):
    """The same numbers as `fairpanel read` on a copy of the bench."""
    from fairpanel.jobs.reading import read_bench

    copy = shutil.copytree(taken, tmp_path / "copy")
    client = client_of(taken)
    assert "nothing read yet" in client.get("/").text
    going = client.post("/read", follow_redirects=False).headers["location"]
    for _ in range(400):
        if not client.get(going, headers={"accept": "application/json"}).json()["going"]:
            break
        time.sleep(0.05)
    read_bench(copy)
    ours, theirs = load_last_read(taken), load_last_read(copy)
    assert [t.sentence for t in ours.told] == [t.sentence for t in theirs.told]
    told = unescape(client.get("/").text)
    assert ours.told[0].sentence in told and "Read now" not in told


def test_somebody_else_is_writing(client_of, taken, monkeypatch):
    """A command holds the bench for long: the page says who, and what to do; looking goes on."""
    monkeypatch.setattr(work, "PATIENT_SECONDS", 0.1)
    client = client_of(taken)
    with Bench.open(taken, writing=True, doing="reading pictures"):
        going = client.post("/read", follow_redirects=False).headers["location"]
        piece = client.app.state.work.piece(going.rpartition("/")[2])
        for _ in range(200):
            if not piece.going:
                break
            time.sleep(0.02)
        told = client.get(going).text
        assert "is being written to" in told and "reading pictures" in told
        assert client.get("/").status_code == 200


def test_a_moment_of_somebody_else_is_waited_for(client_of, bench_folder):
    """A form that comes while a command saves something is saved right after it."""
    from fairpanel.jobs.keeping_pictures import keep_pictures

    client = client_of(bench_folder)
    kept = []

    def write(tell):
        kept.extend(
            keep_pictures(bench_folder, [("a.png", cv2.imencode(".png", np.full((80, 80), 9, np.uint8))[1].tobytes())])
        )

    with Bench.open(bench_folder, writing=True):
        piece = client.app.state.work.begin("x", "keeping", write, writes=True)
        time.sleep(0.3)
        assert piece.going
    for _ in range(200):
        if not piece.going:
            break
        time.sleep(0.02)
    assert piece.error is None and kept[0].picture


def test_a_page_waits_for_a_moment_too(client_of, bench_folder):
    """The patience set before the pages reaches the threads they run in; outside there is none."""
    client = client_of(bench_folder)
    seen = []
    client.app.state.parts_of_start = [lambda folder: seen.append(PATIENCE.get()) or []]
    assert client.get("/").status_code == 200
    assert seen == [work.PATIENT_SECONDS] and PATIENCE.get() == 0


def test_while_it_reads_others_can_save(taken):
    """Between two pictures the bench is free: a product is entered in the middle of a reading, and both are kept."""
    entered = []

    def tell(done, of, what):
        with Bench.open(taken, writing=True) as beside:
            entered.append(beside.enter("product", f"Wax {len(entered)}"))

    reading.read_bench(taken, progress=tell)
    with Bench.open(taken) as bench:
        assert entered and {e.id for e in bench.nouns("product")} >= set(entered)
        assert bench.last_read() is not None and bench.check() == []


@pytest.mark.browser
def test_on_the_screen(open_page, served_of, taken, accessible):
    """One button; the page goes on by itself to what was found."""
    page = open_page(f"{served_of(taken)}/", width=390)
    accessible(page)
    page.get_by_role("button", name="Read now").click()
    page.get_by_role("heading", name="What was last found").wait_for(timeout=30_000)
    page.get_by_text("Nothing at the moment.").wait_for()
    accessible(page)
