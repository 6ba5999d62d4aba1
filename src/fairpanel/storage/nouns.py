"""The things on the bench: products, lots, specimens, campaigns, runs, paper sheets, lamps."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import Connection, RowMapping, Table, select

from fairpanel.storage import tables
from fairpanel.storage.codec import dumps, loads
from fairpanel.storage.errors import AlreadyReplaced, ReasonNeeded
from fairpanel.storage.pictures import Pictures
from fairpanel.storage.records import StoredEntry


class Nouns(Pictures):
    """Entering things and getting them back."""

    def enter(self, noun: str, name: str, body: Mapping[str, Any] | None = None) -> str:
        """Enter a thing; returns its id.

        Raises
        ------
        AlreadyReplaced
            There is one of that name; change it with `amend_entry`.
        """
        with self._saving() as connection:
            if not self._unknown(connection, [(noun, name)]):
                raise AlreadyReplaced(f"There is a {noun} “{name}” already; change that one, with a reason.")
            return self._add(
                connection,
                tables.entry,
                noun=noun,
                name=name,
                body=dumps(body or {}),
                replaces=None,
                reason="",
            )

    def amend_entry(
        self, entry_id: str, *, reason: str, name: str | None = None, body: Mapping[str, Any] | None = None
    ) -> str:
        """Enter a thing anew, with another name or body, in place of what was entered; returns the new id.

        Raises
        ------
        ReasonNeeded, NotOnBench, AlreadyReplaced
        """
        if not reason.strip():
            raise ReasonNeeded("A change to what is on record needs a reason. Say why, in a few words.")
        with self._saving() as connection:
            before = self._must_exist(connection, tables.entry, entry_id)
            if connection.execute(select(tables.entry.c.id).where(tables.entry.c.replaces == entry_id)).first():
                raise AlreadyReplaced(
                    f"This entry of the {before['noun']} “{before['name']}” has been replaced already. "
                    "Change the newest one."
                )
            return self._add(
                connection,
                tables.entry,
                noun=before["noun"],
                name=before["name"] if name is None else name,
                body=before["body"] if body is None else dumps(body),
                replaces=entry_id,
                reason=reason,
            )

    def nouns(self, noun: str | None = None) -> list[StoredEntry]:
        """The things of one kind, or all, as they stand now, in order of entry."""
        with self._looking() as connection:
            return [_entry(found) for found in connection.execute(_standing(noun)).mappings()]

    def entry_history(self, entry_id: str) -> list[StoredEntry]:
        """Every entry about the same thing as this one, oldest first.

        Raises
        ------
        NotOnBench
        """
        with self._looking() as connection:
            return [_entry(found) for found in self._line_of(connection, tables.entry, entry_id)]

    def _ensure(self, connection: Connection, nouns: Iterable[tuple[str, str]]) -> None:
        """Enter by name what is not known yet."""
        fresh = [
            {"noun": noun, "name": name, "body": "{}", "replaces": None, "reason": ""}
            for noun, name in self._unknown(connection, nouns)
        ]
        self._add_all(connection, tables.entry, fresh)

    def _unknown(self, connection: Connection, nouns: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
        wanted = list(dict.fromkeys(nouns))
        if not wanted:
            return []
        known = {(found.noun, found.name) for found in connection.execute(_standing(None))}
        return [one for one in wanted if one not in known]

    def _line_of(self, connection: Connection, table: Table, id: str) -> list[RowMapping]:
        """All records of the line of changes that one belongs to, oldest first."""
        line = [self._must_exist(connection, table, id)]
        while line[0]["replaces"]:
            line.insert(0, self._must_exist(connection, table, line[0]["replaces"]))
        while True:
            asked = select(table).where(table.c.replaces == line[-1]["id"])
            newer = connection.execute(asked).mappings().first()
            if newer is None:
                return line
            line.append(newer)


def _standing(noun: str | None) -> Any:
    entry = tables.entry
    newer = entry.alias("newer")
    asked = select(entry).outerjoin(newer, newer.c.replaces == entry.c.id).where(newer.c.id.is_(None))
    return (asked if noun is None else asked.where(entry.c.noun == noun)).order_by(entry.c.seq)


def _entry(found: RowMapping) -> StoredEntry:
    return StoredEntry(
        found["id"],
        found["noun"],
        found["name"],
        loads(found["body"]),
        found["replaces"],
        found["reason"],
        found["made_at"],
        found["made_offset"],
    )
