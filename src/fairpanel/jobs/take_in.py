"""Taking in a table of what was done, with the pictures it names. All of it, or nothing with every fault said."""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fairpanel.files.picture_headers import PictureError
from fairpanel.files.pictures import inspect
from fairpanel.files.tables import Table, TableFaults, read_table
from fairpanel.methods import DEFAULT, all_methods
from fairpanel.methods.columns import Fault, columns_of, read_cells
from fairpanel.methods.contract import Method
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import ReasonNeeded
from fairpanel.storage.records import Comparison, NewRow

METHOD_COLUMN = "method"

#: A picture file larger than this is refused. [bytes]
MOST_BYTES = 400_000_000


@dataclass(frozen=True)
class TakeIn:
    """What a take-in did. `taken` is False when the table said nothing new; `notes` are remarks, not faults."""

    taken: bool
    comparison: Comparison
    pictures: int
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Line:
    number: int
    method: Method
    row: Any


def take_in(
    bench_folder: Path,
    table_path: Path,
    *,
    amend: str = "",
    progress: Callable[[int, int, str], None] = lambda done, of, what: None,
) -> TakeIn:
    """Take in a table and its pictures.

    Parameters
    ----------
    bench_folder, table_path : path
        Pictures are named relative to the table.
    amend : str
        The reason, where rows on the bench change.
    progress : callable
        `(done, of, what)`.

    Raises
    ------
    TableFaults
        Every fault of the table and its pictures.
    BenchError
    """
    data = _table_bytes(table_path)
    table = read_table(data, table_path.name)
    lines, faults = _lines(table)
    paths, missing = _picture_paths(lines, table_path.parent)
    faults += missing
    with Bench.open(bench_folder, writing=True, doing="taking in a table") as bench:
        faults += _unreadable(paths, lines, progress)
        if faults:
            raise TableFaults(table_path.name, sorted(faults, key=lambda f: (f.row or 0, f.column or "")))
        staged, hashes = [], {}
        for name, path in paths.items():
            one = bench.stage(path.read_bytes(), name=name)
            staged.append(one)
            hashes[name] = one.sha256
        rows = [_new_row(line, hashes) for line in lines]
        try:
            taken = bench.add_take_in(
                table_name=table_path.name,
                rows=rows,
                table=data,
                pictures=staged,
                nouns=_nouns(lines),
                reason=amend,
                withdraw_missing=bool(amend),
                upgrade=upgraded,
            )
        except ReasonNeeded as problem:
            raise TableFaults(
                table_path.name,
                [Fault(n, None, "differs from what is on the bench. If the change is meant, say why: --amend REASON")
                 for n in problem.lines] or [Fault(None, None, str(problem))],
            ) from problem  # fmt: skip
    notes = _notes(lines, taken.comparison, amend)
    return TakeIn(taken.id is not None, taken.comparison, len(paths), notes)


def upgraded(method: str, body: Mapping[str, Any], version: int) -> Mapping[str, Any]:
    """A stored row's body as its method's present version writes it."""
    found = all_methods().get(method)
    if found is None or not hasattr(found.Row, "upgrade"):
        return body
    return found.Row.upgrade(dict(body), version)


def _table_bytes(path: Path) -> bytes:
    if path.is_dir():
        raise TableFaults(path.name, [Fault(None, None, "is a folder; name the table in it")])
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise TableFaults(path.name, [Fault(None, None, f"there is no such file in {path.parent}")]) from None
    except OSError as problem:
        raise TableFaults(path.name, [Fault(None, None, f"cannot be opened ({problem.strerror})")]) from None


# ---- rows ------------------------------------------------------------------------------------------------------


def _lines(table: Table) -> tuple[list[_Line], list[Fault]]:
    methods = all_methods()
    faults: list[Fault] = []
    used: dict[str, Method] = {}
    named = []
    for number, cells in table.lines:
        name = cells.get(METHOD_COLUMN, "").strip() or DEFAULT
        key = "_".join(name.casefold().split())
        method = methods.get(name) or methods.get(key)
        if method is None:
            faults.append(
                Fault(number, METHOD_COLUMN, f"there is no test method “{name}”; at hand: {', '.join(methods)}")
            )
            continue
        used[method.name] = method
        named.append((number, method, cells))
    known = {c.name for m in used.values() for c in columns_of(m.Row)} | {METHOD_COLUMN}
    if used:
        faults += [_unknown(h, known) for h in table.headings if h not in known]
        faults += _missing_columns(table, used.values())
    lines = []
    for number, method, cells in named:
        own = {h: c for h, c in cells.items() if h != METHOD_COLUMN and h in known}
        row, wrong = read_cells(method.Row, own, number)
        faults += [f for f in wrong if f.column in table.headings or f.column is None]
        if row is not None:
            lines.append(_Line(number, method, row))
    for method in used.values():
        rows = [(line.number, line.row) for line in lines if line.method is method]
        faults += method.Row.check(rows) if hasattr(method.Row, "check") else []
    return lines, faults


