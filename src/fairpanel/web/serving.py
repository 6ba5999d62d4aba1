"""Serving the bench page to this computer, and nobody else, until the command is ended."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import webbrowser
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import uvicorn

from fairpanel.storage.bench import RECORDS, URL_FILE, Bench

#: Tried first, so that a bookmark works from day to day; where it is taken, a free one is used.
USUAL_PORT = 8473

ADDRESS = "127.0.0.1"


def serve(folder: Path, *, port: int | None = None, browser: bool = True, say: Callable[[str], Any] = print) -> None:
    """Serve a bench until the process is told to end.

    Parameters
    ----------
    folder : path
        A bench, or a new or empty folder in which one is made.
    port : int or None
        None: the usual one, or a free one where that is taken. 0: a free one.
    browser : bool
        Open the browser as soon as the page can be asked for.
    say : callable
        Is told what a person at the terminal should know.

    Raises
    ------
    BenchError
        There is something else in the folder, or the bench cannot be read.
    """
    made = bench_at(folder)
    if made:
        say(f"There was no bench in {folder}: an empty one was made there.")
    listening = listen(ADDRESS, port)
    from fairpanel.web.app import create_app

    app = create_app(folder)
    where = f"http://{ADDRESS}:{listening.getsockname()[1]}/"
    server = Server(app, lambda: _ready(where, browser, say))
    with contextlib.suppress(KeyboardInterrupt):
        server.run([listening])
    say("Closed. Everything that was done is on the bench.")


def bench_at(folder: Path) -> bool:
    """Make sure there is a bench, and say whether one was made.

    Raises
    ------
    BenchError
        The folder holds other things, or may not be written.
    """
    if (folder / RECORDS).is_file() or (folder / URL_FILE).is_file():
        return False
    Bench.create(folder).close()
    return True


def listen(address: str, port: int | None) -> socket.socket:
    """A socket that listens; the port asked for, or any free one.

    Raises
    ------
    BenchError
        The port asked for is taken.
    """
    from fairpanel.storage.errors import BenchError

    for tried in [USUAL_PORT, 0] if port is None else [port]:
        opened = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_STREAM)
        if os.name == "posix":  # elsewhere it would let two programs have one port
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            opened.bind((address, tried))
            opened.listen(128)
            return opened
        except OSError:
            opened.close()
    raise BenchError(f"Port {port} is taken by another program. Leave out --port, and a free one is used.")


class Server(uvicorn.Server):
    """A server on sockets that listen already, which says when it is ready."""

    def __init__(self, app: Any, ready: Callable[[], Any] = lambda: None) -> None:
        super().__init__(
            uvicorn.Config(
                app,
                http="h11",
                ws="none",
                loop="asyncio",
                log_level="warning",
                access_log=False,
                server_header=False,
                proxy_headers=False,
                timeout_graceful_shutdown=3,
            )
        )
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start, and say so."""
        await super().startup(sockets=sockets)
        if self.started:
            self._ready()


def _ready(where: str, browser: bool, say: Callable[[str], Any]) -> None:
    say(f"The bench page is at {where} (this computer only). To end: Ctrl+C.")
    if browser:
        threading.Thread(target=webbrowser.open, args=(where,), daemon=True).start()
    threading.Thread(target=_load_what_takes_long, daemon=True).start()


#: What the pages behind the first one stand on.
_TAKES_LONG = ("fairpanel.jobs.publishing", "fairpanel.jobs.rehearsing")


def _load_what_takes_long() -> None:
    """Load the numerical libraries while the first page is being looked at."""
    from fairpanel.methods import all_methods

    for name in _TAKES_LONG:
        import_module(name)
    all_methods()
