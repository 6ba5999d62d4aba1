"""Long work behind the page: one piece after another, with progress, and each can be stopped."""

from __future__ import annotations

import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

Progress = Callable[[int, int, str], None]

WAITING, RUNNING, DONE, FAILED, STOPPED = "waiting", "running", "done", "failed", "stopped"

#: How long a page or a piece of work waits for somebody else who is writing at the moment. [s]
PATIENT_SECONDS = 5.0

#: Finished pieces that are remembered.
_KEPT = 50


class Stopped(Exception):
    """The tester stopped the work."""


@dataclass
class Piece:
    """A piece of work.

    Parameters
    ----------
    id : str
        Random; stands in addresses.
    kind : str
        What it is, for the page that began it ("reading", "rehearsal").
    title : str
        What it is, for people ("Reading 12 pictures").
    then : str
        Address of the page that shows what came of it; may be empty.
    state : {"waiting", "running", "done", "failed", "stopped"}
    done, of, what : int, int, str
        How far it is: `done` of `of` things, called `what`.
    result : object
        What it gave back.
    error : Exception or None
        Why it failed.
    about : object
        What it was asked, for the page that shows it.
    """

    id: str
    kind: str
    title: str
    then: str = ""
    about: Any = None
    state: str = WAITING
    done: int = 0
    of: int = 0
    what: str = ""
    result: Any = None
    error: Exception | None = None
    began: float = field(default_factory=time.monotonic)
    ended: float | None = None
    _stop: threading.Event = field(default_factory=threading.Event)

    @property
    def going(self) -> bool:
        """Whether it is still to be waited for."""
        return self.state in (WAITING, RUNNING)

    @property
    def seconds(self) -> float:
        """How long it has been going, or went. [s]"""
        return (self.ended or time.monotonic()) - self.began

    def stop(self) -> None:
        """Ask it to stop; it does at its next step."""
        self._stop.set()

    def tell(self, done: int, of: int, what: str) -> None:
        """Take down how far the work is.

        Raises
        ------
        Stopped
            The tester stopped it.
        """
        if self._stop.is_set():
            raise Stopped
        self.done, self.of, self.what = done, of, what


class Work:
    """All work of one bench. What writes is done one after another; what only computes waits for none of it."""

    def __init__(self) -> None:
        self._pieces: OrderedDict[str, Piece] = OrderedDict()
        self._turn = threading.Lock()
        self._writing = ThreadPoolExecutor(1, thread_name_prefix="writing")
        self._computing = ThreadPoolExecutor(2, thread_name_prefix="computing")

    def begin(
        self,
        kind: str,
        title: str,
        do: Callable[[Progress], Any],
        *,
        writes: bool,
        then: str = "",
        about: Any = None,
    ) -> Piece:
        """Begin a piece of work and give it back at once.

        Parameters
        ----------
        kind, title, then, about
            As in `Piece`.
        do : callable
            Is given a function `(done, of, what)`, to be called often: it is also what stops the work.
        writes : bool
            Whether it changes the bench.
        """
        piece = Piece(secrets.token_urlsafe(9), kind, title, then, about)
        with self._turn:
            self._pieces[piece.id] = piece
            for old in [p for p in self._pieces.values() if not p.going][:-_KEPT]:
                del self._pieces[old.id]
        line = self._writing if writes else self._computing
        ended: Future[None] = line.submit(_run, piece, do)
        ended.add_done_callback(lambda _: None)
        return piece

    def piece(self, id: str) -> Piece | None:
        """A piece of work, or None where it is not known (any more)."""
        with self._turn:
            return self._pieces.get(id)

    def pieces(self, kind: str | None = None) -> list[Piece]:
        """All that are remembered, the newest first."""
        with self._turn:
            found = reversed(self._pieces.values())
            return [p for p in found if kind is None or p.kind == kind]

    def going(self) -> list[Piece]:
        """What is waiting or running, the newest first."""
        return [p for p in self.pieces() if p.going]

    def close(self) -> None:
        """Stop everything and wait until it has."""
        for piece in self.going():
            piece.stop()
        for line in (self._writing, self._computing):
            line.shutdown(wait=True, cancel_futures=True)


def _run(piece: Piece, do: Callable[[Progress], Any]) -> None:
    from fairpanel.storage.lock import PATIENCE

    PATIENCE.set(PATIENT_SECONDS)
    try:
        piece.tell(0, 0, "")
        piece.state = RUNNING
        piece.result = do(piece.tell)
        state = DONE
    except Stopped:
        state = STOPPED
    except Exception as problem:  # told on the page; the next piece must still have its turn
        piece.error, state = problem, FAILED
    piece.ended, piece.state = time.monotonic(), state
