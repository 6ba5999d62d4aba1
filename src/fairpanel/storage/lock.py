"""One writer at a time: a lock that ends with the process that holds it."""

from __future__ import annotations

import contextlib
import os
import socket
import sys
import time
from contextvars import ContextVar
from datetime import UTC, datetime
from pathlib import Path

from fairpanel.storage.errors import BenchError, BenchInUse

_HELD_AT = 1 << 20  # Windows locks bytes, and locked bytes cannot be read: lock one far behind the text

_held_here: set[int] = set()

#: How long to wait for another writer before giving up; set where somebody else's moment is worth waiting for. [s]
PATIENCE: ContextVar[float] = ContextVar("PATIENCE", default=0.0)

_ASK_EVERY, _LONG = 0.02, 60.0


class WriterLock:
    """The right to write to a bench.

    The operating system holds it, tied to the open file: when the process ends, however it ends, the lock is
    gone. The text in the file only tells others who is writing; it is not the lock, and a text left behind
    blocks nobody.

    Parameters
    ----------
    file : Path
    doing : str
        What the holder is about, for the message to others.

    Raises
    ------
    BenchInUse
        Somebody else is writing, longer than `PATIENCE`; the message says who, since when, and what to do.
    """

    def __init__(self, file: Path, doing: str = "") -> None:
        self._file = file
        self._handle = os.open(file, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o666)
        try:
            _take_with_patience(self._handle, PATIENCE.get())
        except BlockingIOError:
            holder = _read(self._handle)
            os.close(self._handle)
            raise BenchInUse(_in_use(file.parent, holder)) from None
        except OSError as problem:
            os.close(self._handle)
            raise BenchError(
                f"{file} cannot be locked on this kind of disk ({problem.strerror}). Copy the bench to a "
                "disk of this computer and work there; two writers at once would spoil it."
            ) from problem
        _held_here.add(self._handle)
        with contextlib.suppress(OSError):  # a full disk must not keep anybody from a bench
            _write(self._handle, f"{_who()}\n{datetime.now(UTC).isoformat(timespec='seconds')}\n{doing}\n")

    def release(self) -> None:
        """Let others write."""
        if self._handle in _held_here:
            _held_here.discard(self._handle)
            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, 0)
            os.close(self._handle)


class WriterMoments:
    """The right to write, taken anew for each moment it is needed, so that others can write in between.

    Use it in a `with` statement. It waits for others rather than give up work that took long.
    """

    def __init__(self, file: Path, doing: str = "") -> None:
        self._file, self._doing = file, doing
        self._lock: WriterLock | None = None

    def __enter__(self) -> None:
        before = PATIENCE.set(max(PATIENCE.get(), _LONG))
        try:
            self._lock = WriterLock(self._file, self._doing)
        finally:
            PATIENCE.reset(before)

    def __exit__(self, *about: object) -> None:
        if self._lock:
            self._lock.release()
            self._lock = None


def _take_with_patience(handle: int, seconds: float) -> None:
    """Take the lock, asking again until the time is over."""
    until = time.monotonic() + seconds
    while True:
        try:
            _take(handle)
            return
        except BlockingIOError:
            if time.monotonic() >= until:
                raise
            time.sleep(_ASK_EVERY)


def _who() -> str:
    return f"process {os.getpid()} on {socket.gethostname()}"


def _in_use(folder: Path, holder: list[str]) -> str:
    who, since, doing = [*holder, "", "", ""][:3]
    told = who or "another process"
    if doing:
        told += f" ({doing})"
    if since:
        told += f", since {since}"
    return (
        f"The bench {folder} is being written to by {told}. Wait until it is done, or close it, and try "
        "again. Looking at results is possible meanwhile."
    )


def _read(handle: int) -> list[str]:
    os.lseek(handle, 0, os.SEEK_SET)
    return os.read(handle, 1000).decode("utf-8", "replace").splitlines()


def _write(handle: int, text: str) -> None:
    os.ftruncate(handle, 0)
    os.lseek(handle, 0, os.SEEK_SET)
    os.write(handle, text.encode())


if sys.platform == "win32":
    import msvcrt

    def _take(handle: int) -> None:
        os.lseek(handle, _HELD_AT, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError as problem:
            raise BlockingIOError from problem

else:
    import fcntl

    def _take(handle: int) -> None:
        # flock and not lockf: lockf's lock is lost as soon as the process closes any other handle of the
        # file.
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _forget_in_child() -> None:
        # A forked worker shares the lock; one that outlives a killed parent would go on holding it.
        for handle in _held_here:
            with contextlib.suppress(OSError):
                os.close(handle)
        _held_here.clear()

    os.register_at_fork(after_in_child=_forget_in_child)
