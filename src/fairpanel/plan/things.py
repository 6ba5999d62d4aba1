"""What a bench keeps an entry of, and what may be written down of each: the fields that forms and checks are made of.

Fields are declared as a method declares the columns of its row (`fairpanel.methods.columns`). What to keep of each
thing so that a number can be defended a year later: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fairpanel.methods.columns import (
    CellError,
    Column,
    column,
    columns_of,
    duration,
    moment,
    not_negative,
    one_of,
    positive,
    text,
)


def times(cell: str) -> str:
    """Times in rising order, as seconds: "0, 8, 15" or "0, 1, 2 min", one unit at the end serving all.

    >>> times("0, 8,15"), times("1, 2, 4 min")
    ('0, 8, 15', '60, 120, 240')
    """
    parts = [p.strip() for p in cell.replace(";", ",").split(",") if p.strip()]
    unit = "".join(c for c in parts[-1] if c.isalpha()) if parts else ""
    found = [duration(p if any(c.isalpha() for c in p) or ":" in p else f"{p} {unit}".strip()) for p in parts]
    if found != sorted(set(found)):
        raise CellError(f"“{cell}” does not rise from time to time; write the shortest first, each once")
    return ", ".join(f"{t:g}" for t in found)


def counts(cell: str) -> str:
    """Whole numbers in rising order.

    >>> counts("0; 5; 10")
    '0, 5, 10'
    """
    parts = [p.strip() for p in cell.replace(";", ",").split(",") if p.strip()]
    if not all(p.isascii() and p.isdigit() for p in parts):
        raise CellError(f"“{cell}” is not a list of whole numbers; write 0, 5, 10, 20")
    found = [int(p) for p in parts]
    if found != sorted(set(found)):
        raise CellError(f"“{cell}” does not rise; write the lowest first, each once")
    return ", ".join(map(str, found))


def names(cell: str) -> str:
    """Names, separated by commas; each once.

    >>> names("S1,S2 , steps")
    'S1, S2, steps'
    """
    found = [text(p) for p in cell.split(",") if p.strip()]
    if len(set(found)) != len(found):
        raise CellError(f"“{cell}” names one twice")
    return ", ".join(found)


def listed(value: str | None) -> list[str]:
    """What `times`, `counts` or `names` wrote, apart again."""
    return [p.strip() for p in (value or "").split(",") if p.strip()]


@dataclass(frozen=True)
class Product:
    """A product as it was bought."""

    maker: str | None = column(text, help="who makes it", example="a workshop in town")
    kind: str | None = column(text, help="wax, sealant, coating, detail spray ...", example="paste wax")
    claims: str | None = column(text, help="what the label claims, word for word", example="“UV protection”")
    how_it_came: str | None = column(
        one_of,
        choices=("bought", "gift", "loan", "sponsored", "sent by the maker"),
        help="how it came to you; published beside its number",
        example="bought",
    )
    bought_at: str | None = column(moment, help="when it came", example="2026-01-20")
    price: float | None = column(not_negative, help="what it cost, in your own currency", example="24.90")
    pack: str | None = column(text, help="how much is in it", example="200 g")
    safety_sheet: str | None = column(text, help="version of the safety sheet you read", example="2025-04")
    note: str | None = column(text, help="anything; it carries no meaning")


@dataclass(frozen=True)
class Lot:
    """One batch of a product."""

    product: str | None = column(text, required=True, noun="product", help="whose lot it is", example="Paste wax A")
    bought_at: str | None = column(moment, help="when it came", example="2026-01-20")
    opened_at: str | None = column(moment, help="when it was first opened", example="2026-02-01")
    unopened_g: float | None = column(positive, unit="g", help="mass before it was opened", example="231.4")
    note: str | None = column(text, help="anything; it carries no meaning")


@dataclass(frozen=True)
class Plate:
    """A specimen: a glass plate or painted panel, coated by itself."""

    product: str | None = column(
        text, noun="product", help="what is on it; empty for glass only", example="Paste wax A"
    )
    lot: str | None = column(text, noun="lot", help="lot of the product", example="B-114")
    substrate: str | None = column(
        one_of, choices=("glass plate", "painted panel", "other"), help="what was coated", example="glass plate"
    )
    substrate_lot: str | None = column(text, noun="glass lot", help="lot of the glass or panel", example="G1")
    coated: str | None = column(
        one_of,
        choices=("on one half", "all over", "not at all"),
        help="a half plate carries its own glass only",
        example="on one half",
    )
    coated_at: str | None = column(
        moment, help="when it was coated; the cure runs from here", example="2026-02-02 18:00"
    )
    application: str | None = column(text, help="tool, coats, flash time, buffing, climate", example="foam pad, 1 coat")
    film_mg: float | None = column(
        positive, unit="mg", help="mass of the film, by weighing before and after", example="41"
    )
    cure_h: float | None = column(not_negative, unit="h", help="how long it must cure before the test", example="24")
    cured_where: str | None = column(
        text, help="where it cures: temperature, humidity, dark", example="21 °C, 45 %, dark"
    )
    campaign: str | None = column(text, noun="campaign", help="the campaign it belongs to", example="spring")
    note: str | None = column(text, help="anything; it carries no meaning")


@dataclass(frozen=True)
class Campaign:
    """Products tested together, with what they are held against."""

    question: str | None = column(text, help="what it is to answer", example="Which last-step products block UV?")
    arms: str | None = column(
        text,
        help="glass only, process control, references, hidden duplicate, products",
        example="8 products, 2 references",
    )
    begins_at: str | None = column(moment, help="when it begins", example="2026-02-01")
    check_points: str | None = column(counts, help="washes after which readings are taken", example="0, 5, 10, 20, 40")
    washes_done: float | None = column(not_negative, help="washes so far", example="12")
    washes_read: float | None = column(not_negative, help="the last check-point that was read", example="10")
    note: str | None = column(text, help="anything; it carries no meaning")


@dataclass(frozen=True)
class Run:
    """One exposure of a set of strips."""

    campaign: str | None = column(text, noun="campaign", help="the campaign it belongs to", example="spring")
    light: str | None = column(one_of, choices=("lamp", "sun"), help="what the strips are exposed to", example="lamp")
    lamp: str | None = column(text, noun="lamp", help="the lamp", example="L2")
    paper_sheet: str | None = column(
        text, noun="paper sheet", help="the sheet the strips were cut from", example="A7-1"
    )
    height_mm: float | None = column(positive, unit="mm", help="from the lamp to the strips", example="250")
    strips: str | None = column(names, help="the strips laid out, without the step strip", example="S1, S2, S3")
    exposure_s: float | None = column(
        duration, unit="s", help="how long they are to be exposed: seconds, or with a unit (4 min)", example="90"
    )
    steps: str | None = column(
        times, unit="s", help="times of the step strip, shortest first; 0 stays covered", example="0, 8, 15, 25, 40"
    )
    card: str | None = column(
        one_of,
        choices=("covers", "uncovers"),
        help="whether the sliding card covers one step after another, or uncovers them",
        example="covers",
    )
    note: str | None = column(text, help="anything; it carries no meaning")


@dataclass(frozen=True)
class Lamp:
    """A lamp."""

    bulb: str | None = column(text, help="what bulb it has, as its label says", example="mercury, 125 W")
    hours_before: float | None = column(
        not_negative, unit="h", help="hours it had run before it came here", example="0"
    )
    warm_up_s: float | None = column(
        duration, unit="s", help="time until it is steady; 15 min where nothing is written", example="15 min"
    )
    checked_at: str | None = column(moment, help="when its output was last checked", example="2026-01-30")
    check_after_h: float | None = column(positive, unit="h", help="hours of light until the next check", example="20")
    check_after_days: float | None = column(positive, unit="days", help="days until the next check", example="60")
    note: str | None = column(text, help="anything; it carries no meaning")


@dataclass(frozen=True)
class PaperSheet:
    """A sheet of paper from which strips are cut."""

    paper_lot: str | None = column(text, noun="paper lot", help="lot of the paper", example="A7")
    coated_at: str | None = column(moment, help="when it was made sensitive", example="2026-01-28")
    coated_by: str | None = column(one_of, choices=("machine", "hand"), help="how it was coated", example="machine")
    kept: str | None = column(text, help="where it was kept", example="dark, dry, 18 °C")
    note: str | None = column(text, help="anything; it carries no meaning")


@dataclass(frozen=True)
class Kind:
    """A kind of thing.

    Parameters
    ----------
    noun : str
        As the records call it.
    one, many : str
        As the pages call it.
    address : str
        Where its page is.
    fields : type
    name_help, name_example : str
        What its name is.
    step : str
        Step of the procedure that entering one stands for: its caution comes first.
    """

    noun: str
    one: str
    many: str
    address: str
    fields: type
    name_help: str
    name_example: str
    step: str = ""

    @property
    def columns(self) -> tuple[Column, ...]:
        """Its fields, in order."""
        return columns_of(self.fields)


KINDS = (
    Kind("product", "product", "products", "/products", Product, "as you call it", "Paste wax A"),
    Kind("lot", "lot", "lots", "/lots", Lot, "as printed on the pack", "B-114"),
    Kind("specimen", "plate", "plates", "/plates", Plate, "what is written on it", "P01-1", step="coat"),
    Kind("campaign", "campaign", "campaigns", "/campaigns", Campaign, "as you call it", "spring"),
    Kind("run", "run", "runs", "/runs", Run, "a number or a name", "3"),
    Kind("lamp", "lamp", "lamps", "/lamps", Lamp, "what is written on it", "L2"),
    Kind("paper sheet", "paper sheet", "paper sheets", "/sheets", PaperSheet, "what is written on it", "A7-1"),
)


def kind_of(noun: str) -> Kind:
    """The kind of a noun.

    Raises
    ------
    KeyError
        No such kind is kept.
    """
    return {kind.noun: kind for kind in KINDS}[noun]


def faults_of(kind: Kind, typed: Mapping[str, str]) -> tuple[dict[str, Any], dict[str, str]]:
    """Typed fields as a body, and what is wrong at which field; empty fields are left out of the body."""
    body: dict[str, Any] = {}
    wrong: dict[str, str] = {}
    for about in kind.columns:
        cell = typed.get(about.name, "").strip()
        try:
            value = about.read(cell) if cell else None
        except CellError as problem:
            wrong[about.name] = str(problem)
            continue
        if value is None and about.required:
            wrong[about.name] = f"is empty. Write {about.help}"
        elif value is not None and about.choices and value not in about.choices:
            wrong[about.name] = f"“{cell}” is not one of: {', '.join(about.choices)}"
        elif value is not None:
            body[about.name] = value
    return body, wrong


def as_typed(kind: Kind, body: Mapping[str, Any]) -> dict[str, str]:
    """A body as fields of a form."""
    return {c.name: _cell(body.get(c.name)) for c in kind.columns}


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:.10g}" if isinstance(value, float) else str(value)
