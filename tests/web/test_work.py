"""Long work: in turn, with progress, stopped when asked, and told of on the page."""

from __future__ import annotations

import threading
import time

import pytest

from fairpanel.storage.errors import BenchInUse
from fairpanel.web import work


@pytest.fixture
def bench_work():
    """A place for work, closed at the end."""
    made = work.Work()
    yield made
    made.close()


def until(true, seconds=5.0):
    """Wait until something is true."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it never came true"
        time.sleep(0.005)


def test_what_writes_is_done_in_turn(bench_work):
    """The second begins when the first has ended; what only computes does not wait for them."""
    go, order = threading.Event(), []

    def first(tell):
        go.wait(5)
        order.append("first")

    one = bench_work.begin("x", "first", first, writes=True)
    two = bench_work.begin("x", "second", lambda tell: order.append("second"), writes=True)
    aside = bench_work.begin("x", "aside", lambda tell: order.append("aside"), writes=False)
    until(lambda: not aside.going)
    assert one.state == work.RUNNING and two.state == work.WAITING and order == ["aside"]
    go.set()
    until(lambda: not two.going)
    assert order == ["aside", "first", "second"]


def test_it_stops_at_its_next_step(bench_work):
    """And the one behind it has its turn."""
    steps = []

    def endless(tell):
        for i in range(10_000):
            tell(i, 10_000, "steps")
            steps.append(i)
            time.sleep(0.002)

    piece = bench_work.begin("x", "endless", endless, writes=True)
    until(lambda: len(steps) > 3)
    piece.stop()
    until(lambda: not piece.going)
    assert piece.state == work.STOPPED and len(steps) < 5_000 and piece.done > 0
    behind = bench_work.begin("x", "behind", lambda tell: 7, writes=True)
    until(lambda: not behind.going)
    assert (behind.state, behind.result) == (work.DONE, 7)


def test_what_is_stopped_while_waiting_never_begins(bench_work):
    """Nothing of it is done."""
    go, done = threading.Event(), []
    bench_work.begin("x", "first", lambda tell: go.wait(5), writes=True)
    second = bench_work.begin("x", "second", lambda tell: done.append(1), writes=True)
    second.stop()
    go.set()
    until(lambda: not second.going)
    assert second.state == work.STOPPED and done == []


def test_what_failed_says_why_on_its_page(client):
    """An error meant for the tester in its own words, any other in ours."""
    begin = client.app.state.work.begin

    def in_use(tell):
        raise BenchInUse("Somebody else is writing. Wait.")

    def broken(tell):
        raise ZeroDivisionError("inner matters")

    for do, words in ((in_use, "Somebody else is writing. Wait."), (broken, "went wrong in the program itself")):
        piece = begin("x", "Trying", do, writes=True)
        until(lambda piece=piece: not piece.going)
        told = client.get(f"/work/{piece.id}").text
        assert words in told and "inner matters" not in told


def test_progress_as_data_and_stop_by_form(client):
    """What the script on the page asks for."""
    go = threading.Event()

    def slow(tell):
        tell(2, 5, "pictures read")
        go.wait(5)
        tell(3, 5, "pictures read")

    piece = client.app.state.work.begin("x", "Reading", slow, writes=True, then="/")
    until(lambda: piece.done == 2)
    asked = {"accept": "application/json"}
    now = client.get(f"/work/{piece.id}", headers=asked).json()
    assert (now["going"], now["done"], now["of"], now["how_far"]) == (True, 2, 5, "2 of 5 pictures read")
    assert "Reading" in client.get("/").text
    assert client.post(f"/work/{piece.id}/stop", follow_redirects=False).status_code == 303
    go.set()
    until(lambda: not piece.going)
    assert client.get(f"/work/{piece.id}", headers=asked).json()["state"] == "stopped"
    assert client.get("/work/nothing-like-it").status_code == 404


@pytest.mark.browser
def test_the_page_follows_and_goes_on(open_page, served_of, bench_folder, accessible):
    """The bar moves without a reload, and at the end the page of what came of it is there."""
    go, end, kept = threading.Event(), threading.Event(), []

    def slow(tell):
        tell(1, 4, "steps")
        go.wait(10)
        tell(3, 4, "steps")
        end.wait(10)

    address = served_of(bench_folder, kept.append)
    piece = kept[0].state.work.begin("x", "Something long", slow, writes=True, then="/")
    page = open_page(f"{address}/work/{piece.id}", width=390)
    page.get_by_text("1 of 4 steps").wait_for()
    accessible(page)
    go.set()
    page.get_by_text("3 of 4 steps").wait_for()
    end.set()
    page.wait_for_url(f"{address}/")
