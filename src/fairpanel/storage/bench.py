"""The bench: one folder that holds everything a tester owns.

bench.sqlite       the records
originals/         pictures and tables as received, under their SHA-256
publications/      what was published
bench.lock         who is writing
"""

from __future__ import annotations

import os
import secrets
import shutil
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, insert, select

from fairpanel.storage import engine as engines
from fairpanel.storage import moments, tables
from fairpanel.storage.checking import Problem, problems_of
from fairpanel.storage.codec import dumps, loads
from fairpanel.storage.copying import copy_records
from fairpanel.storage.errors import (
    BenchDamaged,
    BenchExists,
    NewerBench,
    NoBench,
    OlderBench,
    in_plain_words,
)
from fairpanel.storage.lock import WriterLock, WriterMoments
from fairpanel.storage.migrate import is_newer, migrate, revision_of
from fairpanel.storage.originals import Originals, sync_folder
from fairpanel.storage.pictures import files_named
from fairpanel.storage.publications import Publications

RECORDS = "bench.sqlite"
LOCK = "bench.lock"
URL_FILE = "bench.url"
_BEING_MADE = "bench.sqlite.new"


class Bench(Publications):
    """A bench, opened. Use it in a `with` statement, or `close` it.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.mkdtemp()
    >>> with Bench.create(folder, zone="Europe/Berlin") as bench:
    ...     picture = bench.keep_original(b"not a real picture", "IMG 1.JPG")
    >>> with Bench.open(folder) as bench:
    ...     [one.name for one in bench.pictures()]
    ['IMG 1.JPG']
    """

    # ---- making and opening --------------------------------------------------------------------------------

    @classmethod
    def create(cls, folder: str | Path, *, name: str = "", zone: str | None = None, url: str | None = None) -> Bench:
        """Make a new bench and open it for writing.

        Parameters
        ----------
        folder : path
            Must be empty or not exist.
        name : str
            The bench's name; the folder's if empty.
        zone : str
            Time zone of times written without offset ("Europe/Berlin", "+01:00"); the computer's if None.
        url : str
            SQLAlchemy address of a database server to keep the records in, where several testers share a
            bench. It is written into the folder, so leave passwords to the server's own password file.

        Raises
        ------
        BenchExists, CannotWrite, DiskFull
        ValueError
            No such time zone.
        """
        folder = Path(folder)
        zone = zone or moments.system_zone()
        moments.zone_of(zone)
        with in_plain_words(folder):
            must_be_free(folder)
            folder.mkdir(parents=True, exist_ok=True)
            lock = WriterLock(folder / LOCK, "making the bench")
        try:
            with in_plain_words(folder):
                _make(folder, {"name": name or folder.resolve().name, "zone": zone}, url)
        finally:
            lock.release()
        return cls.open(folder, writing=True)

    @classmethod
    def open(cls, folder: str | Path, *, writing: bool = False, doing: str = "", in_moments: bool = False) -> Bench:
        """Open a bench. One made by an older version is brought up to date, after a copy is put beside it.

        Parameters
        ----------
        writing : bool
            One process at a time can write; any number can look meanwhile.
        doing : str
            What for, in the message that another writer gets ("reading pictures").
        in_moments : bool
            For long work that saves now and then: others may write in between. Not for taking in pictures or
            keeping publications, whose unfinished files the next writer would clear away.

        Raises
        ------
        NoBench, NewerBench, OlderBench, BenchInUse, BenchDamaged, CannotWrite, DiskFull
        """
        folder = Path(folder)
        with in_plain_words(folder):
            must_be_bench(folder)
            lock = WriterLock(folder / LOCK, doing) if writing else None
            try:
                engine, zone = _opened(folder, lock)
                bench = cls(folder, engine, lock, zone)
                if writing:
                    bench._finish_interrupted()
                if lock and in_moments:
                    bench._lock, bench._moments = None, WriterMoments(folder / LOCK, doing)
                    lock.release()
            except BaseException:
                if lock:
                    lock.release()
                raise
        return bench

    def close(self) -> None:
        """Let go of the bench; everything is then in one file and the originals."""
        engines.close(self._engine, writing=self.writing)
        if self._lock:
            self._lock.release()

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, *about: object) -> None:
        self.close()

    def _finish_interrupted(self) -> None:
        with self._engine.connect() as connection:
            named = files_named(connection)
        self._originals.recover(named)
        for part in (self.folder / "publications").glob("*.part"):
            shutil.rmtree(part, ignore_errors=True)

    # ---- about the bench -----------------------------------------------------------------------------------

    @property
    def about(self) -> dict[str, Any]:
        """The bench's own settings: name and time zone."""
        return dict(self.nouns("bench")[0].body)

    def check(self) -> list[Problem]:
        """What is wrong with the bench: hashes, missing or unknown files, records. Empty if it is whole."""
        with self._looking() as connection:
            return problems_of(connection, self._originals, self.folder, self.publications())


# ---- making ------------------------------------------------------------------------------------------------


