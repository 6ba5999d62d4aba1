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
            There is one of that name; change it with `amend_entry`. One that was taken out is entered again.
        """
        with self._saving() as connection:
            known = self._standing_by_name(connection).get((noun, name))
            if known and not known.withdrawn:
                raise AlreadyReplaced(f"There is a {noun} “{name}” already; change that one, with a reason.")
            return self._add(connection, tables.entry, **_fresh(noun, name, body or {}, known))

    def note_event(self, noun: str, name: str, body: Mapping[str, Any]) -> str:
        """Enter something that happened to the thing of that name, beside all that happened before; returns its id."""
        with self._saving() as connection:
            return self._add(connection, tables.entry, **_fresh(noun, name, body, None))

    def amend_entry(
        self,
        entry_id: str,
        *,
        reason: str,
        name: str | None = None,
        body: Mapping[str, Any] | None = None,
    ) -> str:
        """Enter a thing anew, with another name or body, in place of what was entered; returns the new id.

        A body that says `WITHDRAWN` takes the thing out of what stands; its history stays.

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
            if name is not None and name != before["name"]:
                known = self._standing_by_name(connection).get((before["noun"], name))
                if known and not known.withdrawn:
                    raise AlreadyReplaced(f"There is a {before['noun']} “{name}” already. Give another name.")
            return self._add(
                connection,
                tables.entry,
                noun=before["noun"],
                name=before["name"] if name is None else name,
                body=before["body"] if body is None else dumps(body),
                replaces=entry_id,
                reason=reason,
            )

    def nouns(self, noun: str | None = None, name: str | None = None) -> list[StoredEntry]:
        """The things of one kind and name, or all, as they stand now, in order of entry, without those taken out."""
        asked = _standing(noun) if name is None else _standing(noun).where(tables.entry.c.name == name)
        with self._looking() as connection:
            found = [_entry(one) for one in connection.execute(asked).mappings()]
        return [one for one in found if not one.withdrawn]

    def all_entries(self, noun: str | None = None) -> list[StoredEntry]:
        """Every entry of one kind, or of all, replaced since or not, in order of entry."""
        asked = select(tables.entry).order_by(tables.entry.c.seq)
        with self._looking() as connection:
            found = connection.execute(asked if noun is None else asked.where(tables.entry.c.noun == noun)).mappings()
            return [_entry(one) for one in found]

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
        unknown = self._unknown(connection, nouns)
        if unknown:
            known = self._standing_by_name(connection)
            fresh = [_fresh(noun, name, {}, known.get((noun, name))) for noun, name in unknown]
            self._add_all(connection, tables.entry, fresh)

    def _unknown(self, connection: Connection, nouns: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
        wanted = list(dict.fromkeys(nouns))
        if not wanted:
            return []
        known = self._standing_by_name(connection)
        return [one for one in wanted if one not in known or known[one].withdrawn]

    def _standing_by_name(self, connection: Connection) -> dict[tuple[str, str], StoredEntry]:
        found = (_entry(one) for one in connection.execute(_standing(None)).mappings())
        return {(one.noun, one.name): one for one in found}

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


def _fresh(noun: str, name: str, body: Mapping[str, Any], before: StoredEntry | None) -> dict[str, Any]:
    """A record of an entry; one that was taken out before goes on with its line."""
    return {
        "noun": noun,
        "name": name,
        "body": dumps(body),
        "replaces": before.id if before else None,
        "reason": "entered again after it was taken out" if before else "",
    }


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
