"""One product's page as plain data: its view, each strip beside its number, the facts, and the rows behind it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fairpanel.jobs.result_pictures import words_of
from fairpanel.jobs.results import ProductSeen, ReadStrip
from fairpanel.methods.columns import columns_of
from fairpanel.publication.products import ProductView, product_view, strip_view
from fairpanel.publication.words import listed

#: Columns told as facts of a product, where its method has them, and what they are called.
FACTS = {"campaign": "Campaign", "lamp": "Lamp", "run": "Run", "paper_lot": "Paper lot", "exposed_at": "Exposed"}


@dataclass(frozen=True)
class StripSeen:
    """A strip beside its number.

    Parameters
    ----------
    number, where, doubts : str
    advice : str
    words : str
        What its picture shows from left to right.
    image : str
        Address of its picture; empty where there is none.
    picture_id : str or None
    """

    number: str
    where: str
    doubts: str
    advice: str
    words: str
    image: str
    picture_id: str | None


@dataclass(frozen=True)
class RowsSeen:
    """The rows behind a product: headings, and the cells of each row with its line in the table it came in."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def view_of(seen: ProductSeen) -> ProductView:
    """What the published page would say of it, on the axis of all products."""
    return product_view("product", seen.part, seen.line.told, seen.board.table_of(seen.line).axis, {})


def strips_of(seen: ProductSeen, images: Mapping[tuple[str, str], str]) -> list[StripSeen]:
    """Every reading of a product with its picture."""
    return [_strip(s, seen, images) for s in seen.strips]


def _strip(s: ReadStrip, seen: ProductSeen, images: Mapping[tuple[str, str], str]) -> StripSeen:
    method = seen.line.method
    view = strip_view(s.reading, seen.line.quantity, method, {})
    return StripSeen(
        view.number,
        view.where,
        view.doubts,
        ", ".join(f.name for f in method.flags if not f.doubt and f.name in s.reading.flags),
        seen.board.cover.covered(words_of(s, method)),
        images.get((s.reading.picture, s.reading.strip), ""),
        s.picture_id,
    )


def facts_of(seen: ProductSeen) -> list[tuple[str, str]]:
    """Campaign, lamp, run and dates, as its rows name them."""
    bodies = [row.body for s in seen.strips for row in s.rows]
    covered = seen.board.cover.covered
    found = []
    for column, name in FACTS.items():
        values = list(dict.fromkeys(_day(covered(str(b[column]))) for b in bodies if b.get(column)))
        if values:
            found.append((name, listed(values) if len(values) <= 4 else f"{values[0]} to {values[-1]}, {len(values)}"))
    return found


def _day(text: str) -> str:
    """A moment cut to its day and minute; anything else as it is."""
    return text[:16].replace("T", " ") if len(text) > 15 and text[4:5] == "-" and text[10:11] == "T" else text


def rows_of(seen: ProductSeen) -> RowsSeen:
    """The rows its readings were read from, as they were then; columns that none of them fills are left out."""
    rows = list({row.id: row for s in seen.strips for row in s.rows}.values())
    columns = [c for c in columns_of(seen.line.method.Row) if any(_filled(r.body.get(c.name)) for r in rows)]
    covered = seen.board.cover.covered
    return RowsSeen(
        ("line", *(f"{c.name} [{c.unit}]" if c.unit else c.name for c in columns)),
        tuple((str(r.line), *(covered(_cell(r.body.get(c.name))) for c in columns)) for r in rows),
    )


def _filled(value: Any) -> bool:
    return value is not None and value != ""


def _cell(value: Any) -> str:
    if not _filled(value):
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)
