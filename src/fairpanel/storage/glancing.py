"""How things stand on a bench, asked of the records as counts and ids: no row, mark or reading is loaded."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, func, select

from fairpanel.methods.contract import Refusal
from fairpanel.storage import tables
from fairpanel.storage.bench import Bench


@dataclass(frozen=True)
class Standing:
    """How things stand.

    Parameters
    ----------
    rows : int
        Rows that stand.
    named : frozenset of str
        Ids of the pictures that they name.
    seen : frozenset of str
        Ids of the pictures that the read stands on.
    refusals : tuple of Refusal
        What the read could not read: pictures first.
    """

    rows: int
    named: frozenset[str]
    seen: frozenset[str]
    refusals: tuple[Refusal, ...]


def standing(bench: Bench, read_id: str | None) -> Standing:
    """How things stand on a bench with a finished read, or with none."""
    with bench._looking() as connection:
        rows, named = _rows(connection)
        if read_id is None:
            return Standing(rows, named, frozenset(), ())
        return Standing(rows, named, _seen(connection, read_id), _refusals(connection, read_id))


def _rows(connection: Connection) -> tuple[int, frozenset[str]]:
    row = tables.row
    newer = row.alias("newer")
    asked = (
        select(row.c.picture_id, func.count())
        .outerjoin(newer, newer.c.replaces == row.c.id)
        .where(newer.c.id.is_(None), row.c.withdrawn.is_(False))
        .group_by(row.c.picture_id)
    )
    found = connection.execute(asked).all()
    return sum(count for _, count in found), frozenset(id for id, _ in found if id)


def _seen(connection: Connection, read_id: str) -> frozenset[str]:
    used, measuring = tables.read_measuring, tables.measuring
    asked = (
        select(measuring.c.picture_id)
        .join(used, used.c.measuring_id == measuring.c.id)
        .where(used.c.read_id == read_id, measuring.c.picture_id.is_not(None))
    )
    return frozenset(connection.execute(asked).scalars())


def _refusals(connection: Connection, read_id: str) -> tuple[Refusal, ...]:
    used, refusal = tables.read_measuring, tables.refusal
    measured = select(used.c.measuring_id).where(used.c.read_id == read_id)
    of_pictures = select(refusal).where(refusal.c.measuring_id.in_(measured)).order_by(refusal.c.seq)
    of_readings = select(refusal).where(refusal.c.read_id == read_id, refusal.c.measuring_id.is_(None))
    found = [*connection.execute(of_pictures), *connection.execute(of_readings.order_by(refusal.c.seq))]
    return tuple(Refusal(one.picture, one.strip, one.reason, one.what_to_do) for one in found)
