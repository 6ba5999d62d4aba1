"""Columns of a method's row: what the tester writes down, with type, unit and help.

A method declares a frozen dataclass whose fields are made with `column`. Take-in, the template, web forms and
tables are all made from these declarations, so a new method needs no code elsewhere.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any


@dataclass(frozen=True, slots=True)
class Fault:
    """Something wrong in what was typed: where, what, and what to do about it.

    `row` counts the table's lines as a spreadsheet shows them (the heading is line 1); `column` is its heading.
    """

    row: int | None
    column: str | None
    message: str

    def __str__(self) -> str:
        place = f"row {self.row}" if self.row else "table"
        if self.column:
            place += f", column {self.column}"
        return f"{place}: {self.message}"


class CellError(ValueError):
    """A cell cannot be understood; the message says what was expected."""


@dataclass(frozen=True, slots=True)
class Column:
    """Declaration of one column. Made with `column`, read with `columns_of`."""

    name: str
    read: Callable[[str], Any]
    unit: str
    required: bool
    choices: tuple[str, ...]
    help: str
    example: str
    noun: str
    short_form: bool
    identity: bool


def column(
    read: Callable[[str], Any],
    *,
    unit: str = "",
    required: bool = False,
    choices: tuple[str, ...] = (),
    help: str,
    example: str = "",
    noun: str = "",
    short_form: bool = False,
    identity: bool = False,
    default: Any = None,
) -> Any:
    """Declare a column of a method's row.

    Parameters
    ----------
    read : callable
        Turns the cell's text into a value; raises `CellError`.
    unit : str
        Unit of the value.
    required : bool
        An empty cell is a fault.
    choices : tuple of str
        The only values allowed, if any.
    help, example : str
        Shown in the template and beside the field.
    noun : str
        What the value names on the bench ("product", "picture", "specimen", "campaign", "run", ...).
    short_form : bool
        Part of the short template.
    identity : bool
        Says which thing the row is about: the same table read again is matched by these columns.
    """
    about = {
        "read": read,
        "unit": unit,
        "required": required,
        "choices": choices,
        "help": help,
        "example": example,
        "noun": noun,
        "short_form": short_form,
        "identity": identity,
    }
    return dataclasses.field(default=default, metadata=about)


def columns_of(row_type: type) -> tuple[Column, ...]:
    """The columns of a method's row, in order."""
    return tuple(Column(name=f.name, **f.metadata) for f in dataclasses.fields(row_type) if f.metadata)


def read_cells(row_type: type, cells: Mapping[str, str], line: int) -> tuple[Any | None, list[Fault]]:
    """One row of a table as a method's row, or all its faults.

    Parameters
    ----------
    row_type : dataclass
        The method's `Row`.
    cells : mapping of heading to text
        Headings as the row type spells them; those of other methods are a fault unless empty.
    line : int
        Line in the table, for the messages.

    Returns
    -------
    row or None, faults
    """
    faults: list[Fault] = []
    values: dict[str, Any] = {}
    known = columns_of(row_type)
    for about in known:
        text = cells.get(about.name, "").strip()
        if not text:
            if about.required:
                faults.append(Fault(line, about.name, f"is empty. Write {about.help}"))
            continue
        try:
            value = about.read(text)
        except CellError as problem:
            faults.append(Fault(line, about.name, str(problem)))
            continue
        if about.choices and value not in about.choices:
            faults.append(Fault(line, about.name, f"“{text}” is not one of: {', '.join(about.choices)}"))
            continue
        values[about.name] = value
    for extra in set(cells) - {c.name for c in known}:
        if cells[extra].strip():
            faults.append(Fault(line, extra, "this test method has no such column; leave it empty"))
    return (None if faults else row_type(**values)), faults


# ---- kinds of cell -------------------------------------------------------------------------------------------


def text(cell: str) -> str:
    """Any text, inner white space folded."""
    return " ".join(cell.split())


def one_of(cell: str) -> str:
    """A word from a list: case and underscores do not matter."""
    return " ".join(cell.replace("_", " ").split()).casefold()


_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")


def number(cell: str) -> float:
    """A number with decimal point or comma.

    >>> number("0,97")
    0.97
    """
    packed = cell.strip().replace("\u2212", "-").replace("\u00a0", "").replace(" ", "")
    if not _NUMBER.fullmatch(packed):
        raise CellError(f"“{cell}” is not a number")
    value = float(packed.replace(",", "."))
    if not math.isfinite(value):
        raise CellError(f"“{cell}” is too large")
    return value


def not_negative(cell: str) -> float:
    """A number that is zero or more."""
    value = number(cell)
    if value < 0:
        raise CellError(f"“{cell}” is below zero")
    return value


def positive(cell: str) -> float:
    """A number above zero."""
    value = number(cell)
    if value <= 0:
        raise CellError(f"“{cell}” must be above zero")
    return value


_UNITS = {"": 1.0, "s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0, "min": 60.0, "minute": 60.0, "minutes": 60.0,
          "h": 3600.0, "hour": 3600.0, "hours": 3600.0}  # fmt: skip
_TIMED = re.compile(r"\s*([+\-\u2212]?[\d.,]+)\s*([a-zA-Z]*)\.?\s*")


def duration(cell: str) -> float:
    """A length of time: seconds, or with a unit ("4 min", "0,5 h", "1 min 30 s", "1:30").

    >>> duration("4 min"), duration("240"), duration("1 min 30 s"), duration("1:30")
    (240.0, 240.0, 90.0, 90.0)
    """
    clock = re.fullmatch(r"\s*(\d+):([0-5]\d)\s*", cell)
    if clock:
        return 60.0 * int(clock[1]) + int(clock[2])
    total, at = 0.0, 0
    while at < len(cell):
        part = _TIMED.match(cell, at)
        if not part or part[2].casefold() not in _UNITS or (at > 0 and not part[2]):
            raise CellError(f"“{cell}” is not a time; write seconds (240) or a unit (4 min)")
        total += number(part[1]) * _UNITS[part[2].casefold()]
        at = part.end()
    if total < 0 or cell.strip()[:1] in "-\u2212":
        raise CellError(f"“{cell}” is a time below zero")
    return total


def moment(cell: str) -> str:
    """A date, with time if known, as ISO 8601 writes it; kept as written.

    >>> moment("2026-02-03 14:20")
    '2026-02-03T14:20:00'
    """
    try:
        return datetime.fromisoformat(cell.strip()).isoformat()
    except ValueError:
        raise CellError(f"“{cell}” is not a date; write 2026-02-03 or 2026-02-03 14:20") from None
