"""The guard: each test is an attack, tried as a browser or a program would try it."""

from __future__ import annotations

import socket

import pytest
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse
from starlette.routing import Route
from starlette.testclient import TestClient

from fairpanel.storage.bench import Bench
from fairpanel.web.app import page_modules
from fairpanel.web.forms import safe_name
from fairpanel.web.guard import Guard
from fairpanel.web.serving import ADDRESS, listen

HERE = "http://127.0.0.1:8473"

#: All addresses of the application, with something in the place of every parameter.
ALL = sorted(
    {
        (route.path.replace("{id}", "x").replace("{name}", "x").replace("{file:path}", "x"), method)
        for module in page_modules()
        for route in getattr(module, "ROUTES", ())
        for method in route.methods or ()
        if method != "HEAD"
    }
)
CHANGING = [path for path, method in ALL if method == "POST"]


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8473", "127.0.0.1.evil.example:8473", "localhost:1", "127.0.0.1:84730",
     "127.0.0.1:x", "localhost@evil.example:8473", "0.0.0.0:8473", "[::1", ""],
)  # fmt: skip
def test_a_foreign_host_is_refused(client, host):
    """A name made to point at this computer (DNS rebinding) reaches no page, not even to look."""
    told = client.get("/", headers={"host": host})
    assert told.status_code == 421 and "garage" not in told.text


@pytest.mark.parametrize("host", ["127.0.0.1:8473", "localhost:8473", "LocalHost:8473", "[::1]:8473"])
def test_our_own_names_are_answered(client, host):
    """Whichever of them stands in the address."""
    assert client.get("/", headers={"host": host}).status_code == 200


def test_two_hosts_are_none(served):
    """Sent by hand: no browser does it, and the two could be told apart by nobody."""
    name, port = served.removeprefix("http://").split(":")
    with socket.create_connection((name, int(port))) as line:
        line.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1:%s\r\nHost: evil.example\r\n\r\n" % port.encode())
        assert line.recv(100).split()[1] in (b"400", b"421")


ELSEWHERE = [
    {"origin": "https://evil.example", "sec-fetch-site": "cross-site"},
    {"origin": "https://evil.example"},
    {"origin": "http://127.0.0.1:9999", "sec-fetch-site": "same-site"},
    {"origin": "http://localhost:8473", "sec-fetch-site": "same-origin"},
    {"origin": "https://127.0.0.1:8473"},
    {"origin": "null"},
    {"origin": "null", "sec-fetch-site": "same-origin"},
    {"origin": HERE, "sec-fetch-site": "cross-site"},
    {"origin": HERE, "sec-fetch-site": "none"},
    {"sec-fetch-site": "cross-site"},
    {},
]


@pytest.mark.parametrize("headers", ELSEWHERE, ids=str)
@pytest.mark.parametrize("path", CHANGING)
def test_nothing_is_changed_from_elsewhere(client_of, bench_folder, path, headers):
    """A form or script of another page, a sandboxed frame, a request that does not say where it comes from."""
    client = client_of(bench_folder)
    client.headers = {}
    with Bench.open(bench_folder) as bench:
        before = bench.nouns(), bench.current_rows(), bench.pictures()
    told = client.post(path, headers=headers, data={"x": "1"})
    assert told.status_code == 403
    with Bench.open(bench_folder) as bench:
        assert (bench.nouns(), bench.current_rows(), bench.pictures()) == before


def test_changing_needs_a_post():
    """No address that changes something answers to a plain look, so that no picture address or link can do it."""
    looking = {path for path, method in ALL if method == "GET"}
    assert {path for path in CHANGING if path.endswith("/stop")}.isdisjoint(looking)
    assert {method for _, method in ALL} <= {"GET", "POST"}


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_requests_are_unknown(client, method):
    """Also the question that a browser asks before a foreign script may write: it gets no permission."""
    told = client.request(method, "/")
    assert told.status_code == 405
    assert not [h for h in told.headers if h.startswith("access-control")]


