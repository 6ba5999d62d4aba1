"""What stands before every page: who may ask, how much may be sent, and what a browser may do with the answer.

A page open in another tab, or a name that was made to point at this computer, can reach a server on loopback. So the
name that was asked for must be ours, whatever changes something must come from our own pages, and nothing a request
says is used as a path of the file system.
"""

from __future__ import annotations

from collections.abc import Iterable
from urllib.parse import unquote_to_bytes

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: Names under which this computer may be asked.
LOOPBACK = frozenset({"127.0.0.1", "localhost", "[::1]"})

#: Most that one request may carry: a form; files. [byte]
MOST_OF_FORM = 4_000_000
MOST_OF_FILES = 512_000_000

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; "
    "media-src 'self'; frame-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)

#: For a publication shown within a page of ours: it brings its own, stricter policy; no script runs in it.
POLICY_OF_PUBLICATION = (
    "default-src 'none'; img-src 'self'; style-src 'unsafe-inline'; form-action 'none'; frame-ancestors 'self'; "
    "base-uri 'none'; sandbox allow-same-origin"
)

_HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",  # with no-referrer a browser sends our own forms with the origin "null"
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=(), usb=()",
    "cache-control": "no-store",
}

_LOOKING = ("GET", "HEAD")


class _TooMuch(Exception):
    """The request carries more than is taken."""


class Guard:
    """Middleware before all routes.

    Parameters
    ----------
    app : ASGI application
    names : iterable of str
        Names and addresses under which the server may be asked, without port.
    most_of_form, most_of_files : int
        Most bytes of a request without and with files.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        names: Iterable[str] = LOOPBACK,
        most_of_form: int = MOST_OF_FORM,
        most_of_files: int = MOST_OF_FILES,
    ) -> None:
        self.app, self.names = app, frozenset(names)
        self.most_of_form, self.most_of_files = most_of_form, most_of_files

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
        elif scope["type"] == "http":
            await self._answer(scope, receive, send)
        # Anything else (a web socket) has no use here and gets no answer.

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        send = _with_headers(send)
        headers = Headers(scope=scope)
        most = self.most_of_files if _has_files(headers) else self.most_of_form
        refused = self._refusal(scope, headers) or _refused_size(headers, most)
        if refused:
            await _refuse(*refused)(scope, receive, send)
            return
        started = False

        endless = "transfer-encoding" in headers

        async def sending(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start" and endless:
                # Whoever does not say how long a request is could go on after the answer, and it would be swallowed.
                MutableHeaders(scope=message)["connection"] = "close"
            started = True
            await send(message)

        try:
            await self.app(scope, _counted(receive, most), sending)
        except _TooMuch:
            if not started:
                await _refuse(413, _too_much(most))(scope, receive, send)

    def _refusal(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        if not self._asked_by_our_name(scope, headers):
            return 421, "This address is not one of the bench page's. Open the address that `fairpanel open` printed."
        if _tricky(scope):
            return 400, "This address is not one of the bench page's."
        if scope["method"] not in (*_LOOKING, "POST"):
            return 405, "The bench page knows no such request."
        if not _from_our_pages(scope, headers):
            return 403, "This came from another page than the bench page's own, so nothing was done."
        return None

    def _asked_by_our_name(self, scope: Scope, headers: Headers) -> bool:
        given = headers.getlist("host")
        if len(given) != 1:
            return False
        name, port = _split(given[0].lower())
        here = scope.get("server")
        return name in self.names and (here is None or port == (here[1] or 80))


# ---- who asks --------------------------------------------------------------------------------------------------


def _split(host: str) -> tuple[str, int]:
    """Name and port of a Host header; the port is -1 where it is no number."""
    name, colon, port = host.rpartition(":")
    if not colon or host.endswith("]"):
        return host, 80
    return name, int(port) if port.isascii() and port.isdigit() and len(port) <= 5 else -1


def _from_our_pages(scope: Scope, headers: Headers) -> bool:
    """Whether a request that changes something, or one made by a page and not by a person, comes from our pages.

    Browsers say where a request comes from in `Sec-Fetch-Site` (W3C Fetch Metadata Request Headers) and, with every
    POST, in `Origin` (WHATWG Fetch). A request that says neither is no form of ours.
    """
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if scope["method"] in _LOOKING:
        return site in (None, "none", "same-origin") or headers.get("sec-fetch-mode") == "navigate"
    own = f"{scope['scheme']}://{headers['host'].lower()}"
    if origin is not None and origin != own:
        return False
    return site == "same-origin" if site is not None else origin is not None


def _tricky(scope: Scope) -> bool:
    """Whether a path tries to climb, or hides a separator or an end of text."""
    raw: bytes = scope.get("raw_path") or scope["path"].encode()
    plain = unquote_to_bytes(raw.partition(b"?")[0])
    hidden = any(sign in raw.lower() for sign in (b"%2f", b"%5c", b"%00"))
    parts = plain.split(b"/")
    return hidden or b"\\" in plain or b"\0" in plain or b".." in parts or b"." in parts or b"" in parts[1:-1]


# ---- how much --------------------------------------------------------------------------------------------------


def _has_files(headers: Headers) -> bool:
    return headers.get("content-type", "").lower().startswith("multipart/form-data")


def _refused_size(headers: Headers, most: int) -> tuple[int, str] | None:
    length = headers.get("content-length")
    if length is None:
        return None
    if not (length.isascii() and length.isdigit()):
        return 400, "The request does not say how long it is."
    return (413, _too_much(most)) if int(length) > most else None


def _too_much(most: int) -> str:
    return f"That is more than {most // 1_000_000} MB at once. Nothing was kept. Give fewer or smaller files."


def _counted(receive: Receive, most: int) -> Receive:
    """Receive that stops as soon as more has come than may; nothing need be believed of what was announced."""
    came = 0

    async def counted() -> Message:
        nonlocal came
        message = await receive()
        came += len(message.get("body", b""))
        if came > most:
            raise _TooMuch
        return message

    return counted


# ---- answers ---------------------------------------------------------------------------------------------------


def _refuse(status: int, words: str) -> PlainTextResponse:
    return PlainTextResponse(words + "\n", status, {"connection": "close"})


def _with_headers(send: Send) -> Send:
    """Send that adds what every answer says to the browser, where the answer does not say it itself."""

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return sending
