"""While a campaign is sealed: codes in place of products' names in all that leaves the server, whoever wrote the page.

Every value that a template shows passes through `shown`; data, tables, drawings and headers are covered on their way
out; a form that was filled with a code means the product. So no page can forget it.
"""

from __future__ import annotations

import html
import json
import threading
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

if TYPE_CHECKING:
    from fairpanel.jobs.blinding import Veil

_NOW: ContextVar[Veil | None] = ContextVar("veil", default=None)

#: Kinds of answers whose text is covered as a whole; pages are covered value by value, where they are made.
_TEXTS = ("text/csv", "text/plain", "text/markdown", "image/svg+xml", "application/xml")
_DATA = ("application/json", "application/ld+json")

#: Where whole publications are shown and given out: refused while sealed.
_PUBLICATIONS = "/publish"


def current() -> Veil | None:
    """What hides the products from the page that is being made; None while nothing is sealed."""
    return _NOW.get()


def shown(value: Any) -> Any:
    """A value as a template shows it. What is marked as page already was covered when it was made."""
    veil = _NOW.get()
    return veil.covered(value) if veil and type(value) is str else value


def meant(value: str) -> str:
    """What was typed, or chosen: the product where a form gave its code."""
    veil = _NOW.get()
    return veil.uncovered(value) if veil else value


class Veiling:
    """Middleware that covers what leaves the server, and lets `shown` and `meant` know."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["path"].startswith("/static/"):
            await self.app(scope, receive, send)
            return
        veil = await _load(scope["app"].state.folder)
        if not veil:
            await self.app(scope, receive, send)
            return
        before = _NOW.set(veil)
        try:
            if scope["path"].startswith(_PUBLICATIONS):
                await _refused(scope, receive, send)
            else:
                await self.app(scope, receive, _Covering(veil, send))
        finally:
            _NOW.reset(before)


async def _refused(scope: Scope, receive: Receive, send: Send) -> None:
    from fairpanel.web.faults import answer

    words = "A campaign is sealed, so publishing waits. Lock its reading and unseal it first, under “Campaigns”."
    await answer(Request(scope), 409, words)(scope, receive, send)


class _Covering:
    """Covers one answer: its headers at once, its text when it is whole."""

    def __init__(self, veil: Veil, send: Send) -> None:
        self._veil, self._send = veil, send
        self._start: Message | None = None
        self._kind = ""
        self._parts: list[bytes] = []

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            await self._begin(message)
        elif message["type"] == "http.response.body" and self._start:
            self._parts.append(message.get("body", b""))
            if not message.get("more_body"):
                await self._finish()
        else:
            await self._send(message)

    async def _begin(self, message: Message) -> None:
        headers = MutableHeaders(raw=list(message["headers"]))
        for name in ("content-disposition", "location"):
            if name in headers:
                headers[name] = self._veil.covered(headers[name])
        message = {**message, "headers": headers.raw}
        self._kind = headers.get("content-type", "").partition(";")[0]
        if self._kind in (*_TEXTS, *_DATA):
            self._start = message
        else:
            await self._send(message)

    async def _finish(self) -> None:
        assert self._start is not None
        body = self._covered(b"".join(self._parts))
        headers = MutableHeaders(raw=list(self._start["headers"]))
        headers["content-length"] = str(len(body))
        await self._send({**self._start, "headers": headers.raw})
        await self._send({"type": "http.response.body", "body": body})

    def _covered(self, body: bytes) -> bytes:
        try:
            text = body.decode()
        except UnicodeDecodeError:
            return body
        if self._kind in _DATA and text:
            return json.dumps(self._veil.over(json.loads(text)), ensure_ascii=False).encode()
        if self._kind.endswith("xml"):
            return _escaped(self._veil).covered(text).encode()
        return self._veil.covered(text).encode()


def _escaped(veil: Veil) -> Veil:
    """The same for names as they stand in a drawing."""
    from fairpanel.jobs.blinding import Veil

    return Veil({html.escape(name, quote=quote): code for name, code in veil.codes.items() for quote in (True, False)})


# ---- is anything sealed? -----------------------------------------------------------------------------------------

_KNOWN: dict[Path, tuple[Any, Veil]] = {}
_TURN = threading.Lock()


async def _load(folder: Path) -> Veil:
    from starlette.concurrency import run_in_threadpool

    with _TURN:
        known = _KNOWN.get(folder)
    mark = _mark(folder)
    if known and mark and known[0] == mark:
        return known[1]
    return await run_in_threadpool(_loaded, folder, mark)


def _loaded(folder: Path, mark: Any) -> Veil:
    from fairpanel.jobs.blinding import veil

    found = veil(folder)
    with _TURN:
        _KNOWN[folder] = (mark, found)
        while len(_KNOWN) > 8:
            _KNOWN.pop(next(iter(_KNOWN)))
    return found


def _mark(folder: Path) -> Any:
    """Changes with every record; None where the records lie on a server and must be asked each time."""
    if (folder / "bench.url").exists():
        return None
    found = []
    for name in ("bench.sqlite", "bench.sqlite-wal"):
        try:
            seen = (folder / name).stat()
            # An empty log comes and goes with every look at the bench.
            found.append((seen.st_mtime_ns, seen.st_size) if seen.st_size else (0, 0))
        except OSError:
            found.append((0, 0))
    return tuple(found)