@pytest.mark.parametrize("kind", ["image", "script", "no-cors", "iframe"])
def test_another_page_cannot_load_ours_as_a_part_of_itself(client, kind):
    """As a picture or a script, to see whether it is there and how large."""
    asked = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors", "sec-fetch-dest": kind}
    client.headers = {}
    assert client.get("/", headers=asked).status_code == 403


def test_a_link_from_elsewhere_still_opens_the_page(client):
    """A bookmark, or a link in a letter."""
    client.headers = {}
    for asked in ({"sec-fetch-site": "none"}, {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}, {}):
        assert client.get("/", headers=asked).status_code == 200


@pytest.mark.parametrize("path", ["/", "/nope", "/static/bench.css", "/static/nope"])
def test_every_answer_tells_the_browser_to_be_strict(client, path):
    """No script but ours, no frame, nothing guessed, nothing kept; on refusals too."""
    told = client.get(path)
    policy = told.headers["content-security-policy"]
    for part in ("default-src 'none'", "script-src 'self';", "style-src 'self';", "form-action 'self'",
                 "frame-ancestors 'none'", "base-uri 'none'"):  # fmt: skip
        assert part in policy
    assert "unsafe" not in policy and "http" not in policy
    assert told.headers["x-content-type-options"] == "nosniff"
    assert told.headers["cross-origin-resource-policy"] == "same-origin"
    assert "server" not in told.headers
    if not path.startswith("/static"):
        assert told.headers["cache-control"] == "no-store"


TRICKS = ["/static/../app.py", "/static/..%2fapp.py", "/static/%2e%2e/app.py", "/static/..%5capp.py", "/static/%00",
          "/static//etc/passwd", "//etc/passwd", "/./", "/static/%2e%2e%2f%2e%2e%2fbench.sqlite", "/static/..\\app.py",
          "/publish/preview/..%2f..%2fbench.sqlite", "/publish/preview/../../bench.sqlite",
          "http://evil.example/"]  # fmt: skip


