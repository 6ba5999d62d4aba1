"""One picture measured by one method: saving and loading its outlines, marks and refusals."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Select, select

from fairpanel.methods.contract import Mark, Outline, Refusal
from fairpanel.storage import tables
from fairpanel.storage.codec import dumps, loads, polygon
from fairpanel.storage.records import Measuring
from fairpanel.storage.store import Store


def save_outlines(
    store: Store,
    connection: Connection,
    outlines: Iterable[Outline],
    *,
    picture_id: str | None,
    measuring_id: str | None,
) -> list[str]:
    """Save outlines within a transaction."""
    records = [
        {
            "measuring_id": measuring_id,
            "row_id": one.row_id,
            "picture_id": picture_id,
            "polygon": dumps(one.polygon),
            "how": one.how,
            "replaces": None,
            "reason": "",
        }
        for one in outlines
    ]
    return store._add_all(connection, tables.outline, records)


def save_refusals(
    store: Store,
    connection: Connection,
    refusals: Iterable[Refusal],
    *,
    read_id: str,
    method: str,
    measuring_id: str | None = None,
) -> None:
    """Save refusals within a transaction."""
    records = [
        {
            "read_id": read_id,
            "measuring_id": measuring_id,
            "method": method,
            "picture": one.picture,
            "strip": one.strip,
            "reason": one.reason,
            "what_to_do": one.what_to_do,
        }
        for one in refusals
    ]
    store._add_all(connection, tables.refusal, records)


def load_measurings(connection: Connection, wanted: Select[Any]) -> list[Measuring]:
    """The measurings whose ids a question gives, with all that belongs to them, in order of measuring."""
    measuring = tables.measuring
    heads = connection.execute(select(measuring).where(measuring.c.id.in_(wanted)).order_by(measuring.c.seq)).all()
    outlines = _parts(connection, tables.outline, wanted)
    marks = _parts(connection, tables.mark, wanted)
    refusals = _parts(connection, tables.refusal, wanted)
    return [
        Measuring(
            id=head.id,
            method=head.method,
            method_version=head.method_version,
            picture_id=head.picture_id,
            cache_key=head.cache_key,
            outlines=tuple(Outline(o.row_id, polygon(loads(o.polygon)), o.how) for o in outlines[head.id]),
            marks=tuple(Mark(m.row_id, loads(m.body), tuple(loads(m.flags))) for m in marks[head.id]),
            refusals=tuple(Refusal(r.picture, r.strip, r.reason, r.what_to_do) for r in refusals[head.id]),
        )
        for head in heads
    ]


def _parts(connection: Connection, table: Any, wanted: Select[Any]) -> Mapping[str, Sequence[Any]]:
    found: dict[str, list[Any]] = defaultdict(list)
    asked = select(table).where(table.c.measuring_id.in_(wanted)).order_by(table.c.seq)
    for one in connection.execute(asked):
        found[one.measuring_id].append(one)
    return found
