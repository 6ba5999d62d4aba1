"""Links between records: which readings a result came from, which marks a reading."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, insert, select

from fairpanel.storage import tables


def link(connection: Connection, table: Any, one: str, other: str, pairs: Sequence[tuple[str, str]]) -> None:
    """Save links as pairs of ids."""
    if pairs:
        connection.execute(insert(table), [{one: a, other: b} for a, b in pairs])


def linked(connection: Connection, pairs: Any, owner: Any, linked_to: Any, read_id: str) -> dict[str, tuple[str, ...]]:
    """What each record of a read is linked to, by its id, in order of entry."""
    mine, other = list(pairs.c)[:2]
    asked = (
        select(mine, other)
        .join(owner, owner.c.id == mine)
        .join(linked_to, linked_to.c.id == other)
        .where(owner.c.read_id == read_id)
        .order_by(linked_to.c.seq)
    )
    found: dict[str, tuple[str, ...]] = {}
    for id, one in connection.execute(asked):
        found[id] = (*found.get(id, ()), one)
    return found


def marks_by_row(connection: Connection, read_id: str, method: str) -> dict[str, list[str]]:
    """Ids of the marks a read stands on, by the row they are of, in order of entry."""
    mark, measuring, used = tables.mark, tables.measuring, tables.read_measuring
    asked = (
        select(mark.c.row_id, mark.c.id)
        .join(measuring, measuring.c.id == mark.c.measuring_id)
        .join(used, used.c.measuring_id == measuring.c.id)
        .where(used.c.read_id == read_id, measuring.c.method == method)
        .order_by(mark.c.seq)
    )
    found: dict[str, list[str]] = {}
    for row_id, mark_id in connection.execute(asked):
        found.setdefault(row_id, []).append(mark_id)
    return found
