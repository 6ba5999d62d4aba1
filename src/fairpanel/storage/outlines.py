"""Outlines that somebody moved by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, insert, select

from fairpanel.methods.contract import Outline
from fairpanel.storage import tables
from fairpanel.storage.codec import dumps, loads, polygon
from fairpanel.storage.errors import ReasonNeeded
from fairpanel.storage.rows import Rows


@dataclass(frozen=True, slots=True)
class MovedOutline:
    """One entry about an outline: where it was put, which entry that replaced, why and when."""

    id: str
    row_id: str
    outline: Outline
    replaces: str | None
    reason: str
    made_at: str
    made_offset: str


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

    def move_outlines(
        self, picture_id: str, outlines: Sequence[Outline], *, reason: str, found: Sequence[Outline] = ()
    ) -> list[str]:
        """Put several outlines of one picture where the tester wants them, all or none; returns the ids of the entries.

        Parameters
        ----------
        picture_id : str
        outlines : sequence of Outline
            Kept with what each says of how it came about: "moved", or "found" where a move is taken back.
        reason : str
        found : sequence of Outline
            Where a read found those that were never moved before: kept first, so that there is something to go back to.

        Raises
        ------
        ReasonNeeded, NotOnBench
        """
        if not reason.strip():
            raise ReasonNeeded("An outline moved by hand needs a reason. Say why, in a few words.")
        with self._saving() as connection:
            self._must_exist(connection, tables.picture, picture_id)
            lines = {o.row_id: self._line_of(connection, tables.row, o.row_id) for o in outlines}
            last = {id: _moved(connection, picture_id, [one["id"] for one in line]) for id, line in lines.items()}
            base = {o.row_id: o for o in found if o.row_id in lines and not last[o.row_id]}
            first = [_record_of(picture_id, lines[id][-1]["id"], o, None, "as it was found") for id, o in base.items()]
            before = {id: rows[-1].id for id, rows in last.items() if rows}
            before |= dict(zip(base, self._add_all(connection, tables.outline, first), strict=True))
            new = [_record_of(picture_id, lines[o.row_id][-1]["id"], o, before.get(o.row_id), reason) for o in outlines]
            moment = self._stamp()  # one for all: what was moved together is taken back together
            same = {"made_at": moment["made_at"], "made_offset": moment["made_offset"]}
            stamped = [{**one, **self._stamp(), **same} for one in new]
            connection.execute(insert(tables.outline), stamped)
            return [str(one["id"]) for one in stamped]

    def outline_history(self, picture_id: str) -> list[MovedOutline]:
        """Every entry about an outline of one picture that was moved by hand, oldest first."""
        with self._looking() as connection:
            return [
                MovedOutline(o.id, o.row_id, Outline(o.row_id, polygon(loads(o.polygon)), o.how), o.replaces, o.reason,
                             o.made_at, o.made_offset)
                for o in _moved(connection, picture_id)
            ]  # fmt: skip

    def moved_outlines(self, picture_id: str) -> list[Outline]:
        """The outlines moved by hand in one picture, under the newest entry of their row."""
        with self._looking() as connection:
            newest = {}
            for found in _moved(connection, picture_id):
                row = self._line_of(connection, tables.row, found.row_id)[-1]
                newest[row["id"]] = (row, Outline(row["id"], polygon(loads(found.polygon)), found.how))
        return [outline for row, outline in newest.values() if not row["withdrawn"]]


def _record_of(picture_id: str, row_id: str, outline: Outline, replaces: str | None, reason: str) -> dict[str, Any]:
    return {
        "measuring_id": None,
        "row_id": row_id,
        "picture_id": picture_id,
        "polygon": dumps(outline.polygon),
        "how": outline.how,
        "replaces": replaces,
        "reason": reason,
    }


def _moved(connection: Connection, picture_id: str, row_ids: list[str] | None = None) -> Sequence[Any]:
    outline = tables.outline
    asked = (
        select(outline)
        .where(outline.c.picture_id == picture_id, outline.c.measuring_id.is_(None))
        .order_by(outline.c.seq)
    )
    return connection.execute(asked if row_ids is None else asked.where(outline.c.row_id.in_(row_ids))).all()
