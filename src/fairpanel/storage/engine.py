"""Connections to the records, with the settings that keep them safe."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import QueuePool

APPLICATION_ID = 0x4650424E
"""Written into the head of a bench's SQLite file, so that it can be told from any other (ASCII "FPBN")."""

_WAIT_S = 10.0
_SAVING = "fairpanel_saving"


def sqlite_engine(file: Path, *, writing: bool, create: bool = False, foreign_keys: bool = True) -> Engine:
    """An engine on a bench's SQLite file.

    Parameters
    ----------
    file : Path
        Must exist unless `create`.
    writing : bool
        Otherwise SQLite refuses every change.
    foreign_keys : bool
        False only while tables are rebuilt; SQLite cannot switch it within a transaction.
    """
    mode = "rwc" if create else "rw"
    if not writing and not _beside_may_be_written(file):
        # A stick with its switch on "lock": the log cannot be opened there, and nobody else can be writing.
        mode = "ro&immutable=1"
    address = f"{file.resolve().as_uri()}?mode={mode}"

    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(address, uri=True, timeout=_WAIT_S, check_same_thread=False)
        _settle(connection, writing=writing, foreign_keys=foreign_keys)
        return connection

    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool)
    event.listen(engine, "begin", _begin)
    return engine


def database_engine(url: str) -> Engine:
    """An engine on a shared database server."""
    return create_engine(url)


def saving(engine: Engine) -> Engine:
    """The same engine, taking the right to write at the start of every transaction rather than midway."""
    return engine.execution_options(**{_SAVING: True})


def close(engine: Engine, *, writing: bool) -> None:
    """Bring the log into the main file, so that a copied bench is one file, and let go of it."""
    if writing and engine.dialect.name == "sqlite":
        raw = engine.raw_connection()
        try:
            raw.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except sqlite3.Error:
            pass  # nothing is lost: what was saved stands in the log, and the next to open the bench finds it
        finally:
            raw.close()
    engine.dispose()


def head_of(file: Path) -> tuple[int, int] | None:
    """Application and form number in the head of a SQLite file, or None if it is none.

    Read as plain bytes, so that a bench that must not be touched is not: offsets 68 and 60, big-endian
    (https://www.sqlite.org/fileformat2.html, section 1.3, from memory).
    """
    with file.open("rb") as stream:
        head = stream.read(100)
    if len(head) < 100 or not head.startswith(b"SQLite format 3\0"):
        return None
    return int.from_bytes(head[68:72], "big"), int.from_bytes(head[60:64], "big")


def _settle(connection: sqlite3.Connection, *, writing: bool, foreign_keys: bool) -> None:
    connection.isolation_level = None  # transactions are begun by `_begin`, so that they cover tables as well as rows
    settings: dict[str, Any] = {
        "synchronous": "FULL",
        "fullfsync": 1,  # macOS: flush the drive's own cache too
        "checkpoint_fullfsync": 1,
        "foreign_keys": int(foreign_keys),
        "recursive_triggers": 1,  # else INSERT OR REPLACE slips past the delete trigger
        "query_only": 0 if writing else 1,
    }
    if writing:
        connection.execute("PRAGMA journal_mode = WAL").fetchall()
    for name, value in settings.items():
        connection.execute(f"PRAGMA {name} = {value}").fetchall()


def _begin(connection: Connection) -> None:
    right_away = connection.get_execution_options().get(_SAVING)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if right_away else "BEGIN")


def _beside_may_be_written(file: Path) -> bool:
    return os.access(file.parent, os.W_OK) and os.access(file, os.W_OK)
