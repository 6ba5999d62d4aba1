"""Pages of a bench with 500 products and 10,000 readings, against the same pages with 25 products and 50 readings."""

from __future__ import annotations

import re
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from starlette.testclient import TestClient

from benchmarks.many_readings import make
from benchmarks.speed import Ratio, timed
from fairpanel.web.app import create_app

HERE = "http://127.0.0.1:8473"
OWN = {"origin": HERE, "sec-fetch-site": "same-origin", "sec-fetch-mode": "navigate"}

#: Most processor time of a page [s], and most times that of the small bench.
MOST, TIMES = 0.2, 3.0

#: Pages by name; {one} and {other} stand for results.
PAGES = {
    "results": "/results",
    "results, by value": "/results?order=value",
    "results, filtered": "/results?words=product+1",
    "one product": "/results/product/{one}",
    "two side by side": "/results/pair?of={one}&of={other}",
    "pictures with their curves": "/results/curves",
}


def pages() -> Iterator[Ratio]:
    """Warm pages as ratios, and how long the first one takes after a read."""
    with tempfile.TemporaryDirectory() as place:
        small, large = Path(place, "small"), Path(place, "large")
        make(small, products=25, readings=50)
        make(large, products=500, readings=10_000)
        with _client(small) as few, _client(large) as many:
            first = {client: _seconds(client, "/results") for client in (few, many)}
            yield Ratio(
                "first page of results after a read, 10,000 readings over 50", first[many] / first[few], "printed only",
                True, f"{1000 * first[many]:.0f} ms against {1000 * first[few]:.0f} ms; later ones are kept",
            )  # fmt: skip
            filled = {client: _filled(client) for client in (few, many)}
            for name, address in PAGES.items():
                yield _page(name, lambda c, a=address: c.get(a.format(**filled[c])), few, many)


def _client(folder: Path) -> TestClient:
    return TestClient(create_app(folder), base_url=HERE, headers=OWN)


def _seconds(client: TestClient, address: str) -> float:
    began = time.process_time()
    client.get(address).raise_for_status()
    return time.process_time() - began


def _filled(client: TestClient) -> dict[str, str]:
    found = list(dict.fromkeys(re.findall(r"/results/product/([0-9a-f]+)", client.get("/results").text)))
    return {"one": found[3], "other": found[9]}


def _page(name: str, get: object, few: TestClient, many: TestClient) -> Ratio:
    assert callable(get)
    of_few, of_many = timed(lambda: get(few).raise_for_status(), lambda: get(many).raise_for_status())
    holds = of_many <= MOST and of_many <= TIMES * of_few
    behind = f"{1000 * of_many:.0f} ms against {1000 * of_few:.0f} ms of processor time, client and all"
    return Ratio(f"{name}: 500 products, 10,000 readings over 25, 50", of_many / of_few, "<= 3, 0.2 s", holds, behind)
