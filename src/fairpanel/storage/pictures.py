"""Pictures on the bench."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, RowMapping, select

from fairpanel.storage import tables
from fairpanel.storage.codec import dumps, loads
from fairpanel.storage.errors import in_plain_words
from fairpanel.storage.records import Staged, StoredPicture
from fairpanel.storage.store import Store, in_portions


class Pictures(Store):
    """Keeping originals and getting them back."""

    def stage(self, data: bytes, *, name: str, media_type: str = "", facts: Mapping[str, Any] | None = None) -> Staged:
        """Write a file onto the bench's disk, to be named by the take-in that follows.

        A take-in of many pictures stages one after the other, so that memory holds one. What is never taken
        in is dropped with `drop_staged`, or by itself when the bench is next opened for writing.

        Parameters
        ----------
        data : bytes
            As received.
        name : str
            As the tester named it.
        facts : mapping
            Plain data known from decoding.

        Raises
        ------
        DiskFull, CannotWrite, OriginalDamaged, NotWriting
        """
        self._must_write()
        with in_plain_words(self.folder):
            sha256, file = self._originals.stage(data, name)
        return Staged(sha256, file, name, media_type, len(data), dict(facts or {}))

    def drop_staged(self, staged: Iterable[Staged]) -> None:
        """Throw away staged files that no record names."""
        staged = list(staged)
        with self._looking() as connection:
            named = files_named(connection)
        for one in staged:
            if one.file not in named:
                self._originals.drop(one.file)

    def keep_original(
        self, data: bytes, name: str, *, media_type: str = "", facts: Mapping[str, Any] | None = None
    ) -> StoredPicture:
        """Keep one picture; the same content is kept once, whatever it is called.

        Raises
        ------
        DiskFull, CannotWrite, OriginalDamaged, NotWriting
        """
        staged = self.stage(data, name=name, media_type=media_type, facts=facts)
        with self._saving() as connection:
            picture_id = self._name_pictures(connection, [staged])[staged.sha256]
        self._place([staged])
        return self.picture(picture_id)

    def picture(self, picture_id: str) -> StoredPicture:
        """The picture of that id.

        Raises
        ------
        NotOnBench
        """
        with self._looking() as connection:
            return _picture(self._must_exist(connection, tables.picture, picture_id))

    def pictures(self) -> list[StoredPicture]:
        """All pictures, in the order they came."""
        with self._looking() as connection:
            found = connection.execute(select(tables.picture).order_by(tables.picture.c.seq)).mappings()
            return [_picture(one) for one in found]

    def names_in_rows(self, picture_id: str) -> set[str]:
        """Every name under which a row, standing or not, knows this picture."""
        row = tables.row
        with self._looking() as connection:
            asked = select(row.c.picture_name).where(row.c.picture_id == picture_id).distinct()
            return set(connection.execute(asked).scalars())

    def names_before(self, picture_id: str) -> set[str]:
        """Names that other pictures have: those that came before this one, and all that rows know others by."""
        row, picture = tables.row, tables.picture
        own = select(picture.c.seq).where(picture.c.id == picture_id).scalar_subquery()
        earlier = select(picture.c.name).where(picture.c.seq < own)
        in_rows = select(row.c.picture_name).where(row.c.picture_id != picture_id).distinct()
        with self._looking() as connection:
            return {name for asked in (earlier, in_rows) for name in connection.execute(asked).scalars()}

    def original_bytes(self, picture_id: str) -> bytes:
        """The picture's file as received, checked against its hash.

        Raises
        ------
        NotOnBench, OriginalMissing, OriginalDamaged
        """
        picture = self.picture(picture_id)
        with in_plain_words(self.folder):
            return self._originals.read(picture.file, picture.sha256)

    def original_path(self, picture_id: str) -> Path:
        """Where the picture's file lies, for a worker that reads it by itself. Its hash is not checked.

        Raises
        ------
        NotOnBench, OriginalMissing
        """
        return self._originals.path(self.picture(picture_id).file)

    def _name_pictures(self, connection: Connection, staged: Iterable[Staged]) -> dict[str, str]:
        """Ids of pictures by hash, with a record for each that has none."""
        by_hash = {one.sha256: one for one in staged}
        known = ids_by_hash(connection, by_hash)
        fresh = [one for sha256, one in by_hash.items() if sha256 not in known]
        ids = self._add_all(connection, tables.picture, [_record_of(one) for one in fresh])
        return known | {one.sha256: id for one, id in zip(fresh, ids)}

    def _place(self, staged: Iterable[Staged]) -> None:
        with in_plain_words(self.folder):
            for one in staged:
                self._originals.place(one.file)


def ids_by_hash(connection: Connection, hashes: Iterable[str]) -> dict[str, str]:
    """Ids of the pictures on record among these hashes."""
    known: dict[str, str] = {}
    for portion in in_portions(hashes):
        asked = select(tables.picture.c.sha256, tables.picture.c.id).where(tables.picture.c.sha256.in_(portion))
        known.update((sha256, id) for sha256, id in connection.execute(asked))
    return known


def files_named(connection: Connection) -> dict[str, str]:
    """Every file below the folder of originals that a record names, with its hash."""
    of_tables = select(tables.take_in.c.table_file, tables.take_in.c.table_sha256).where(
        tables.take_in.c.table_file != ""
    )
    of_pictures = select(tables.picture.c.file, tables.picture.c.sha256)
    return {file: sha256 for asked in (of_tables, of_pictures) for file, sha256 in connection.execute(asked)}


def _record_of(staged: Staged) -> dict[str, Any]:
    return {
        "sha256": staged.sha256,
        "file": staged.file,
        "name": staged.name,
        "media_type": staged.media_type,
        "bytes": staged.bytes,
        "facts": dumps(staged.facts),
    }


def _picture(found: RowMapping) -> StoredPicture:
    return StoredPicture(
        found["id"],
        found["sha256"],
        found["file"],
        found["name"],
        found["media_type"],
        found["bytes"],
        loads(found["facts"]),
        found["made_at"],
        found["made_offset"],
    )
