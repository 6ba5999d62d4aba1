"""The bench page for tests: a bench, a client without a browser, a server, and Chromium at two widths.

Fixtures for all tests of `tests/web/`:

bench_folder   an empty bench of its own, to be changed
read_bench     a bench with one scan taken in and read, a copy of its own
client         Starlette's test client on `bench_folder`; asks as our own pages do
client_of      the same for any bench
served         address of a real server on `bench_folder`; `served_of(folder)` for any bench
page           a Chromium page on `served`, once 1280 and once 390 px wide
open_page      opens a page as wanted: `open_page(address, width=390, scheme="dark")`
accessible     `accessible(page)` fails with what an automatic check finds against WCAG 2.2 AA, if the page scrolls
               sideways, or if something on it moved by itself after it was shown

Each worker has one browser; a server costs some milliseconds.
"""

from __future__ import annotations

import json
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from starlette.applications import Starlette
from starlette.testclient import TestClient

from fairpanel.jobs.reading import read_bench as read_all
from fairpanel.jobs.take_in import take_in
from fairpanel.rehearsal.suites import make_suite
from fairpanel.storage.bench import Bench
from fairpanel.web.app import create_app
from fairpanel.web.serving import ADDRESS, Server, listen

HERE = "http://127.0.0.1:8473"

#: What Chromium sends with a form of our own page.
OWN = {"origin": HERE, "sec-fetch-site": "same-origin", "sec-fetch-mode": "navigate"}

WIDTHS = (1280, 390)

#: Adds up what moves without anybody having touched the page (Layout Instability API, WICG).
SHIFTS = """
window.shifted = 0
new PerformanceObserver(seen => { for (const e of seen.getEntries()) if (!e.hadRecentInput) window.shifted += e.value })
  .observe({ type: "layout-shift", buffered: true })
"""

#: Half of what is usually called good (0.1, web.dev's "Cumulative Layout Shift", from memory).
MOST_SHIFT = 0.05


# ---- benches ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def _empty_bench(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("empty") / "garage"
    Bench.create(folder, zone="UTC").close()
    return folder


@pytest.fixture(scope="session")
def _bench_read_already(tmp_path_factory) -> Path:
    place = tmp_path_factory.mktemp("read")
    table = make_suite("scan_half", 7, per_picture=3, dpi=100.0, table="full").write(place / "made")
    Bench.create(place / "garage", zone="UTC").close()
    take_in(place / "garage", table)
    read_all(place / "garage")
    return place / "garage"


@pytest.fixture
def bench_folder(_empty_bench, tmp_path) -> Path:
    """An empty bench of this test's own."""
    return Path(shutil.copytree(_empty_bench, tmp_path / "garage"))


@pytest.fixture
def read_bench(_bench_read_already, tmp_path) -> Path:
    """A bench with three half plates and their steps taken in and read; of this test's own."""
    return Path(shutil.copytree(_bench_read_already, tmp_path / "read" / "garage"))


# ---- without a browser -----------------------------------------------------------------------------------------


@pytest.fixture
def client_of() -> Iterator[Callable[..., TestClient]]:
    """`client_of(folder)`: a client that asks as our own pages do."""
    opened = []

    def client_of_(folder: Path, **headers: str) -> TestClient:
        one = TestClient(create_app(folder), base_url=HERE, headers=OWN | headers)
        one.__enter__()
        opened.append(one)
        return one

    yield client_of_
    for one in opened:
        one.__exit__(None, None, None)


@pytest.fixture
def client(client_of, bench_folder) -> TestClient:
    """A client on the empty bench."""
    return client_of(bench_folder)


# ---- a server --------------------------------------------------------------------------------------------------


@pytest.fixture
def served_of() -> Iterator[Callable[..., str]]:
    """`served_of(folder)`: address of a server on a bench, without the last stroke; ends with the test.

    `served_of(folder, use)` hands the application to `use` before it is served.
    """
    running = []

    def serve(folder: Path, use: Callable[[Starlette], object] = lambda app: None) -> str:
        listening = listen(ADDRESS, 0)
        app = create_app(folder)
        use(app)
        server = Server(app)
        thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
        thread.start()
        running.append((server, thread))
        until = time.monotonic() + 10
        while not server.started and time.monotonic() < until:
            time.sleep(0.005)
        assert server.started
        return f"http://{ADDRESS}:{listening.getsockname()[1]}"

    yield serve
    for server, thread in running:
        server.should_exit = True
        thread.join(10)


@pytest.fixture
def served(served_of, bench_folder) -> str:
    """Address of a server on the empty bench."""
    return served_of(bench_folder)


# ---- Chromium --------------------------------------------------------------------------------------------------


@pytest.fixture
def open_page(browser):
    """`open_page(address, width=1280, scheme="light", script=True)`: a page in a window of its own.

    `page.asked` holds the addresses it asked for, `page.said` what it complained of: a test may end only with none.
    """
    windows, pages = [], []

    def open_(address: str, *, width: int = 1280, scheme: str = "light", script: bool = True):
        window = browser.new_context(
            viewport={"width": width, "height": 900 if width > 600 else 844},
            color_scheme=scheme,
            java_script_enabled=script,
            has_touch=width < 600,
            reduced_motion="reduce",
        )
        window.set_default_timeout(10_000)
        windows.append(window)
        window.add_init_script(SHIFTS)
        page = window.new_page()
        page.asked, page.said = [], []
        page.on("request", lambda r: page.asked.append(r.url))
        page.on("console", lambda m: page.said.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda e: page.said.append(str(e)))
        page.goto(address)
        pages.append((page, address))
        return page

    yield open_
    refused = "the server responded with a status of 422"  # a form with faults: shown on the page, noted by the browser
    said = [words for page, _ in pages for words in page.said if refused not in words]
    outside = [url for page, address in pages for url in page.asked if not _is_ours(url, address)]
    for window in windows:
        window.close()
    assert said == [] and outside == []


def _is_ours(url: str, address: str) -> bool:
    here = "/".join(address.split("/")[:3])
    return url.startswith((f"{here}/", "blob:", "data:")) or url == here


@pytest.fixture(params=WIDTHS, ids=[f"{w}px" for w in WIDTHS])
def page(request, open_page, served):
    """The start page of the empty bench at desktop and at phone width."""
    return open_page(f"{served}/", width=request.param)


@pytest.fixture
def accessible() -> Callable[..., None]:
    """Fails where an automatic check finds something, or where the page can be scrolled sideways."""
    from axe_playwright_python.sync_playwright import Axe

    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    rules = {"runOnly": {"type": "tag", "values": tags}, "rules": {"target-size": {"enabled": True}}}

    def check(page) -> None:
        found = Axe().run(page, options=rules).response["violations"]
        told = [
            f"{v['id']}: {v['help']}\n  "
            + "\n  ".join(json.dumps(n["target"]) + " " + n["html"][:200] for n in v["nodes"])
            for v in found
        ]
        assert not told, "\n".join(told)
        width = page.viewport_size["width"]
        assert page.evaluate("document.documentElement.scrollWidth") <= width, "the page scrolls sideways"
        assert page.evaluate("window.shifted") <= MOST_SHIFT, "something moved by itself"

    return check
