"""The door for a phone: shut unless somebody opens it, and it shuts by itself.

While it is open a second server listens on the local network. It knows a few pages only, and answers none of them
before the phone has shown a token of 128 bits that is good once and stands in the code on the computer's screen. The
phone then holds a key of its own in a cookie. Too many wrong tokens, the end of the time or a button shut the door,
and with it the second server is gone.
"""

from __future__ import annotations

import hmac
import secrets
import socket
import threading
import time
from collections.abc import Callable, Iterable
from contextlib import closing

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import HTTPConnection, Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from fairpanel.storage.errors import BenchError
from fairpanel.web import static
from fairpanel.web.app import Nav, assemble
from fairpanel.web.faults import Faults, answer
from fairpanel.web.guard import Guard
from fairpanel.web.rendering import page
from fairpanel.web.serving import Server, listen
from fairpanel.web.veiling import Veiling

#: How long the door stays open. [s]
OPEN_SECONDS = 30 * 60

#: Wrong tokens after which it is shut.
MOST_WRONG = 10

#: Most that a phone may send at once: a few pictures. [byte]
MOST_OF_FILES = 200_000_000

COOKIE = "bench_phone"

_NOT_IN = "This phone has not been let in. Scan the code that the computer at the bench shows under “Phone”."


class NoNetwork(BenchError):
    """This computer is in no local network."""


class PhoneDoor:
    """The door of one bench.

    Parameters
    ----------
    bench : Starlette
        The bench page; the phone's pages see the same bench and work.
    routes : iterable of routes
        What a phone that was let in may ask for, and nothing else.
    nav : list of Nav
        Its bar at the top.
    clock : callable
        Seconds, for the end of the time.
    """

    def __init__(
        self,
        bench: Starlette,
        routes: Iterable[BaseRoute],
        nav: list[Nav],
        clock: Callable[[], float] = time.time,
    ) -> None:
        self._bench, self._routes, self._nav, self._clock = bench, list(routes), nav, clock
        self._turn = threading.RLock()
        self._server: Server | None = None
        self._shutting: threading.Timer | None = None
        self._token = ""
        self._keys: dict[str, str] = {}
        self._wrong = 0
        self._ends = 0.0
        self.address = ""
        self.why_shut = ""

    # ---- opening and shutting ------------------------------------------------------------------------------

    def open(self, address: str | None = None) -> None:
        """Open the door, or, where it is open, make a new token for another phone.

        Parameters
        ----------
        address : str
            Address of this computer to listen on; its address in the local network if None.

        Raises
        ------
        NoNetwork
        """
        with self._turn:
            if not self.is_open:
                self.shut()
                here = address or local_address()
                listening = listen(here, 0)
                self.address = f"http://{here}:{listening.getsockname()[1]}"
                self._serve(here, listening)
                self._ends = self._clock() + OPEN_SECONDS
                self._shutting = threading.Timer(OPEN_SECONDS, self.shut, ("The half hour was over.",))
                self._shutting.daemon = True
                self._shutting.start()
                self._wrong, self.why_shut = 0, ""
            self._token = secrets.token_urlsafe(16)

    def shut(self, why: str = "") -> None:
        """Shut the door: the second server ends and no key opens anything any more."""
        with self._turn:
            server, self._server = self._server, None
            timer, self._shutting = self._shutting, None
            self._token, self._keys, self.address = "", {}, ""
            if server:
                self.why_shut = why
        if timer:
            timer.cancel()
        if server:
            server.should_exit = True

    @property
    def is_open(self) -> bool:
        """Whether a phone may come in or is in; the time is looked at each time it is asked."""
        with self._turn:
            if self._server and self._clock() >= self._ends:
                self.shut("The half hour was over.")
            return self._server is not None

    @property
    def seconds_left(self) -> float:
        """Until it shuts by itself. [s]"""
        return max(self._ends - self._clock(), 0.0) if self.is_open else 0.0

    @property
    def invitation(self) -> str:
        """Address with the token, for the code on the screen; empty where none is waiting."""
        with self._turn:
            return f"{self.address}/enter/{self._token}" if self.is_open and self._token else ""

    @property
    def pages(self) -> list[str]:
        """Names of what a phone may see."""
        return [one.name for one in self._nav]

    @property
    def phones(self) -> int:
        """How many have been let in."""
        return len(self._keys) if self.is_open else 0

    def _serve(self, here: str, listening: socket.socket) -> None:
        server = Server(self._app(here))
        threading.Thread(target=server.run, args=([listening],), name="phone", daemon=True).start()
        self._server = server

    def _app(self, here: str) -> Starlette:
        app = assemble(
            [*static.ROUTES, Route("/enter/{token}", self._enter, methods=["GET", "POST"]), *self._routes],
            [
                Middleware(Guard, names=(here,), most_of_files=MOST_OF_FILES),
                Middleware(Faults),
                Middleware(_Closed, door=self),
                Middleware(Veiling),
            ],
        )
        ours, its = self._bench.state, app.state
        its.folder, its.bench_name, its.work, its.messages = ours.folder, ours.bench_name, ours.work, ours.messages
        its.nav, its.on_phone = self._nav, True
        return app

    # ---- letting in ----------------------------------------------------------------------------------------

    def let_in(self, token: str, came_from: str) -> str:
        """A key for a phone that shows the token; empty where the token is not (or no longer) the right one."""
        with self._turn:
            if not self.is_open:
                return ""
            if not self.fits(token):
                self._wrong += 1
                if self._wrong >= MOST_WRONG:
                    self.shut("Somebody tried codes that were wrong, again and again.")
                return ""
            self._token = ""
            key = secrets.token_urlsafe(32)
            self._keys[key] = came_from
            return key

    def fits(self, token: str) -> bool:
        """Whether it is the token that waits."""
        return bool(self._token) and hmac.compare_digest(token.encode(), self._token.encode())

    def knows(self, key: str, came_from: str) -> bool:
        """Whether a phone with this key, asking from that address, was let in."""
        with self._turn:
            if not self.is_open:
                return False
            found = [a for k, a in self._keys.items() if hmac.compare_digest(k.encode(), key.encode())]
            return came_from in found

    def _enter(self, request: Request) -> Response:
        # Looking does not use the token up: phones load addresses beforehand to show what is behind them.
        token, came_from = request.path_params["token"], _came_from(request)
        if request.method == "GET":
            if self.fits(token):
                return page(request, "phone_enter.html", title="Let this phone in", nav=[])
            self.let_in(token, came_from)
            return answer(request, 403, "This code was used already, or is none. Ask the computer for a new one.")
        key = self.let_in(token, came_from)
        if not key:
            return answer(request, 403, "This code was used already, or is none. Ask the computer for a new one.")
        told = RedirectResponse("/", 303)
        left = int(self.seconds_left)
        told.set_cookie(COOKIE, key, max_age=left, path="/", httponly=True, samesite="strict")
        return told


