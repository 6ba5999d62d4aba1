"""Outlines that somebody moved by hand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, select

from fairpanel.methods.contract import Outline
from fairpanel.storage import tables
from fairpanel.storage.codec import dumps, loads, polygon
from fairpanel.storage.errors import ReasonNeeded
from fairpanel.storage.rows import Rows


class Outlines(Rows):
    """Keeping outlines that were moved by hand. Those a read found belong to the read."""

    def move_outline(self, picture_id: str, outline: Outline, *, reason: str) -> str:
        """Put an outline where the tester wants it; returns the id of the entry.

        Raises
        ------
        ReasonNeeded, NotOnBench
        """
        if not reason.strip():
            raise ReasonNeeded("An outline moved by hand needs a reason. Say why, in a few words.")
        with self._saving() as connection:
            self._must_exist(connection, tables.picture, picture_id)
            line = self._line_of(connection, tables.row, outline.row_id)
            before = _moved(connection, picture_id, [found["id"] for found in line])
            return self._add(
                connection,
                tables.outline,
                measuring_id=None,
                row_id=line[-1]["id"],
                picture_id=picture_id,
                polygon=dumps(outline.polygon),
                how="moved",
                replaces=before[-1].id if before else None,
                reason=reason,
            )

    def moved_outlines(self, picture_id: str) -> list[Outline]:
        """The outlines moved by hand in one picture, under the newest entry of their row."""
        with self._looking() as connection:
            newest = {}
            for found in _moved(connection, picture_id):
                row = self._line_of(connection, tables.row, found.row_id)[-1]
                newest[row["id"]] = (row, Outline(row["id"], polygon(loads(found.polygon)), found.how))
        return [outline for row, outline in newest.values() if not row["withdrawn"]]


def _moved(connection: Connection, picture_id: str, row_ids: list[str] | None = None) -> Sequence[Any]:
    outline = tables.outline
    asked = (
        select(outline)
        .where(outline.c.picture_id == picture_id, outline.c.measuring_id.is_(None))
        .order_by(outline.c.seq)
    )
    return connection.execute(asked if row_ids is None else asked.where(outline.c.row_id.in_(row_ids))).all()
