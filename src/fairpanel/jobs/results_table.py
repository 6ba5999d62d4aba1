"""The table of results as it is asked for: which lines, in which order; always by finding, never by rank."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from fairpanel.findings.rules import HEADINGS
from fairpanel.jobs.results import Line, Table
from fairpanel.publication.words import MEANS

#: Orders within a finding, and their words.
ORDERS = {
    "name": "by name",
    "value": "highest value first",
    "width": "narrowest interval first",
    "plates": "most plates first",
}

#: Which lines, by their doubts.
DOUBTS = {"": "with and without doubts", "no": "without doubts", "yes": "with doubts"}


@dataclass(frozen=True)
class Asked:
    """What is asked for.

    Parameters
    ----------
    words : str
        All of them stand in the product's name; upper and lower case are one.
    finding : str
        Only this finding; empty for all.
    doubts : {"", "no", "yes"}
    order : str
        One of ORDERS.
    """

    words: str = ""
    finding: str = ""
    doubts: str = ""
    order: str = "name"


@dataclass(frozen=True)
class Group:
    """Lines of one finding."""

    finding: str
    heading: str
    means: str
    lines: tuple[Line, ...]


def asked_from(fields: Any) -> Asked:
    """From the fields of an address; what is not known is left at its start."""
    finding, doubts, order = (fields.get(name, "") for name in ("finding", "doubts", "order"))
    return Asked(
        fields.get("words", "").strip()[:200],
        finding if finding in HEADINGS else "",
        doubts if doubts in DOUBTS else "",
        order if order in ORDERS else "name",
    )


def groups_of(table: Table, asked: Asked) -> list[Group]:
    """The lines that are asked for, by finding; groups without a line are left out."""
    words = asked.words.casefold().split()
    groups = []
    for finding, heading in HEADINGS.items():
        if asked.finding not in ("", finding):
            continue
        own = [x for x in table.lines if x.told.finding == finding and _wanted(x, words, asked.doubts)]
        if own:
            groups.append(Group(finding, heading, MEANS[finding], tuple(in_order(own, asked.order))))
    return groups


def _wanted(line: Line, words: Sequence[str], doubts: str) -> bool:
    name = line.told.product.casefold()
    return all(w in name for w in words) and (not doubts or bool(line.doubts) == (doubts == "yes"))


def in_order(lines: Sequence[Line], order: str) -> list[Line]:
    """Lines in one of ORDERS; what has no such number comes last, and equals stand by name."""
    return sorted(lines, key=lambda x: (_KEYS[order](x), x.told.product.casefold()))


def place_of(line: Line, order: str) -> float:
    """Where a line stands in an order, for a page that sorts by itself; the least comes first."""
    return round(min(_KEYS[order](line), 1e9), 4)


def _by_value(line: Line) -> float:
    s = line.shown
    found = None if s is None else next((x for x in (s.value, s.low, s.high) if x is not None), None)
    return math.inf if found is None else -found


def _by_width(line: Line) -> float:
    return math.inf if line.width is None else line.width


def _by_plates(line: Line) -> float:
    return -line.told.result.plates if line.told.result else math.inf


_KEYS: dict[str, Callable[[Line], float]] = {
    "name": lambda line: 0.0,
    "value": _by_value,
    "width": _by_width,
    "plates": _by_plates,
}
