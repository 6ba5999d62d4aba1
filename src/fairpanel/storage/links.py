"""Links between records: which readings a result came from, which marks a reading."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Select, insert, select

from fairpanel.storage import tables


def link(connection: Connection, table: Any, one: str, other: str, pairs: Sequence[tuple[str, str]]) -> None:
    """Save links as pairs of ids."""
    if pairs:
        connection.execute(insert(table), [{one: a, other: b} for a, b in pairs])


def linked(connection: Connection, pairs: Any, linked_to: Any, owners: Select[Any]) -> dict[str, tuple[str, ...]]:
    """What each of the wanted records is linked to, by its id, in order of entry.

    Parameters
    ----------
    connection : Connection
    pairs, linked_to : Table
        The links, and what they lead to.
    owners : Select
        Ids of the records that are wanted.
    """
    mine, other = list(pairs.c)[:2]
    asked = (
        select(mine, other).join(linked_to, linked_to.c.id == other).where(mine.in_(owners)).order_by(linked_to.c.seq)
    )
    found: dict[str, list[str]] = {}
    for id, one in connection.execute(asked):
        found.setdefault(id, []).append(one)
    return {id: tuple(others) for id, others in found.items()}


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
