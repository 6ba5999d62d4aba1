"""What every part of the bench needs: looking, saving, and marking each record with id and time."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from datetime import tzinfo
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, RowMapping, Table, insert, select

from fairpanel.storage import moments
from fairpanel.storage.engine import saving
from fairpanel.storage.errors import NotOnBench, NotWriting, in_plain_words
from fairpanel.storage.lock import WriterLock, WriterMoments
from fairpanel.storage.originals import Originals

IN_ONE_QUESTION = 500
"""Ids asked for at once: below the number of parameters that the oldest databases allow (999)."""


class Store:
    """The folder, the records and the right to write to them. Made by `Bench.open`."""

    def __init__(
        self, folder: Path, engine: Engine, lock: WriterLock | None, zone: tzinfo, moments: WriterMoments | None = None
    ) -> None:
        self.folder = folder
        self.zone = zone
        self._engine = engine
        self._writer = saving(engine)
        self._lock = lock
        self._moments = moments
        self._turn = threading.RLock()
        self._originals = Originals(folder / "originals")

    @property
    def writing(self) -> bool:
        """Whether this bench was opened for writing."""
        return self._lock is not None or self._moments is not None

    @contextmanager
    def _looking(self) -> Iterator[Connection]:
        """One moment of the records: what others save meanwhile is not seen."""
        with in_plain_words(self.folder), self._engine.connect() as connection:
            yield connection

    @contextmanager
    def _saving(self) -> Iterator[Connection]:
        """One transaction: when it ends without an error everything is on the disk, else nothing is."""
        self._must_write()
        right = self._moments or nullcontext()
        with self._turn, in_plain_words(self.folder), right, self._writer.begin() as connection:
            yield connection

    def _must_write(self) -> None:
        if not self.writing:
            raise NotWriting(f"The bench {self.folder} was opened for looking only; open it with writing=True.")

    def _stamp(self) -> dict[str, str]:
        at, offset = moments.now(self.zone)
        return {"id": secrets.token_hex(8), "made_at": at, "made_offset": offset}

    def _add(self, connection: Connection, table: Table, **values: Any) -> str:
        return self._add_all(connection, table, [values])[0]

    def _add_all(self, connection: Connection, table: Table, records: Iterable[Mapping[str, Any]]) -> list[str]:
        stamped = [{**record, **self._stamp()} for record in records]
        if stamped:
            connection.execute(insert(table), stamped)
        return [record["id"] for record in stamped]

    def _must_exist(self, connection: Connection, table: Table, id: str) -> RowMapping:
        found = connection.execute(select(table).where(table.c.id == id)).mappings().first()
        if found is None:
            raise NotOnBench(f"There is no {table.name.replace('_', ' ')} {id} on the bench {self.folder}.")
        return found


def in_portions(ids: Iterable[str]) -> Iterator[Sequence[str]]:
    """Ids in portions that fit into one question; each once."""
    once = list(dict.fromkeys(ids))
    for start in range(0, len(once), IN_ONE_QUESTION):
        yield once[start : start + IN_ONE_QUESTION]