@pytest.mark.parametrize("path", TRICKS)
def test_no_path_climbs_out(served, path):
    """Sent by hand, since clients tidy them up: refused, whatever stands there."""
    name, port = served.removeprefix("http://").split(":")
    with socket.create_connection((name, int(port))) as line:
        line.sendall(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n".encode())
        answer = b"".join(iter(lambda: line.recv(65536), b""))
    assert answer.split()[1] in (b"400", b"404")
    assert b"SQLite format" not in answer and b"import" not in answer


@pytest.mark.parametrize(
    ("given", "kept"),
    [("../../bench.sqlite", "bench.sqlite"), ("/etc/passwd", "passwd"), ("C:\\x\\photo.jpg", "photo.jpg"),
     ("a\0b.png", "ab.png"), ("..", "unnamed"), ("", "unnamed"), ("a\u202egnp.exe", "agnp.exe"),
     (".htaccess", "htaccess"), ("x" * 300 + ".jpeg", "x" * 115 + ".jpeg"), ("IMG 1.jpg", "IMG 1.jpg"),
     ("straße.png", "straße.png")],
)  # fmt: skip
def test_names_of_files_lose_their_tricks(given, kept):
    """Folders, ends of text, signs that turn the reading direction."""
    assert safe_name(given) == kept


# ---- how much --------------------------------------------------------------------------------------------------


def _counting(most: int) -> tuple[TestClient, list[int]]:
    taken = [0]

    async def swallow(request: Request):
        async for part in request.stream():
            taken[0] += len(part)
        return JSONResponse(taken[0])

    app = Starlette(
        routes=[Route("/", swallow, methods=["POST"])],
        middleware=[Middleware(Guard, most_of_form=most, most_of_files=10 * most)],
    )
    return TestClient(app, base_url=HERE, headers={"origin": HERE}), taken


def test_a_huge_upload_is_stopped_while_it_streams():
    """It says nothing of its size: no more is taken than may be, and the answer says so."""
    client, taken = _counting(100_000)
    sent = [0]

    def endless():
        for _ in range(200):
            sent[0] += 10_000
            yield bytes(10_000)

    told = client.post("/", content=endless())
    assert told.status_code == 413 and "0 MB" in told.text
    assert taken[0] <= 100_000


def test_a_huge_upload_that_says_so_is_not_begun():
    """Refused by what it announces."""
    client, taken = _counting(100_000)
    assert client.post("/", content=bytes(100_001)).status_code == 413
    assert taken[0] == 0
    assert client.post("/", content=bytes(100_000)).json() == 100_000


def test_files_may_be_larger_than_forms():
    """Ten times, here."""
    client, _ = _counting(100_000)
    assert client.post("/", files={"f": ("a.png", bytes(200_000))}).status_code == 200
    assert client.post("/", files={"f": ("a.png", bytes(1_000_000))}).status_code == 413


def test_the_connection_of_a_huge_upload_is_closed(served):
    """Over a real line: a sender that never ends is cut off, long before it has sent what it announced."""
    name, port = served.removeprefix("http://").split(":")
    head = (
        f"POST /work/x/stop HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"
        "Content-Type: application/x-www-form-urlencoded\r\nTransfer-Encoding: chunked\r\n\r\n"
    )
    sent, part = 0, b"186a0\r\n" + bytes(100_000) + b"\r\n"
    with socket.create_connection((name, int(port)), timeout=10) as line:
        line.sendall(head.encode())
        try:
            while sent < 100_000_000:
                line.sendall(part)
                sent += 100_000
        except OSError:
            pass
    assert sent < 50_000_000


# ---- where it listens ------------------------------------------------------------------------------------------


def test_it_listens_on_this_computer_only(served):
    """The address it is bound to is loopback; on the computer's own other addresses nobody answers."""
    assert ADDRESS == "127.0.0.1" and served.startswith("http://127.0.0.1:")
    port = int(served.rpartition(":")[2])
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as other:
        other.settimeout(2)
        assert other.connect_ex(("127.0.0.2", port)) != 0  # bound to all addresses, it would answer here too


def test_a_port_that_is_taken_is_told_of():
    """Or, where none was asked for, another is used."""
    from fairpanel.storage.errors import BenchError

    with listen(ADDRESS, 0) as first, pytest.raises(BenchError, match=r"Port \d+ is taken"):
        listen(ADDRESS, first.getsockname()[1])
    with listen(ADDRESS, None) as usual, listen(ADDRESS, None) as other:
        assert usual.getsockname() != other.getsockname()


# ---- what the tester typed ---------------------------------------------------------------------------------------

SCRIPT = "<script>alert(1)</script><img src=x onerror=alert(2)>"


def test_a_bench_called_like_a_script_is_text(client_of, tmp_path):
    """Shown as it was typed."""
    Bench.create(tmp_path / "b", name=SCRIPT, zone="UTC").close()
    told = client_of(tmp_path / "b").get("/").text
    assert "&lt;script&gt;alert(1)" in told and "<script>alert" not in told and "<img src=x" not in told


def test_a_page_that_breaks_says_little(client_of, bench_folder, monkeypatch, caplog):
    """Neither file nor line; where the program was started it says all."""
    from fairpanel.web.pages import start

    def broken(folder):
        raise RuntimeError("secret path /home/jo")

    monkeypatch.setattr(start, "vars_of", broken)
    told = client_of(bench_folder).get("/")
    assert told.status_code == 500 and "secret" not in told.text and "Traceback" not in told.text
    assert "what was saved before is whole" in told.text and "content-security-policy" in told.headers
    assert "secret path" in caplog.text


def test_the_guard_stands_before_plain_answers():
    """Any application it is put before is guarded, not only ours."""
    app = Starlette(routes=[Route("/", lambda r: PlainTextResponse("in"))], middleware=[Middleware(Guard)])
    assert TestClient(app, base_url="http://evil.example").get("/").status_code == 421
