"""What was done, as the tester entered it. A change is a new entry with a reason."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, RowMapping, func, insert, select

from fairpanel.storage import tables
from fairpanel.storage.codec import dumps, loads
from fairpanel.storage.comparing import Key, Matched, OnRecord, Upgrade, compare, match
from fairpanel.storage.errors import AlreadyReplaced, NotOnBench, ReasonNeeded
from fairpanel.storage.nouns import Nouns
from fairpanel.storage.pictures import files_named, ids_by_hash
from fairpanel.storage.records import Comparison, NewRow, Staged, StoredRow, TakenIn
from fairpanel.storage.store import in_portions


def _as_it_is(method: str, body: Mapping[str, Any], version: int) -> Mapping[str, Any]:
    return body


class Rows(Nouns):
    """Taking in and getting back what was done."""

    def compare_take_in(self, table_name: str, rows: Sequence[NewRow], *, upgrade: Upgrade = _as_it_is) -> Comparison:
        """What taking in this table would add and change. Nothing is saved."""
        with self._looking() as connection:
            on_record = _on_record(connection, {row.method for row in rows})
        return compare(match(rows, on_record, upgrade), on_record, table_name)

    def add_take_in(
        self,
        *,
        table_name: str,
        rows: Sequence[NewRow],
        table: bytes = b"",
        pictures: Iterable[Staged] = (),
        nouns: Iterable[tuple[str, str]] = (),
        reason: str = "",
        withdraw_missing: bool = False,
        upgrade: Upgrade = _as_it_is,
    ) -> TakenIn:
        """Take in a table with its pictures and the things it names, all or nothing.

        A table that says nothing new changes nothing. Staged pictures are placed, or dropped if this fails.

        Parameters
        ----------
        table_name : str
            Name of its file, without folder; empty for a form.
        rows : sequence of NewRow
            In the table's order.
        table : bytes
            The table as received; kept among the originals.
        pictures : iterable of Staged
            Every picture that a row names and the bench does not hold yet.
        nouns : iterable of (noun, name)
            Things the rows name; those not known yet are entered.
        reason : str
            Why; needed as soon as anything on record changes.
        withdraw_missing : bool
            Withdraw rows of an earlier table of that name, about the same pictures, which are not in this
            one. Needs the reason too.
        upgrade : callable
            `(method, body, version) -> body`, to compare rows written by an older version of their method.

        Raises
        ------
        ReasonNeeded
            Something would change and no reason is given; `lines` says which lines.
        NotOnBench
            A row names a picture that is neither staged nor on the bench.
        DiskFull, CannotWrite, BenchInUse, NotWriting
        """
        pictures = list(pictures)
        with self._staged(pictures) as waiting:
            sheet = self._stage_table(table, table_name, waiting)
            with self._saving() as connection:
                on_record = _on_record(connection, {row.method for row in rows})
                matched = match(rows, on_record, upgrade)
                comparison = compare(matched, on_record, table_name)
                _need_reason(comparison, reason, withdraw_missing)
                if not self._is_news(connection, comparison, withdraw_missing, pictures, nouns):
                    return TakenIn(None, tuple(m.known.row.id for m in matched if m.known), comparison)
                take_in_id = self._new_take_in(connection, "rows", table_name, sheet, reason)
                ids = self._name_pictures(connection, pictures)
                row_ids = self._save_rows(connection, matched, take_in_id, ids, reason)
                self._ensure(connection, nouns)
                if withdraw_missing:
                    self._withdraw(connection, comparison.missing, reason, take_in_id)
        return TakenIn(take_in_id, tuple(row_ids), comparison)

    @contextmanager
    def _staged(self, pictures: Iterable[Staged]) -> Iterator[list[Staged]]:
        """Staged files during a take-in: placed when a record names them, thrown away when none does."""
        waiting = list(pictures)
        try:
            yield waiting
        except BaseException:
            self.drop_staged(waiting)
            raise
        with self._looking() as connection:
            named = files_named(connection)
        self._place(one for one in waiting if one.file in named)
        self.drop_staged(waiting)

    def _stage_table(self, table: bytes, name: str, waiting: list[Staged]) -> Staged | None:
        if not table:
            return None
        waiting.append(self.stage(table, name=name, media_type="text/csv"))
        return waiting[-1]

    def _is_news(
        self,
        connection: Connection,
        comparison: Comparison,
        withdraw_missing: bool,
        pictures: Sequence[Staged],
        nouns: Iterable[tuple[str, str]],
    ) -> bool:
        hashes = {one.sha256 for one in pictures}
        return bool(
            comparison.added
            or comparison.changed
            or comparison.reordered
            or (withdraw_missing and comparison.missing)
            or hashes - ids_by_hash(connection, hashes).keys()
            or self._unknown(connection, nouns)
        )

    def _new_take_in(
        self,
        connection: Connection,
        kind: str,
        table_name: str,
        sheet: Staged | None,
        reason: str,
        replaces: str | None = None,
    ) -> str:
        return self._add(
            connection,
            tables.take_in,
            kind=kind,
            table_name=table_name,
            table_sha256=sheet.sha256 if sheet else "",
            table_file=sheet.file if sheet else "",
            replaces=replaces,
            reason=reason,
        )

    def _save_rows(
        self,
        connection: Connection,
        matched: Sequence[Matched],
        take_in_id: str,
        picture_ids: Mapping[str, str],
        reason: str,
    ) -> list[str]:
        wanted = {m.new.picture_sha256 for m in matched if m.new.picture_sha256}
        picture_ids = {**picture_ids, **ids_by_hash(connection, wanted)}
        fresh = [m for m in matched if not m.same]
        ids = iter(
            self._add_all(connection, tables.row, [_record_of(m, take_in_id, picture_ids, reason) for m in fresh])
        )
        row_ids = [m.known.row.id if m.known and m.same else next(ids) for m in matched]
        places = [{"take_in_id": take_in_id, "row_id": id, "line": m.new.line} for id, m in zip(row_ids, matched)]
        if places:
            connection.execute(insert(tables.take_in_row), places)
        return row_ids

    # ---- single rows ---------------------------------------------------------------------------------------

    def amend_row(self, row_id: str, body: Any, *, reason: str, method_version: int | None = None) -> str:
        """Replace one row by another that is about the same thing, at the same place of its table.

        Returns
        -------
        str
            Id of the new entry.

        Raises
        ------
        ReasonNeeded, NotOnBench, AlreadyReplaced
        """
        _some_reason(reason)
        with self._saving() as connection:
            before = self._newest_row(connection, row_id)
            take_in_id = self._new_take_in(connection, "form", "", None, reason)
            record = _again(before, take_in_id, reason) | {
                "body": dumps(body),
                "method_version": before["method_version"] if method_version is None else method_version,
                "withdrawn": False,
            }
            new_id = self._add(connection, tables.row, **record)
            place = connection.execute(_listings().where(tables.take_in_row.c.row_id == row_id)).all()[-1]
            connection.execute(
                insert(tables.take_in_row),
                [{"take_in_id": place.take_in_id, "row_id": new_id, "line": place.line}],
            )
        return new_id

    def withdraw_rows(self, row_ids: Iterable[str], *, reason: str) -> None:
        """Take rows out of what is current; they stay on record.

        Raises
        ------
        ReasonNeeded, NotOnBench, AlreadyReplaced
        """
        _some_reason(reason)
        with self._saving() as connection:
            take_in_id = self._new_take_in(connection, "form", "", None, reason)
            before = [_row(self._newest_row(connection, row_id)) for row_id in row_ids]
            self._withdraw(connection, before, reason, take_in_id)

    def current_rows(self, method: str | None = None) -> list[StoredRow]:
        """The rows that stand, of one method or all, in the order of their tables.

        Rows come in the order in which they were last taken in, and within a table in the order of its lines;
        `line` is the line in that table.
        """
        with self._looking() as connection:
            methods = {method} if method is not None else _methods(connection)
            on_record = _on_record(connection, methods)
        standing = [known for known in on_record.values() if not known.row.withdrawn]
        return [known.row for known in sorted(standing, key=lambda known: known.place)]

    def rows_named(self, row_ids: Iterable[str]) -> dict[str, StoredRow]:
        """These entries as they were written, replaced since or not, by their ids; those not there are left out."""
        found: dict[str, StoredRow] = {}
        with self._looking() as connection:
            for portion in in_portions(row_ids):
                asked = select(tables.row).where(tables.row.c.id.in_(portion))
                found.update((one["id"], _row(one)) for one in connection.execute(asked).mappings())
        return found

    def rows_of_pictures(self, names: Iterable[str]) -> list[StoredRow]:
        """The rows that stand and name one of these pictures, in order of entry."""
        row = tables.row
        newer = row.alias("newer")
        standing = select(row).outerjoin(newer, newer.c.replaces == row.c.id).where(newer.c.id.is_(None))
        found: list[StoredRow] = []
        with self._looking() as connection:
            for portion in in_portions(names):
                asked = standing.where(row.c.picture_name.in_(portion), row.c.withdrawn.is_(False)).order_by(row.c.seq)
                found += [_row(one) for one in connection.execute(asked).mappings()]
        return found

    def row_history(self, row_id: str) -> list[StoredRow]:
        """Every entry about the same thing as this one, oldest first; each with the reason it was made for.

        Raises
        ------
        NotOnBench
        """
        with self._looking() as connection:
            return [_row(found) for found in self._line_of(connection, tables.row, row_id)]

    def _newest_row(self, connection: Connection, row_id: str) -> RowMapping:
        found = self._must_exist(connection, tables.row, row_id)
        if connection.execute(select(tables.row.c.id).where(tables.row.c.replaces == row_id)).first():
            raise AlreadyReplaced(
                f"Row {row_id} has been replaced already. Look at its history and change the newest entry."
            )
        return found

    def _withdraw(self, connection: Connection, rows: Sequence[StoredRow], reason: str, take_in_id: str) -> None:
        found = [self._must_exist(connection, tables.row, row.id) for row in rows]
        gone = [_again(before, take_in_id, reason) | {"withdrawn": True} for before in found]
        self._add_all(connection, tables.row, gone)


# ---- looking things up -------------------------------------------------------------------------------------


def _on_record(connection: Connection, methods: Iterable[str]) -> dict[Key, OnRecord]:
    """The newest entry of every row of these methods, standing or withdrawn."""
    row, picture = tables.row, tables.picture
    newer = row.alias("newer")
    asked = (
        select(row, picture.c.sha256.label("picture_sha256"))
        .outerjoin(picture, picture.c.id == row.c.picture_id)
        .outerjoin(newer, newer.c.replaces == row.c.id)
        .where(row.c.method.in_(sorted(methods)), newer.c.id.is_(None))
    )
    places = {at.row_id: at for at in connection.execute(_listings())}  # the latest is the one that stays
    found: dict[Key, OnRecord] = {}
    for one in connection.execute(asked).mappings():
        at = places.get(one["id"])
        stored = _row(one, at.line if at else one["line"])
        found[stored.method, stored.identity, stored.ordinal] = OnRecord(
            stored,
            one["picture_sha256"] or "",
            at.table_name if at else "",
            (at.seq, at.line) if at else (0, one["line"]),
        )
    return found


def _listings() -> Any:
    """Where each row stands in which table, oldest take-in first."""
    at, take_in = tables.take_in_row, tables.take_in
    return (
        select(at.c.row_id, at.c.take_in_id, at.c.line, take_in.c.seq, take_in.c.table_name)
        .join(take_in, take_in.c.id == at.c.take_in_id)
        .order_by(take_in.c.seq)
    )


def _methods(connection: Connection) -> set[str]:
    return set(connection.execute(select(tables.row.c.method).distinct()).scalars())


def count_of_rows(connection: Connection) -> int:
    """How many entries of rows there are: grows with every change."""
    return connection.execute(select(func.count()).select_from(tables.row)).scalar_one()


def _row(found: RowMapping, line: int | None = None) -> StoredRow:
    return StoredRow(
        id=found["id"],
        take_in_id=found["take_in_id"],
        method=found["method"],
        method_version=found["method_version"],
        identity=found["identity"],
        ordinal=found["ordinal"],
        body=loads(found["body"]),
        line=found["line"] if line is None else line,
        picture_id=found["picture_id"],
        picture_name=found["picture_name"],
        withdrawn=found["withdrawn"],
        replaces=found["replaces"],
        reason=found["reason"],
        made_at=found["made_at"],
        made_offset=found["made_offset"],
    )


# ---- making records ----------------------------------------------------------------------------------------


def _record_of(m: Matched, take_in_id: str, picture_ids: Mapping[str, str], reason: str) -> dict[str, Any]:
    new = m.new
    if new.picture_sha256 and new.picture_sha256 not in picture_ids:
        raise NotOnBench(
            f"Line {new.line} names the picture “{new.picture_name}”, which is not on the bench. Give it "
            "with the table."
        )
    return {
        "take_in_id": take_in_id,
        "method": new.method,
        "method_version": new.method_version,
        "identity": new.identity,
        "ordinal": m.ordinal,
        "body": dumps(new.body),
        "line": new.line,
        "picture_id": picture_ids.get(new.picture_sha256),
        "picture_name": new.picture_name,
        "withdrawn": False,
        "replaces": m.known.row.id if m.known else None,
        "reason": (reason or "entered again after it was withdrawn") if m.known else "",
    }


_CARRIED = ("method", "method_version", "identity", "ordinal", "body", "line", "picture_id", "picture_name")


def _again(before: RowMapping, take_in_id: str, reason: str) -> dict[str, Any]:
    carried = {name: before[name] for name in _CARRIED}
    return carried | {"take_in_id": take_in_id, "replaces": before["id"], "reason": reason}


def _some_reason(reason: str) -> None:
    if not reason.strip():
        raise ReasonNeeded("A change to what is on record needs a reason. Say why, in a few words.")


def _need_reason(comparison: Comparison, reason: str, withdraw_missing: bool) -> None:
    lines = tuple(new.line for _, new in comparison.changed)
    going = comparison.missing if withdraw_missing else ()
    if reason.strip() or not (lines or going or comparison.reordered):
        return
    what = []
    if lines:
        what.append(f"{len(lines)} rows differ from what is on record (lines {_listed(lines)})")
    if comparison.reordered:
        what.append("rows of one picture stand in another order than before")
    if going:
        what.append(f"{len(going)} rows taken in before are not in this table")
    raise ReasonNeeded(f"{'; '.join(what)}. Nothing was taken in. Say why, and they replace the old.", lines)


def _listed(lines: Sequence[int]) -> str:
    return ", ".join(map(str, lines[:20])) + (" …" if len(lines) > 20 else "")
