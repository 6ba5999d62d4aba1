"""Backups: a bench copied while it may be in use, and back again."""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path

from sqlalchemy import Connection, create_engine, select

from fairpanel.storage import tables
from fairpanel.storage.bench import RECORDS, URL_FILE, Bench, must_be_bench, must_be_free
from fairpanel.storage.checking import Problem
from fairpanel.storage.codec import loads
from fairpanel.storage.copying import copy_records
from fairpanel.storage.errors import BenchError, OriginalMissing, in_plain_words
from fairpanel.storage.originals import Originals, sync_folder
from fairpanel.storage.pictures import files_named

_BEING_COPIED = f"{RECORDS}.new"


def backup(folder: str | Path, to: str | Path) -> list[Problem]:
    """Copy a bench as it stands after its last saved step, even while somebody writes to it.

    The copy is a bench like any other: it can be opened, checked, or given to `restore`. It is one only when
    it is complete; a copy that was stopped is not taken for a bench.

    Parameters
    ----------
    to : path
        A new or empty folder.

    Returns
    -------
    list of Problem
        What `check` finds in the copy. Pictures that are damaged are copied as they are.

    Raises
    ------
    NoBench, NewerBench, BenchExists, DiskFull, CannotWrite
    BenchError
        The records are kept on a database server.
    """
    folder, to = Path(folder), Path(to)
    must_be_bench(folder)
    if (folder / URL_FILE).exists():
        raise BenchError(
            f"The records of {folder} are kept on a database server. Back them up with the server's own "
            "tools, and copy the folders `originals` and `publications` afterwards."
        )
    with in_plain_words(to):
        must_be_free(to)
        _copy(folder, to)
    with Bench.open(to) as copy:
        return copy.check()


def restore(kept: str | Path, to: str | Path) -> list[Problem]:
    """Make a bench from a backup, in a new folder; the backup stays as it is.

    A damaged bench is not written over: restore beside it, look, then move the old one away.

    Raises
    ------
    NoBench, NewerBench, BenchExists, DiskFull, CannotWrite
    """
    return backup(kept, to)


def _copy(folder: Path, to: Path) -> None:
    originals = Originals(to / "originals")
    originals.make()
    (to / "publications").mkdir(exist_ok=True)
    # Records first: every file they name was in its place before they named it, and none is ever taken away.
    fresh = to / _BEING_COPIED
    copy_records(folder / RECORDS, fresh)
    engine = create_engine("sqlite://", creator=lambda: sqlite3.connect(fresh))
    try:
        with engine.connect() as connection:
            _copy_originals(Originals(folder / "originals"), originals, files_named(connection))
            _copy_publications(connection, folder, to)
    finally:
        engine.dispose()
    os.replace(fresh, to / RECORDS)
    sync_folder(to)


def _copy_originals(source: Originals, target: Originals, named: dict[str, str]) -> None:
    for file in named:
        place = target.folder / file
        place.parent.mkdir(exist_ok=True)
        try:
            _copy_file(source.path(file), place)
        except OriginalMissing:
            continue  # the check of the copy tells


def _copy_publications(connection: Connection, folder: Path, to: Path) -> None:
    publication = tables.publication
    for kept, files in connection.execute(select(publication.c.folder, publication.c.files)):
        if not kept.startswith("publications/"):
            continue
        for place in loads(files):
            if (folder / kept / place).is_file():
                (to / kept / place).parent.mkdir(parents=True, exist_ok=True)
                _copy_file(folder / kept / place, to / kept / place)


def _copy_file(source: Path, target: Path) -> None:
    shutil.copyfile(source, target)
    with target.open("rb+") as stream:
        os.fsync(stream.fileno())
