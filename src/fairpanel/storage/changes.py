"""Every change on a bench, newest first, and taking one back: by new records, never by taking records away."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, RowMapping, insert, select

from fairpanel.storage import tables
from fairpanel.storage.bench import Bench
from fairpanel.storage.codec import loads
from fairpanel.storage.errors import AlreadyReplaced, NotOnBench
from fairpanel.storage.records import WITHDRAWN
from fairpanel.storage.rows import _again

#: Entries that tell what stands for ever: the bench itself, and what was sealed when.
KEPT = ("bench", "seal")


@dataclass(frozen=True)
class Change:
    """A change.

    Parameters
    ----------
    id : str
        Of the entry, or of the take-in of rows.
    what : {"entered", "changed", "taken out", "rows"}
    noun, name : str
        Of an entry; of rows the table's name, empty for a form.
    added, changed, withdrawn : int
        Rows.
    reason : str
    newest : bool
        Nothing of it has been changed since: it can be taken back.
    made_at, made_offset : str
    """

    id: str
    what: str
    noun: str
    name: str
    added: int
    changed: int
    withdrawn: int
    reason: str
    newest: bool
    made_at: str
    made_offset: str


def changes(bench: Bench, *, most: int = 100, before: str = "9") -> list[Change]:
    """The newest changes made before a moment as it is kept, the newest first."""
    with bench._looking() as connection:
        found = [*_of_entries(connection, most, before), *_of_rows(connection, most, before)]
    return sorted(found, key=lambda c: c.made_at, reverse=True)[:most]


def _of_entries(connection: Connection, most: int, before: str) -> Iterable[Change]:
    entry = tables.entry
    asked = select(entry).where(entry.c.made_at < before, entry.c.noun.not_in(KEPT)).order_by(entry.c.seq.desc())
    found = connection.execute(asked.limit(most)).mappings().all()
    replaced = _replaced(connection, entry, [one["id"] for one in found])
    for one in found:
        what = "taken out" if loads(one["body"]).get(WITHDRAWN) else "changed" if one["replaces"] else "entered"
        newest = one["id"] not in replaced
        yield Change(one["id"], what, one["noun"], one["name"], 0, 0, 0, one["reason"], newest,
                     one["made_at"], one["made_offset"])  # fmt: skip


def _of_rows(connection: Connection, most: int, before: str) -> Iterable[Change]:
    take_in, row = tables.take_in, tables.row
    asked = select(take_in).where(take_in.c.made_at < before, take_in.c.kind.in_(("rows", "form")))
    for one in connection.execute(asked.order_by(take_in.c.seq.desc()).limit(most)).mappings().all():
        about = select(row.c.id, row.c.replaces, row.c.withdrawn).where(row.c.take_in_id == one["id"])
        own = connection.execute(about).all()
        if not own:
            continue
        did = Counter("out" if r.withdrawn else "changed" if r.replaces else "added" for r in own)
        newest = not _replaced(connection, row, [r.id for r in own])
        yield Change(one["id"], "rows", "row", one["table_name"], did["added"], did["changed"], did["out"],
                     one["reason"], newest, one["made_at"], one["made_offset"])  # fmt: skip


def _replaced(connection: Connection, table: Any, ids: Sequence[str]) -> set[str]:
    found: set[str] = set()
    for start in range(0, len(ids), 500):
        portion = ids[start : start + 500]
        found |= set(connection.execute(select(table.c.replaces).where(table.c.replaces.in_(portion))).scalars())
    return found


# ---- taking back -------------------------------------------------------------------------------------------------


def take_back(bench: Bench, id: str, *, reason: str) -> None:
    """Restore what stood before a change, by new records.

    Raises
    ------
    AlreadyReplaced
        Something of it has been changed since; that has to be taken back first.
    NotOnBench
        No such change, or one that is kept for ever.
    ReasonNeeded, BenchError
    """
    with bench._looking() as connection:
        entry = connection.execute(select(tables.entry).where(tables.entry.c.id == id)).mappings().first()
        before = _by_id(connection, tables.entry, entry["replaces"]) if entry and entry["replaces"] else None
    if entry is None:
        _rows_back(bench, id, reason)
    elif entry["noun"] in KEPT:
        raise NotOnBench(f"What is on record of the {entry['noun']} stays; it is not taken back.")
    elif before is None:
        bench.amend_entry(id, reason=reason, body={**loads(entry["body"]), WITHDRAWN: True})
    else:
        bench.amend_entry(id, reason=reason, name=before["name"], body=loads(before["body"]))


def _rows_back(bench: Bench, take_in_id: str, reason: str) -> None:
    row = tables.row
    with bench._saving() as connection:
        own = connection.execute(select(row).where(row.c.take_in_id == take_in_id)).mappings().all()
        if not own:
            raise NotOnBench(f"There is no change {take_in_id} on the bench {bench.folder}.")
        if _replaced(connection, row, [one["id"] for one in own]):
            raise AlreadyReplaced("Some of these rows have been changed since. Take the newer change back first.")
        new = bench._new_take_in(connection, "form", "", None, reason)
        ids = bench._add_all(connection, row, [_restored(connection, one, new, reason) for one in own])
        _keep_places(connection, dict(zip((one["id"] for one in own), ids, strict=True)))


def _restored(connection: Connection, one: RowMapping, take_in_id: str, reason: str) -> dict[str, Any]:
    if one["replaces"] is None:
        return _again(one, take_in_id, reason) | {"withdrawn": True}
    before = _by_id(connection, tables.row, one["replaces"])
    return _again(before, take_in_id, reason) | {"replaces": one["id"], "withdrawn": before["withdrawn"]}


def _keep_places(connection: Connection, new_of: dict[str, str]) -> None:
    """Rows keep the places in their tables that those they replace had."""
    at = tables.take_in_row
    places: dict[str, dict[str, Any]] = {}
    for old, new in new_of.items():
        for place in connection.execute(select(at).where(at.c.row_id == old)):
            places[new] = {"take_in_id": place.take_in_id, "row_id": new, "line": place.line}
    if places:
        connection.execute(insert(at), list(places.values()))


def _by_id(connection: Connection, table: Any, id: str) -> RowMapping:
    return connection.execute(select(table).where(table.c.id == id)).mappings().one()
