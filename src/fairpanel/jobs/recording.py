"""Rows by form and by pasted table, for any method: the same checks as a table from a file, faults at their fields."""

from __future__ import annotations

import dataclasses
import os
import shutil
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fairpanel.files.tables import TableFaults, write_table
from fairpanel.jobs.entering import Conflict, Faulty
from fairpanel.jobs.run_sheet import NOUN as EVENT
from fairpanel.jobs.run_sheet import rows_of, sheet
from fairpanel.jobs.take_in import TakeIn, identity_of, take_in, upgraded
from fairpanel.methods import DEFAULT, all_methods
from fairpanel.methods.columns import Column, Fault, columns_of, read_cells
from fairpanel.methods.contract import Method
from fairpanel.plan.clocks import EVENTS
from fairpanel.plan.things import KINDS
from fairpanel.storage.bench import Bench
from fairpanel.storage.changes import Change, changes, take_back
from fairpanel.storage.errors import NotOnBench
from fairpanel.storage.records import NewRow, StoredEntry, StoredRow

#: Most rows listed at once.
MOST_LISTED = 200


@dataclass(frozen=True)
class Listed:
    """Rows that were looked up: the newest that fit, and how many fit in all."""

    rows: tuple[StoredRow, ...]
    of: int


def method_named(name: str) -> Method:
    """A method by name.

    Raises
    ------
    NotOnBench
        It is not installed.
    """
    found = all_methods().get(name)
    if found is None:
        raise NotOnBench(f"There is no test method “{name}” here; at hand: {', '.join(all_methods())}.")
    return found


def short_columns(method: Method) -> list[Column]:
    """The columns that a list of rows shows."""
    return [c for c in columns_of(method.Row) if c.short_form]


def rows(folder: Path, method: str, *, words: str = "") -> Listed:
    """Rows of a method in which every one of these words stands, the last first."""
    wanted = words.casefold().split()
    with Bench.open(folder) as bench:
        found = [r for r in reversed(bench.current_rows(method)) if _has(r, wanted)]
    return Listed(tuple(found[:MOST_LISTED]), len(found))


def _has(row: StoredRow, words: Sequence[str]) -> bool:
    all_of_it = " ".join(str(v) for v in row.body.values() if v is not None).casefold()
    return all(w in all_of_it for w in words)


def row_history(folder: Path, row_id: str) -> list[StoredRow]:
    """Every entry about the same thing as this row, oldest first.

    Raises
    ------
    NotOnBench
    """
    with Bench.open(folder) as bench:
        return bench.row_history(row_id)


def cells_of(method: Method, row: StoredRow) -> dict[str, str]:
    """A row as cells of a form."""
    body = upgraded(method.name, row.body, row.method_version)
    return {c.name: _cell(body.get(c.name)) for c in columns_of(method.Row)}


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:.10g}" if isinstance(value, float) else str(value)


# ---- one row by form ---------------------------------------------------------------------------------------------


def enter_row(folder: Path, method: Method, typed: Mapping[str, str]) -> str:
    """Enter one row; returns its id.

    Raises
    ------
    Faulty, BenchError
    """
    row = _checked(method, typed)
    with Bench.open(folder, writing=True, doing="entering a row") as bench:
        _check_together(bench, method, row)
        name, sha256 = _picture(bench, method, row)
        new = NewRow(method.name, method.version, identity_of(row), dataclasses.asdict(row), 0, name, sha256)
        beside = _beside(bench, method, new)
        taken = bench.add_take_in(table_name="", rows=[*beside, new], nouns=_nouns(row), upgrade=upgraded)
        return taken.row_ids[-1]


def amend_row(folder: Path, row_id: str, typed: Mapping[str, str], *, reason: str) -> str:
    """Change one row; returns the id of its new entry, or the same where nothing is different.

    What the row is about (its picture and strip, say) cannot be changed: that is another row.

    Raises
    ------
    Faulty, Conflict, BenchError
    """
    faults = {} if reason.strip() else {"reason": "is empty. Say why it is changed, in a few words."}
    with Bench.open(folder, writing=True, doing="changing a row") as bench:
        now = _newest(bench, row_id)
        method = method_named(now.method)
        try:
            row = _checked(method, typed)
        except Faulty as problem:
            raise Faulty(problem.wrong | faults) from problem
        if identity_of(row) != now.identity:
            faults |= _of_identity(method, row, now)
        if faults:
            raise Faulty(faults)
        if cells_of(method, now) == {c.name: _cell(getattr(row, c.name)) for c in columns_of(method.Row)}:
            return row_id
        _check_together(bench, method, row, instead_of=row_id)
        new = bench.amend_row(row_id, dataclasses.asdict(row), reason=reason, method_version=method.version)
        known = {(e.noun, e.name) for e in bench.nouns()}
        for noun, name in _nouns(row):
            if (noun, name) not in known:
                bench.enter(noun, name)
        return new


