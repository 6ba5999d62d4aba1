"""Progress on long work, on standard error, only where someone is watching."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress() -> Iterator[Callable[[int, int, str], None]]:
    """A function `(done, of, what)` that keeps one line up to date."""
    watching = sys.stderr.isatty()
    width = 0

    def tell(done: int, of: int, what: str) -> None:
        nonlocal width
        if watching and of:
            line = f"{done} of {of} {what}"
            sys.stderr.write("\r" + line.ljust(width))
            sys.stderr.flush()
            width = len(line)

    try:
        yield tell
    finally:
        if watching and width:
            sys.stderr.write("\r" + " " * width + "\r")
            sys.stderr.flush()
