"""What was read from rows and pictures: marks, readings, results, findings. Nothing is ever read over."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, RowMapping, Select, func, select

from fairpanel.methods.contract import Mark, Outline, Reading, Refusal, Result
from fairpanel.storage import tables
from fairpanel.storage.codec import body_of, dumps, from_body, loads
from fairpanel.storage.errors import ReadFinished, ReadNotFinished
from fairpanel.storage.links import link, linked, marks_by_row
from fairpanel.storage.measurings import load_measurings, save_outlines, save_refusals
from fairpanel.storage.outlines import Outlines
from fairpanel.storage.records import Measuring, StoredFinding, StoredRead, StoredReading, StoredResult
from fairpanel.storage.rows import count_of_rows
from fairpanel.storage.store import in_portions


class Reads(Outlines):
    """Keeping what was read and getting it back. What a read found is shown only once it is finished."""

    # ---- while reading -------------------------------------------------------------------------------------

    def begin_read(
        self, *, code_version: str, seed: int, methods: Mapping[str, int], settings: Mapping[str, Any]
    ) -> str:
        """Begin a read; returns its id.

        Parameters
        ----------
        methods : mapping
            Version of each method that takes part.
        settings : mapping
            Everything else the numbers depend on.
        """
        with self._saving() as connection:
            return self._add(
                connection,
                tables.read,
                code_version=code_version,
                settings=dumps(settings),
                seed=seed,
                methods=dumps(methods),
                rows_seen=count_of_rows(connection),
            )

    def marks_by_key(self, keys: Iterable[str]) -> dict[str, Measuring]:
        """What was measured before under these keys, by any read, finished or stopped; the newest of each.

        A key stands for picture, given outlines, rows (with their ids) and method version, so that what has
        the same key need not be measured again.
        """
        found: dict[str, Measuring] = {}
        with self._looking() as connection:
            for portion in in_portions(keys):
                wanted = select(tables.measuring.c.id).where(tables.measuring.c.cache_key.in_(portion))
                found.update((one.cache_key, one) for one in load_measurings(connection, wanted))
        return found

    def save_marks(
        self,
        read_id: str,
        *,
        method: str,
        method_version: int,
        cache_key: str,
        picture_id: str | None,
        outlines: Sequence[Outline] = (),
        marks: Sequence[Mark] = (),
        refusals: Sequence[Refusal] = (),
    ) -> str:
        """Save all that one picture gave to one method, in one transaction; returns the id of the measuring.

        Raises
        ------
        ReadFinished, NotOnBench, DiskFull
        """
        with self._saving() as connection:
            self._must_be_open(connection, read_id)
            measuring_id = self._add(
                connection,
                tables.measuring,
                read_id=read_id,
                picture_id=picture_id,
                method=method,
                method_version=method_version,
                cache_key=cache_key,
            )
            save_outlines(self, connection, outlines, picture_id=picture_id, measuring_id=measuring_id)
            self._add_all(connection, tables.mark, [_mark_record(mark, measuring_id) for mark in marks])
            save_refusals(self, connection, refusals, read_id=read_id, method=method, measuring_id=measuring_id)
            link(connection, tables.read_measuring, "read_id", "measuring_id", [(read_id, measuring_id)])
        return measuring_id

    def use_marks(self, read_id: str, measuring_ids: Iterable[str]) -> None:
        """Let this read stand on what was measured before.

        Raises
        ------
        ReadFinished, NotOnBench
        """
        with self._saving() as connection:
            self._must_be_open(connection, read_id)
            used = tables.read_measuring
            asked = select(used.c.measuring_id).where(used.c.read_id == read_id)
            already = set(connection.execute(asked).scalars())
            pairs = [(read_id, id) for id in dict.fromkeys(measuring_ids) if id not in already]
            link(connection, tables.read_measuring, "read_id", "measuring_id", pairs)

    def save_readings(
        self, read_id: str, method: str, readings: Sequence[Reading], refusals: Sequence[Refusal] = ()
    ) -> list[str]:
        """Save one method's readings, each linked to the marks of its rows; returns their ids, in order.

        Raises
        ------
        ReadFinished, NotOnBench, DiskFull
        """
        with self._saving() as connection:
            self._must_be_open(connection, read_id)
            before = _count(connection, tables.reading, read_id, method)
            records = [_reading_record(one, read_id, method, before + i) for i, one in enumerate(readings)]
            ids = self._add_all(connection, tables.reading, records)
            by_row = marks_by_row(connection, read_id, method)
            pairs = [
                (id, mark_id)
                for id, one in zip(ids, readings)
                for mark_id in dict.fromkeys(m for row_id in one.row_ids for m in by_row.get(row_id, ()))
            ]
            link(connection, tables.reading_mark, "reading_id", "mark_id", pairs)
            save_refusals(self, connection, refusals, read_id=read_id, method=method)
        return ids

    def save_results(self, read_id: str, method: str, results: Sequence[Result]) -> list[str]:
        """Save one method's results; returns their ids, in order.

        `Result.readings` counts among the readings of the same method and read, as saved before.

        Raises
        ------
        ReadFinished, NotOnBench, DiskFull
        IndexError
            A result names a reading that was not saved.
        """
        with self._saving() as connection:
            self._must_be_open(connection, read_id)
            reading_ids = _ids(connection, tables.reading, read_id, method)
            before = _count(connection, tables.result, read_id, method)
            records = [_result_record(one, read_id, method, before + i) for i, one in enumerate(results)]
            ids = self._add_all(connection, tables.result, records)
            pairs = [(id, reading_ids[i]) for id, one in zip(ids, results) for i in dict.fromkeys(one.readings)]
            link(connection, tables.result_reading, "result_id", "reading_id", pairs)
        return ids

    def save_findings(self, read_id: str, findings: Iterable[tuple[str | None, Any]]) -> list[str]:
        """Save findings as (id of the result, body); None for a finding about several results.

        Raises
        ------
        ReadFinished, NotOnBench, DiskFull
        """
        with self._saving() as connection:
            self._must_be_open(connection, read_id)
            before = _count(connection, tables.finding, read_id)
            records = [
                {"read_id": read_id, "result_id": result_id, "ordinal": before + i, "body": dumps(body)}
                for i, (result_id, body) in enumerate(findings)
            ]
            return self._add_all(connection, tables.finding, records)

    def end_read(self, read_id: str, note: str = "") -> None:
        """Bring a read to its end: from now on it is shown, and nothing can be added to it.

        Raises
        ------
        ReadFinished, NotOnBench
        """
        with self._saving() as connection:
            self._must_be_open(connection, read_id)
            self._add(connection, tables.read_end, read_id=read_id, note=note)

    # ---- afterwards ----------------------------------------------------------------------------------------

    def last_read(self) -> StoredRead | None:
        """The read that was finished last, or None."""
        finished = [one for one in self.reads() if one.finished_at]
        return finished[-1] if finished else None

    def reads(self) -> list[StoredRead]:
        """All reads: first those that were stopped, as they began, then the finished ones, as they ended."""
        read, end = tables.read, tables.read_end
        asked = (
            select(read, end.c.made_at.label("finished_at"), end.c.note)
            .outerjoin(end, end.c.read_id == read.c.id)
            .order_by(func.coalesce(end.c.seq, 0), read.c.seq)
        )
        with self._looking() as connection:
            return [_read(found) for found in connection.execute(asked).mappings()]

    def rows_changed_since(self, read_id: str) -> int:
        """How many rows were entered, changed or withdrawn after this read began."""
        with self._looking() as connection:
            seen: int = self._must_exist(connection, tables.read, read_id)["rows_seen"]
            return count_of_rows(connection) - seen

    def measurings_of(
        self, read_id: str, method: str | None = None, *, picture_ids: Iterable[str] | None = None
    ) -> list[Measuring]:
        """Outlines, marks and refusals of each picture a read stands on.

        Parameters
        ----------
        read_id : str
        method : str, optional
            Only what this method measured.
        picture_ids : iterable of str, optional
            Only of these pictures.

        Raises
        ------
        NotOnBench, ReadNotFinished
        """
        used, measuring = tables.read_measuring, tables.measuring
        wanted = select(used.c.measuring_id).where(used.c.read_id == read_id)
        wanted = wanted.join(measuring, measuring.c.id == used.c.measuring_id)
        if method is not None:
            wanted = wanted.where(measuring.c.method == method)
        if picture_ids is not None:
            wanted = wanted.where(measuring.c.picture_id.in_(list(picture_ids)))
        with self._looking() as connection:
            self._must_be_finished(connection, read_id)
            return load_measurings(connection, wanted)

    def readings_of(
        self, read_id: str, method: str | None = None, *, result_id: str | None = None, picture_id: str | None = None
    ) -> list[StoredReading]:
        """The readings of a finished read, in the order they were saved.

        Parameters
        ----------
        read_id : str
        method, result_id, picture_id : str, optional
            Only those of one method, behind one result, from one picture: a page that shows a few need not wait for
            all.

        Raises
        ------
        NotOnBench, ReadNotFinished
        """
        wanted = _of_read(tables.reading, read_id, method)
        if result_id is not None:
            behind = tables.result_reading
            wanted = wanted.where(
                tables.reading.c.id.in_(select(behind.c.reading_id).where(behind.c.result_id == result_id))
            )
        if picture_id is not None:
            wanted = wanted.where(tables.reading.c.id.in_(_readings_from(picture_id)))
        with self._looking() as connection:
            self._must_be_finished(connection, read_id)
            ids = wanted.with_only_columns(tables.reading.c.id).order_by(None)
            marks = linked(connection, tables.reading_mark, tables.mark, ids)
            return [
                StoredReading(
                    found["id"],
                    found["method"],
                    from_body(Reading, found["body"]),
                    marks.get(found["id"], ()),
                )
                for found in connection.execute(wanted).mappings()
            ]

    def pictures_read(self, read_id: str) -> dict[str, int]:
        """How many readings of a finished read came from each picture, by the picture's id, in order of measuring.

        Raises
        ------
        NotOnBench, ReadNotFinished
        """
        reading, pairs, mark, measuring = tables.reading, tables.reading_mark, tables.mark, tables.measuring
        asked = (
            select(measuring.c.picture_id, func.count(reading.c.id.distinct()))
            .join(mark, mark.c.measuring_id == measuring.c.id)
            .join(pairs, pairs.c.mark_id == mark.c.id)
            .join(reading, reading.c.id == pairs.c.reading_id)
            .where(reading.c.read_id == read_id, measuring.c.picture_id.is_not(None))
            .group_by(measuring.c.picture_id)
            .order_by(func.min(measuring.c.seq))
        )
        with self._looking() as connection:
            self._must_be_finished(connection, read_id)
            return {found[0]: found[1] for found in connection.execute(asked)}

    def results_of(self, read_id: str, method: str | None = None) -> list[StoredResult]:
        """The results of a finished read, in the order they were saved.

        Raises
        ------
        NotOnBench, ReadNotFinished
        """
        with self._looking() as connection:
            self._must_be_finished(connection, read_id)
            ids = _of_read(tables.result, read_id, method).with_only_columns(tables.result.c.id).order_by(None)
            readings = linked(connection, tables.result_reading, tables.reading, ids)
            return [
                StoredResult(
                    found["id"],
                    found["method"],
                    from_body(Result, found["body"]),
                    readings.get(found["id"], ()),
                )
                for found in connection.execute(_of_read(tables.result, read_id, method)).mappings()
            ]

    def findings_of(self, read_id: str) -> list[StoredFinding]:
        """The findings of a finished read, in the order they were saved.

        Raises
        ------
        NotOnBench, ReadNotFinished
        """
        with self._looking() as connection:
            self._must_be_finished(connection, read_id)
            return [
                StoredFinding(found["id"], found["result_id"], loads(found["body"]))
                for found in connection.execute(_of_read(tables.finding, read_id, None)).mappings()
            ]

    def refusals_of(self, read_id: str) -> list[Refusal]:
        """What a finished read could not read: pictures first, then what the readings left out.

        Raises
        ------
        NotOnBench, ReadNotFinished
        """
        refusal, used = tables.refusal, tables.read_measuring
        measured = select(used.c.measuring_id).where(used.c.read_id == read_id)
        of_pictures = (
            select(refusal)
            .join(tables.measuring, tables.measuring.c.id == refusal.c.measuring_id)
            .where(refusal.c.measuring_id.in_(measured))
            .order_by(tables.measuring.c.seq, refusal.c.seq)
        )
        of_readings = select(refusal).where(refusal.c.read_id == read_id, refusal.c.measuring_id.is_(None))
        with self._looking() as connection:
            self._must_be_finished(connection, read_id)
            found = [*connection.execute(of_pictures), *connection.execute(of_readings.order_by(refusal.c.seq))]
        return [Refusal(one.picture, one.strip, one.reason, one.what_to_do) for one in found]

    def _must_be_open(self, connection: Connection, read_id: str) -> None:
        self._must_exist(connection, tables.read, read_id)
        if _ended(connection, read_id):
            raise ReadFinished(f"Read {read_id} is finished; nothing can be added to it. Read again.")

    def _must_be_finished(self, connection: Connection, read_id: str) -> None:
        self._must_exist(connection, tables.read, read_id)
        if not _ended(connection, read_id):
            raise ReadNotFinished(
                f"Read {read_id} was not brought to its end, so it has no results to show. Run `read` again; "
                "pictures measured already are not measured twice."
            )


def _ended(connection: Connection, read_id: str) -> bool:
    asked = select(tables.read_end.c.id).where(tables.read_end.c.read_id == read_id)
    return connection.execute(asked).first() is not None


# ---- records -----------------------------------------------------------------------------------------------


def _mark_record(mark: Mark, measuring_id: str) -> dict[str, Any]:
    return {
        "measuring_id": measuring_id,
        "row_id": mark.row_id,
        "body": dumps(mark.body),
        "flags": dumps(mark.flags),
    }


def _reading_record(one: Reading, read_id: str, method: str, ordinal: int) -> dict[str, Any]:
    value = float(one.measured.value)
    return {
        "read_id": read_id,
        "method": method,
        "ordinal": ordinal,
        "product": one.product,
        "quantity": one.quantity,
        "value": value if math.isfinite(value) else None,
        "body": body_of(one),
        "flags": dumps(one.flags),
    }


def _result_record(one: Result, read_id: str, method: str, ordinal: int) -> dict[str, Any]:
    return {
        "read_id": read_id,
        "method": method,
        "ordinal": ordinal,
        "product": one.product,
        "quantity": one.quantity,
        "body": body_of(one),
        "flags": dumps(one.flags),
    }


def _read(found: RowMapping) -> StoredRead:
    return StoredRead(
        id=found["id"],
        code_version=found["code_version"],
        settings=loads(found["settings"]),
        seed=found["seed"],
        methods=loads(found["methods"]),
        rows_seen=found["rows_seen"],
        started_at=found["made_at"],
        started_offset=found["made_offset"],
        finished_at=found["finished_at"],
        note=found["note"] or "",
    )


# ---- looking things up -------------------------------------------------------------------------------------


def _of_read(table: Any, read_id: str, method: str | None) -> Select[Any]:
    asked = select(table).where(table.c.read_id == read_id).order_by(table.c.seq)
    return asked if method is None else asked.where(table.c.method == method)


def _readings_from(picture_id: str) -> Select[Any]:
    """Ids of the readings that have a mark in a picture."""
    pairs, mark, measuring = tables.reading_mark, tables.mark, tables.measuring
    return (
        select(pairs.c.reading_id)
        .join(mark, mark.c.id == pairs.c.mark_id)
        .join(measuring, measuring.c.id == mark.c.measuring_id)
        .where(measuring.c.picture_id == picture_id)
    )


def _ids(connection: Connection, table: Any, read_id: str, method: str) -> list[str]:
    return list(connection.execute(_of_read(table, read_id, method).with_only_columns(table.c.id)).scalars())


def _count(connection: Connection, table: Any, read_id: str, method: str | None = None) -> int:
    asked = select(func.count()).select_from(table).where(table.c.read_id == read_id)
    return connection.execute(asked if method is None else asked.where(table.c.method == method)).scalar_one()