def withdraw_row(folder: Path, row_id: str, *, reason: str) -> None:
    """Take a row out; it stays on record.

    Raises
    ------
    Faulty, Conflict, BenchError
    """
    if not reason.strip():
        raise Faulty({"reason": "is empty. Say why it is taken out, in a few words."})
    with Bench.open(folder, writing=True, doing="taking out a row") as bench:
        _newest(bench, row_id)
        bench.withdraw_rows([row_id], reason=reason)


def _newest(bench: Bench, row_id: str) -> StoredRow:
    newest = bench.row_history(row_id)[-1]
    if newest.id != row_id:
        raise Conflict(
            StoredEntry(newest.id, "row", f"row {newest.identity.replace(chr(31), ', ')}", newest.body, newest.replaces,
                        newest.reason, newest.made_at, newest.made_offset)
        )  # fmt: skip
    return newest


def _checked(method: Method, typed: Mapping[str, str]) -> Any:
    names = {c.name for c in columns_of(method.Row)}
    row, faults = read_cells(method.Row, {n: c for n, c in typed.items() if n in names}, 0)
    if faults:
        raise Faulty(by_field(faults))
    return row


def _check_together(bench: Bench, method: Method, row: Any, *, instead_of: str = "") -> None:
    """The method's own rules over the new row and all that it could clash with."""
    if not hasattr(method.Row, "check"):
        return
    others = [r for r in bench.current_rows(method.name) if r.id != instead_of]
    lines = [(i + 1, method.Row(**upgraded(method.name, r.body, r.method_version))) for i, r in enumerate(others)]
    old = {str(f) for f in method.Row.check(lines)}
    mine = len(lines) + 1
    fresh = [f for f in method.Row.check([*lines, (mine, row)]) if f.row == mine or str(f) not in old]
    if fresh:
        raise Faulty(by_field(fresh))


def by_field(faults: Iterable[Fault]) -> dict[str, str]:
    """Faults of one row by field; those of none under ""."""
    found: dict[str, str] = {}
    for fault in faults:
        at = fault.column or ""
        found[at] = f"{found[at]} {fault.message}" if at in found else fault.message
    return found


def _of_identity(method: Method, row: Any, now: StoredRow) -> dict[str, str]:
    before = method.Row(**upgraded(method.name, now.body, now.method_version))
    return {
        c.name: f"says which row this is (“{getattr(before, c.name)}”) and stays. Take this row out and enter another."
        for c in columns_of(method.Row)
        if c.identity and getattr(row, c.name) != getattr(before, c.name)
    }


def _beside(bench: Bench, method: Method, new: NewRow) -> list[NewRow]:
    """Rows that stand under the same identity: rows are told apart by their order, so all are given together."""
    standing = [r for r in bench.current_rows(method.name) if r.identity == new.identity]
    return [
        NewRow(r.method, r.method_version, r.identity, r.body, 0, r.picture_name, _hash_of(bench, r.picture_id))
        for r in sorted(standing, key=lambda r: r.ordinal)
    ]


def _hash_of(bench: Bench, picture_id: str | None) -> str:
    return next((p.sha256 for p in bench.pictures() if p.id == picture_id), "")


def _picture(bench: Bench, method: Method, row: Any) -> tuple[str, str]:
    for about in columns_of(method.Row):
        name = getattr(row, about.name) if about.noun == "picture" else None
        if name:
            found = [p for p in bench.pictures() if p.name == name]
            if not found:
                raise Faulty({about.name: f"There is no picture “{name}” on the bench. Add it on the page “Pictures”."})
            return name, found[-1].sha256
    return "", ""


def _nouns(row: Any) -> list[tuple[str, str]]:
    return [
        (about.noun, str(getattr(row, about.name)))
        for about in columns_of(type(row))
        if about.noun and about.noun != "picture" and getattr(row, about.name)
    ]


# ---- a table -----------------------------------------------------------------------------------------------------


