"""What can go wrong with a bench, named after the situation the tester is in.

Every message says what is wrong, where, and what to do.
"""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy.exc import DBAPIError, IntegrityError


class BenchError(Exception):
    """Something about the bench; the message is meant for the tester."""


class NoBench(BenchError):
    """There is no bench in that folder."""


class BenchExists(BenchError):
    """A new bench was asked for where something lies already."""


class NewerBench(BenchError):
    """The bench was last written by a newer version of the program."""


class OlderBench(BenchError):
    """The bench needs bringing up to date, and cannot be here."""


class BenchInUse(BenchError):
    """Another process is writing."""


class NotWriting(BenchError):
    """The bench was opened for looking only."""


class CannotWrite(BenchError):
    """The folder or its files may not be written."""


class DiskFull(BenchError):
    """No room left; nothing of the last step was kept."""


class BenchDamaged(BenchError):
    """The records cannot be read."""


class OriginalDamaged(BenchError):
    """A picture is no longer what was taken in."""

    kind = "damaged original"


class OriginalMissing(BenchError):
    """A picture's file is gone."""

    kind = "missing original"


class NotOnBench(BenchError):
    """A record is named that the bench does not hold."""


class NeverChanged(BenchError):
    """A record was to be changed or taken away in place."""


class ReasonNeeded(BenchError):
    """Something on record would change, and nobody said why.

    `lines` are the lines of the table that differ from what is on record.
    """

    def __init__(self, message: str, lines: tuple[int, ...] = ()) -> None:
        super().__init__(message)
        self.lines = lines


class AlreadyReplaced(BenchError):
    """The entry to be changed is not the newest of its line."""


class ReadNotFinished(BenchError):
    """Results were asked of a read that was not brought to its end."""


class ReadFinished(BenchError):
    """Something was to be added to a read that is closed."""


_NO_ROOM = {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)}
_NOT_ALLOWED = {errno.EACCES, errno.EPERM, errno.EROFS}


@contextmanager
def in_plain_words(folder: Path) -> Iterator[None]:
    """Turn what the operating system and the database raise into the errors above."""
    try:
        yield
    except DBAPIError as problem:
        raise _of_database(problem, folder) from problem
    except sqlite3.Error as problem:
        raise _of_sqlite(problem, folder) from problem
    except OSError as problem:
        raise _of_system(problem, folder) from problem


def _of_system(problem: OSError, folder: Path) -> BenchError:
    if problem.errno in _NO_ROOM:
        return disk_full(folder)
    if problem.errno in _NOT_ALLOWED:
        return CannotWrite(
            f"{problem.filename or folder} may not be written ({problem.strerror}). Close whatever holds it, "
            "or give yourself the right to write there, and try again."
        )
    return CannotWrite(
        f"{problem.filename or folder} cannot be used ({problem.strerror or problem}). Check that the disk "
        "is there and that the name is one of a folder."
    )


def _of_database(problem: DBAPIError, folder: Path) -> BenchError:
    if isinstance(problem.orig, sqlite3.Error):
        return _of_sqlite(problem.orig, folder)
    if isinstance(problem, IntegrityError):
        return NotOnBench(f"The records of {folder} do not allow this: {problem.orig}. Nothing was saved.")
    return BenchDamaged(f"The records of {folder} cannot be used: {problem.orig}")


def _of_sqlite(problem: sqlite3.Error, folder: Path) -> BenchError:
    code = getattr(problem, "sqlite_errorcode", None) or 0
    kind = code & 0xFF  # the low byte is the primary result code, https://www.sqlite.org/rescode.html
    # No room for the shared index beside the log is reported as an input/output error of its own.
    if kind == sqlite3.SQLITE_FULL or code == sqlite3.SQLITE_IOERR_SHMSIZE:
        return disk_full(folder)
    if kind in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return BenchInUse(
            f"Another program holds the records of {folder}. Close it (a database viewer, a backup) and try "
            "again; nothing was changed."
        )
    if kind in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        return CannotWrite(
            f"The records of {folder} cannot be opened or written ({problem}). Check that the folder is not "
            "write-protected and belongs to you."
        )
    if code == sqlite3.SQLITE_CONSTRAINT_TRIGGER:
        return NeverChanged(f"The records of {folder}: {problem}. Nothing was saved.")
    if kind == sqlite3.SQLITE_CONSTRAINT:
        return NotOnBench(f"The records of {folder} do not allow this: {problem}. Nothing was saved.")
    return BenchDamaged(
        f"The records of {folder} cannot be read ({problem}). Do not write to it; copy the folder as it is "
        "and take the newest backup that `check` finds whole."
    )


def disk_full(folder: Path) -> DiskFull:
    """The error for a full disk."""
    return DiskFull(
        f"The disk that holds {folder} is full. Nothing of this step was kept and what was saved before is "
        "whole. Make room and do the step again."
    )