def must_be_free(folder: Path) -> None:
    """Refuse a folder in which something lies that is not a bench left half-made."""
    if folder.is_file():
        raise BenchExists(f"{folder} is a file. Give the name of a new or empty folder.")
    left_over = {LOCK, "originals", "publications"}
    there = [p.name for p in folder.iterdir()] if folder.is_dir() else []
    if RECORDS in there or URL_FILE in there:
        raise BenchExists(f"{folder} is a bench already. Open it, or give another folder.")
    # A kill while a bench is being made leaves some of these, empty of anything saved.
    if any(name not in left_over and not name.startswith(_BEING_MADE) for name in there):
        raise BenchExists(f"{folder} holds other things. Give the name of a new or empty folder.")


def _make(folder: Path, about: dict[str, str], url: str | None) -> None:
    Originals(folder / "originals").make()
    (folder / "publications").mkdir(exist_ok=True)
    if url:
        _fill(engines.database_engine(url), about)
        (folder / URL_FILE).write_text(url + "\n", encoding="utf-8")
        return
    for old in folder.glob(f"{_BEING_MADE}*"):
        old.unlink()
    # Made under another name: a bench that stands under its own is complete.
    fresh = folder / _BEING_MADE
    _fill(engines.sqlite_engine(fresh, writing=True, create=True, foreign_keys=False), about)
    os.replace(fresh, folder / RECORDS)
    sync_folder(folder)


def _fill(engine: Engine, about: dict[str, str]) -> None:
    at, offset = moments.now(moments.zone_of(about["zone"]))
    try:
        migrate(engine)
        with engine.begin() as connection:
            connection.execute(
                insert(tables.entry),
                [
                    {
                        "id": secrets.token_hex(8),
                        "noun": "bench",
                        "name": about["name"],
                        "body": dumps(about),
                        "reason": "",
                        "made_at": at,
                        "made_offset": offset,
                    }
                ],
            )
    finally:
        engines.close(engine, writing=True)


# ---- opening -----------------------------------------------------------------------------------------------


def must_be_bench(folder: Path) -> None:
    """Look at the folder, and at the head of its records as plain bytes: what is refused stays untouched."""
    if (folder / URL_FILE).is_file():
        return
    file = folder / RECORDS
    if not file.is_file():
        raise NoBench(f"There is no bench in {folder}. Give the folder of one, or make it with `fairpanel new`.")
    head = engines.head_of(file)
    if head is None:
        raise BenchDamaged(
            f"{file} is not a file of records, or has lost its beginning. Copy the folder as it is and take "
            "the newest backup that `check` finds whole."
        )
    application, revision = head
    if application != engines.APPLICATION_ID:
        raise NoBench(f"{file} is a SQLite file, but not a bench's. Give the folder of a bench.")
    if revision > int(tables.REVISION):
        raise _newer(folder, str(revision))


def _opened(folder: Path, lock: WriterLock | None) -> tuple[Engine, tzinfo]:
    engine = _engine(folder, writing=lock is not None)
    try:
        with engine.connect() as connection:
            revision = revision_of(connection)
        if revision is None:
            raise BenchDamaged(f"The records of {folder} hold no bench. Take a backup that `check` finds whole.")
        if is_newer(revision):
            raise _newer(folder, revision)
        if revision != tables.REVISION:
            _bring_up_to_date(folder, revision, lock)
        with engine.connect() as connection:
            return engine, _zone(connection)
    except BaseException:
        engines.close(engine, writing=False)
        raise


def _engine(folder: Path, *, writing: bool, foreign_keys: bool = True) -> Engine:
    if (folder / URL_FILE).is_file():
        return engines.database_engine((folder / URL_FILE).read_text(encoding="utf-8").strip())
    return engines.sqlite_engine(folder / RECORDS, writing=writing, foreign_keys=foreign_keys)


def _newer(folder: Path, revision: str) -> NewerBench:
    return NewerBench(
        f"The bench {folder} was last written by a newer version of Fairpanel (form {revision}; this version "
        f"knows form {tables.REVISION}). It was left untouched. Update Fairpanel, or open a backup made "
        "before the update."
    )


def _bring_up_to_date(folder: Path, revision: str, lock: WriterLock | None) -> None:
    if not os.access(folder, os.W_OK):
        raise OlderBench(
            f"The bench {folder} was made by an older version and cannot be brought up to date here: the "
            "folder is write-protected. Copy it to a disk of this computer and open it there."
        )
    own = None if lock else WriterLock(folder / LOCK, "bringing the bench up to date")
    try:
        if (folder / RECORDS).is_file():
            stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%fZ")
            copy_records(folder / RECORDS, folder / f"bench-form-{revision}-{stamp}.sqlite")
        engine = _engine(folder, writing=True, foreign_keys=False)
        try:
            migrate(engine)
        finally:
            engines.close(engine, writing=True)
    finally:
        if own:
            own.release()


def _zone(connection: Connection) -> tzinfo:
    entry = tables.entry
    bodies = connection.execute(select(entry.c.body).where(entry.c.noun == "bench").order_by(entry.c.seq))
    return moments.zone_of(loads(bodies.scalars().all()[-1])["zone"])