def take_in_table(
    folder: Path, data: bytes, name: str, *, pictures: Iterable[tuple[str, bytes]] = (), reason: str = ""
) -> TakeIn:
    """Take in a pasted or dropped table; pictures it names come with it or are on the bench already.

    Raises
    ------
    TableFaults, BenchError
    """
    with tempfile.TemporaryDirectory(prefix="fairpanel-") as made:
        place = Path(made)
        _lay_out_known(folder, place, data)
        for one, content in pictures:
            (place / _plain(one)).unlink(missing_ok=True)
            (place / _plain(one)).write_bytes(content)
        table = place / _plain(name)
        table.unlink(missing_ok=True)
        table.write_bytes(data)
        try:
            return take_in(folder, table, amend=reason)
        except TableFaults as problem:
            raise TableFaults(name, [_for_the_page(f) for f in problem.faults]) from problem


def _lay_out_known(folder: Path, place: Path, data: bytes) -> None:
    """Pictures on the bench that the table may name, beside it."""
    with Bench.open(folder) as bench:
        for picture in bench.pictures():
            if picture.name.encode() not in data:
                continue
            target = place / _plain(picture.name)
            target.unlink(missing_ok=True)
            source = bench.folder / "originals" / picture.file
            if not source.is_file() or picture.media_type.startswith("text/"):
                continue
            try:
                os.link(source, target)
            except OSError:
                shutil.copyfile(source, target)


def _plain(name: str) -> str:
    return Path(name.replace("\\", "/")).name or "table.csv"


def _for_the_page(fault: Fault) -> Fault:
    words = (
        fault.message.replace("say why: --amend REASON", "say why in the field “Reason”")
        .replace("there is no file", "there is no picture")
        .replace("beside the table", "on the bench, and none came with the table")
        .replace("`fairpanel take-in --example` writes one to start from", "Paste the headings too")
    )
    return Fault(fault.row, fault.column, words)


def in_words(taken: TakeIn) -> str:
    """What a take-in did."""
    if not taken.taken:
        return "Everything in this table is on the bench already; nothing was changed."
    comparison = taken.comparison
    parts = [
        f"{len(found)} {words}"
        for found, words in (
            (comparison.added, "added"),
            (comparison.changed, "changed"),
            (comparison.unchanged, "as before"),
        )
        if found
    ]
    return f"Rows: {', '.join(parts)}. Pictures named: {taken.pictures}."


# ---- taking a change back ----------------------------------------------------------------------------------------


def undo(folder: Path, change_id: str) -> None:
    """Take a change back, by a new record.

    Raises
    ------
    AlreadyReplaced, NotOnBench, BenchError
    """
    with Bench.open(folder, writing=True, doing="taking a change back") as bench:
        take_back(bench, change_id, reason="undone")


@dataclass(frozen=True)
class Told:
    """A change as it is told: what it is about, in words, with the address of it where there is one."""

    change: Change
    about: str
    address: str


def history(folder: Path, *, most: int, before: str = "9") -> list[Told]:
    """The newest changes before a moment, the newest first."""
    with Bench.open(folder) as bench:
        found = changes(bench, most=most, before=before)
        runs = {e.id: e.name for e in bench.all_entries("run")}
        happened = {e.id: e.body for e in bench.all_entries(EVENT)} if any(c.noun == EVENT for c in found) else {}
    return [_told(c, runs, happened) for c in found]


def _told(change: Change, runs: Mapping[str, str], happened: Mapping[str, Mapping[str, Any]]) -> Told:
    if change.noun == EVENT:
        words = EVENTS.get(happened[change.id].get("kind", ""), "event")
        return Told(change, f"Run {runs.get(change.name, '')}: {words}", f"/runs/{change.name}/sheet")
    if change.what == "rows":
        return Told(change, f"Table “{change.name}”" if change.name else "Form", "/rows")
    kind = next((k for k in KINDS if k.noun == change.noun), None)
    named = f"{(kind.one if kind else change.noun).capitalize()} {change.name}"
    return Told(change, named, f"{kind.address}/{change.id}" if kind else "")


# ---- from a run --------------------------------------------------------------------------------------------------


def table_of_run(folder: Path, run_id: str) -> str:
    """Rows of a run to be completed, as a table of the first method; empty where nothing was exposed yet.

    Only columns that the method has are filled; its own names for what a run knows are the usual ones.
    """
    method = method_named(DEFAULT)
    columns = [c.name for c in columns_of(method.Row)]
    made = [row for row in rows_of(sheet(folder, run_id)) if "seconds" in columns]
    if not made:
        return ""
    short = {c.name for c in short_columns(method)}
    filled = [c for c in columns if c in short or any(c in row for row in made)]
    return write_table(filled, made, separator="\t").decode("utf-8-sig")
