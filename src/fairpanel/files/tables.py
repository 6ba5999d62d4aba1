"""Plain tables as spreadsheets write them: UTF-8 with or without BOM; comma, semicolon or tab."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from fairpanel.methods.columns import Fault

SEPARATORS = (";", "\t", ",")

#: A table larger than this is not one. [bytes]
MOST_BYTES = 20_000_000


class TableFaults(ValueError):
    """Everything that is wrong with a table, at once."""

    def __init__(self, name: str, faults: list[Fault]) -> None:
        self.name, self.faults = name, faults
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        lines = "\n".join(f"  {f}" for f in faults)
        super().__init__(f"{name}: {count}; nothing was taken in.\n{lines}")


@dataclass(frozen=True)
class Table:
    """Headings, and each line's cells by heading with its number as a spreadsheet shows it."""

    headings: tuple[str, ...]
    lines: tuple[tuple[int, dict[str, str]], ...]


def read_table(data: bytes, name: str) -> Table:
    """A table from its bytes.

    Headings are matched without regard to case; blanks in them count as underscores. Empty lines are passed over.

    Raises
    ------
    TableFaults
        Not UTF-8, empty, headings missing or twice, more cells than headings.
    """
    text = _decoded(data, name)
    first = next((line for line in text.splitlines() if line.strip()), "")
    separator = max(SEPARATORS, key=first.count)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    headings: tuple[str, ...] | None = None
    lines, faults = [], []
    try:
        for cells in rows:
            number = rows.line_num
            if not any(c.strip() for c in cells):
                continue
            if headings is None:
                headings, heading_faults = _headings(cells, number)
                faults += heading_faults
                continue
            if len(cells) > len(headings) and any(c.strip() for c in cells[len(headings) :]):
                faults.append(
                    Fault(number, None, f"has {len(cells)} cells under {len(headings)} headings. A comma inside a "
                                        "cell needs quotes, or save the table with semicolons"))  # fmt: skip
            lines.append((number, dict(zip(headings, [*cells, *[""] * len(headings)], strict=False))))
    except csv.Error as problem:
        faults.append(
            Fault(rows.line_num, None, f"cannot be split into cells ({problem}); save the table again as CSV")
        )
    if headings is None:
        faults.append(Fault(None, None, "is empty. `fairpanel take-in --example` writes one to start from"))
    elif not lines and not faults:
        faults.append(Fault(None, None, "has headings but no rows"))
    if faults:
        raise TableFaults(name, faults)
    assert headings is not None
    return Table(headings, tuple(lines))


def _decoded(data: bytes, name: str) -> str:
    if len(data) > MOST_BYTES:
        raise TableFaults(name, [Fault(None, None, "is larger than 20 MB; this is hardly a table of strips")])
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = "\0"
    if "\0" in text:
        raise TableFaults(
            name, [Fault(None, None, "is not text in UTF-8. Save it from the spreadsheet as “CSV UTF-8”")]
        )
    return text


def _headings(cells: list[str], number: int) -> tuple[tuple[str, ...], list[Fault]]:
    names = tuple("_".join(c.replace("_", " ").split()).casefold() for c in cells)
    while names and not names[-1]:
        names = names[:-1]
    faults = [Fault(number, f"{i + 1}", "has no heading") for i, n in enumerate(names) if not n]
    twice = sorted({n for n in names if n and names.count(n) > 1})
    faults += [Fault(number, n, "stands twice in the headings") for n in twice]
    return names, faults


def write_table(headings: list[str], rows: list[dict[str, str]], separator: str = ",") -> bytes:
    """A table as UTF-8 with BOM, which spreadsheets open without asking."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=separator, lineterminator="\r\n")
    writer.writerow(headings)
    writer.writerows([[row.get(h, "") for h in headings] for row in rows])
    return b"\xef\xbb\xbf" + out.getvalue().encode()