def _unknown(heading: str, known: set[str]) -> Fault:
    import difflib

    near = difflib.get_close_matches(heading, sorted(known), 1)
    hint = f"; did you mean “{near[0]}”?" if near else f". Columns are: {', '.join(sorted(known))}"
    return Fault(1, heading, f"is not a column of this table{hint}")


def _missing_columns(table: Table, methods: Any) -> list[Fault]:
    needed = {c.name: c for m in methods for c in columns_of(m.Row) if c.required}
    return [
        Fault(1, name, f"is missing. It holds {about.help}")
        for name, about in needed.items()
        if name not in table.headings
    ]


def identity_of(row: Any) -> str:
    """Which thing a row is about, in text."""
    return "\x1f".join(str(getattr(row, c.name) or "") for c in columns_of(type(row)) if c.identity)


def _new_row(line: _Line, hashes: Mapping[str, str]) -> NewRow:
    picture = _picture_name(line)
    return NewRow(
        line.method.name,
        line.method.version,
        identity_of(line.row),
        dataclasses.asdict(line.row),
        line.number,
        picture,
        hashes.get(picture, ""),
    )


def _nouns(lines: Sequence[_Line]) -> list[tuple[str, str]]:
    """Things the rows name that the bench keeps an entry of; pictures are kept otherwise."""
    found: dict[tuple[str, str], None] = {}
    for line in lines:
        for about in columns_of(type(line.row)):
            name = getattr(line.row, about.name)
            if about.noun and about.noun != "picture" and name:
                found[about.noun, str(name)] = None
    return list(found)


def _notes(lines: Sequence[_Line], comparison: Comparison, amend: str) -> tuple[str, ...]:
    notes = [
        f"row {line.number}: a step has no product; “{line.row.product}” is left aside"
        for line in lines
        if getattr(line.row, "is_step", False) and getattr(line.row, "product", None)
    ]
    if comparison.missing and not amend:
        n = len(comparison.missing)
        rows, them = ("1 row", "it") if n == 1 else (f"{n} rows", "them")
        notes.append(
            f"{rows} of an earlier table of this name found no match in this one; nothing was taken out. To take "
            f"{them} out, say why: --amend REASON"
        )
    return tuple(notes)


# ---- pictures --------------------------------------------------------------------------------------------------


def _picture_name(line: _Line) -> str:
    for about in columns_of(type(line.row)):
        if about.noun == "picture":
            return getattr(line.row, about.name) or ""
    return ""


def _picture_paths(lines: Sequence[_Line], folder: Path) -> tuple[dict[str, Path], list[Fault]]:
    first: dict[str, int] = {}
    for line in lines:
        if name := _picture_name(line):
            first.setdefault(name, line.number)
    paths, faults = {}, []
    for name, number in first.items():
        path = folder / name
        if path.is_dir():
            faults.append(Fault(number, "picture", f"“{name}” is a folder, not a picture"))
        elif not path.is_file():
            faults.append(Fault(number, "picture", f"there is no file “{name}” beside the table"))
        elif path.stat().st_size > MOST_BYTES:
            faults.append(Fault(number, "picture", f"“{name}” is larger than 400 MB"))
        else:
            paths[name] = path
    return paths, faults


def _unreadable(
    paths: Mapping[str, Path], lines: Sequence[_Line], progress: Callable[[int, int, str], None]
) -> list[Fault]:
    """Faults of the pictures' files, each found by reading it whole."""
    first = defaultdict(int)
    for line in reversed(lines):
        first[_picture_name(line)] = line.number

    def check(item: tuple[str, Path]) -> Fault | None:
        name, path = item
        try:
            inspect(path.read_bytes(), name)
        except PictureError as problem:
            return Fault(first[name], "picture", f"“{name}” {problem.reason}. {problem.what_to_do}")
        except OSError as problem:
            return Fault(first[name], "picture", f"“{name}” cannot be opened ({problem.strerror})")
        return None

    faults = []
    with ThreadPoolExecutor(2) as pool:
        for done, fault in enumerate(pool.map(check, paths.items()), 1):
            progress(done, len(paths), "pictures looked at")
            if fault:
                faults.append(fault)
    return faults


# ---- templates -------------------------------------------------------------------------------------------------


def template(method: Method, *, full: bool) -> bytes:
    """A table to start from: one row of examples, in the short form or with every column."""
    from fairpanel.files.tables import write_table

    shown = [c for c in columns_of(method.Row) if full or c.short_form]
    headings = [c.name for c in shown] + ([METHOD_COLUMN] if full else [])
    rows = getattr(method.Row, "example_rows", lambda: [{c.name: c.example for c in shown}])()
    return write_table(headings, [{**row, METHOD_COLUMN: method.name} for row in rows])