class _Closed:
    """Middleware: nothing but the way in and the style is answered to whom was not let in."""

    def __init__(self, app: ASGIApp, *, door: PhoneDoor) -> None:
        self.app, self.door = app, door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and not self._may(HTTPConnection(scope)):
            request = Request(scope)
            await answer(request, 403, _NOT_IN)(scope, receive, send)
            return
        await self.app(scope, receive, send)

    def _may(self, asked: HTTPConnection) -> bool:
        if not self.door.is_open:
            return False
        if asked.url.path.startswith(("/enter/", "/static/")) or asked.url.path == "/favicon.ico":
            return True
        return self.door.knows(asked.cookies.get(COOKIE, ""), _came_from(asked))


def _came_from(asked: HTTPConnection) -> str:
    return asked.client.host if asked.client else ""


def local_address() -> str:
    """This computer's address in the local network. Nothing is sent to find it.

    Raises
    ------
    NoNetwork
    """
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as line:
        try:
            line.connect(("192.0.2.1", 9))  # an address for documents (RFC 5737): only the way to it is looked up
            found = str(line.getsockname()[0])
        except OSError:
            found = ""
    if not found or found.startswith(("127.", "0.")):
        raise NoNetwork(
            "This computer is in no local network, so no phone can reach it. Connect it to the same wireless network "
            "as the phone, or copy the pictures over by cable and add them on the page “Pictures”."
        )
    return found
