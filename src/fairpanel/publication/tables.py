"""Results and strips as tables that open in a spreadsheet, with what each column means."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

#: Meaning of the columns every method has; those of a single method are named by it.
MEANING = {
    "product": "the product, as the tester names it",
    "method": "the test method",
    "quantity": "what was measured",
    "unit": "unit of value, low, high and the limits",
    "value": "the value; empty where there is only a bound",
    "low": "lower end of the 95 % interval, or the bound “at least”",
    "high": "upper end of the 95 % interval, or the bound “at most”",
    "plates": "independently prepared specimens behind the value",
    "decision_limit": "the smallest amount called real, for this product",
    "detection_limit": "the smallest true amount that would rarely be missed, for this product",
    "finding": "shown, not_detected, undecided, at_least, at_most or not_read",
    "sentence": "the finding in words",
    "flags": "doubts and advice, by name, with semicolons between",
    "budget": "standard uncertainty by source, biggest first, in the unit of the value",
    "picture": "the picture it was read from, by the number used in this publication",
    "strip": "the strip, as the tester names it",
    "plate": "the plate, as the tester names it",
    "transmission": "share of the light let through, 0 to 1",
    "standard_uncertainty": "standard uncertainty, in the unit of the value",
    "reason": "why it was not read",
    "what_to_do": "what would help",
}


def columns(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """All keys of the rows, in the order of first mention."""
    return list(dict.fromkeys(key for row in rows for key in row))


def csv_of(rows: Sequence[Mapping[str, Any]], names: Sequence[str]) -> bytes:
    """Rows as CSV: UTF-8 with the mark that spreadsheets look for, lines ended as RFC 4180 has it."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(names)
    writer.writerows([[_cell(row.get(name)) for name in names] for row in rows])
    return b"\xef\xbb\xbf" + out.getvalue().encode()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, Mapping):
        return " ".join(_cell(v) for v in value.values())
    if isinstance(value, Sequence) and not isinstance(value, str):
        return "; ".join(_cell(v) for v in value)
    return str(value)


def field_types(rows: Sequence[Mapping[str, Any]], names: Sequence[str]) -> list[dict[str, str]]:
    """Columns as a table schema describes them (Frictionless Table Schema, from memory)."""
    return [
        {"name": name, "type": _type([row.get(name) for row in rows]), "description": MEANING.get(name, name)}
        for name in names
    ]


def _type(values: Sequence[Any]) -> str:
    known = [v for v in values if v is not None]
    if known and all(isinstance(v, int) and not isinstance(v, bool) for v in known):
        return "integer"
    if known and all(isinstance(v, int | float) and not isinstance(v, bool) for v in known):
        return "number"
    return "string"
