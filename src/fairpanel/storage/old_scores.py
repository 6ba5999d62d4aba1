"""Scores from before the bench: kept as they were typed, never mixed with what is read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, select

from fairpanel.storage import tables
from fairpanel.storage.codec import dumps, loads
from fairpanel.storage.errors import AlreadyReplaced, ReasonNeeded
from fairpanel.storage.reads import Reads
from fairpanel.storage.records import OldScore

_KIND = "old scores"


@dataclass(frozen=True)
class OldScoreTable:
    """One table of old scores: its name, the take-in it replaced, if any, and why."""

    id: str
    name: str
    replaces: str | None
    reason: str
    made_at: str
    made_offset: str


class OldScores(Reads):
    """Keeping old scores and getting them back."""

    def add_old_scores(
        self, *, table_name: str, table: bytes, bodies: Sequence[Any], reason: str = "", follows: str = ""
    ) -> str | None:
        """Keep a table of old scores; returns the id of the take-in, or None if it is on the bench already.

        Parameters
        ----------
        table : bytes
            As received.
        bodies : sequence
            One plain mapping or dataclass per score, in the table's order.
        reason : str
            Needed where another table of that name is replaced.
        follows : str
            Id of the take-in that was looked at when the change was decided, if one was.

        Raises
        ------
        AlreadyReplaced
            Another take-in stands by now than the one that was looked at.
        ReasonNeeded, DiskFull, CannotWrite, NotWriting
        """
        with self._staged([]) as waiting:
            sheet = self._stage_table(table, table_name, waiting)
            with self._saving() as connection:
                before = [one for one in _standing(connection) if one.table_name == table_name]
                if follows and follows not in [one.id for one in before]:
                    raise AlreadyReplaced(
                        f"“{table_name}” was changed in another window meanwhile. Nothing was written. Look at it as "
                        "it stands now, and change that."
                    )
                if any(_same(connection, one.id, bodies) for one in before):
                    return None
                if before and not reason.strip():
                    raise ReasonNeeded(
                        f"The bench holds other scores from “{table_name}”. Nothing was taken in. Say why "
                        "they change, and these replace them."
                    )
                take_in_id = self._new_take_in(
                    connection, _KIND, table_name, sheet, reason, replaces=before[-1].id if before else None
                )
                records = [
                    {"take_in_id": take_in_id, "ordinal": i, "body": dumps(body)} for i, body in enumerate(bodies)
                ]
                self._add_all(connection, tables.old_score, records)
        return take_in_id

    def old_scores(self) -> list[OldScore]:
        """The old scores that stand, table by table, in the order of their lines."""
        score = tables.old_score
        with self._looking() as connection:
            standing = [one.id for one in _standing(connection)]
            found = connection.execute(select(score).where(score.c.take_in_id.in_(standing)).order_by(score.c.seq))
            return [OldScore(one.id, one.take_in_id, loads(one.body)) for one in found]

    def old_score_tables(self) -> list[OldScoreTable]:
        """The tables of old scores that stand; one without scores was taken off again."""
        with self._looking() as connection:
            return [
                OldScoreTable(one.id, one.table_name, one.replaces, one.reason, one.made_at, one.made_offset)
                for one in _standing(connection)
            ]

    def old_scores_of(self, take_in_id: str) -> list[OldScore]:
        """The scores of one take-in, whether it stands or was replaced."""
        score = tables.old_score
        with self._looking() as connection:
            found = connection.execute(select(score).where(score.c.take_in_id == take_in_id).order_by(score.c.ordinal))
            return [OldScore(one.id, one.take_in_id, loads(one.body)) for one in found]


def _standing(connection: Connection) -> Sequence[Any]:
    take_in = tables.take_in
    newer = take_in.alias("newer")
    asked = (
        select(take_in)
        .outerjoin(newer, newer.c.replaces == take_in.c.id)
        .where(take_in.c.kind == _KIND, newer.c.id.is_(None))
        .order_by(take_in.c.seq)
    )
    return connection.execute(asked).all()


def _same(connection: Connection, take_in_id: str, bodies: Sequence[Any]) -> bool:
    score = tables.old_score
    asked = select(score.c.body).where(score.c.take_in_id == take_in_id).order_by(score.c.ordinal)
    there = [loads(body) for body in connection.execute(asked).scalars()]
    return there == [loads(dumps(body)) for body in bodies]
