"""Copies of a bench that are whole even while somebody works on it."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from fairpanel.storage.originals import sync_folder


def copy_records(file: Path, to: Path) -> None:
    """Copy a SQLite file as it stands after its last transaction, log included.

    Raises
    ------
    OSError, sqlite3.Error
        Turned into plain words by the callers.
    """
    part = to.with_name(f"{to.name}.part")
    part.unlink(missing_ok=True)
    source = sqlite3.connect(f"{file.resolve().as_uri()}?mode=rw", uri=True)
    try:
        target = sqlite3.connect(part)
        try:
            source.backup(target)
            target.execute("PRAGMA journal_mode = DELETE")  # one file, nothing beside it
        finally:
            target.close()
        with part.open("rb+") as stream:
            os.fsync(stream.fileno())
        os.replace(part, to)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    finally:
        source.close()
    sync_folder(to.parent)
