"""One product as the page shows it: its number and place on the axis, strips, limits, budget, doubts and advice."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fairpanel.findings.rules import (
    Shown,
    budget_in_shown_units,
    interval,
    on_shown_scale,
    reading_on_shown_scale,
    with_unit,
)
from fairpanel.methods.contract import Method, Quantity, Reading
from fairpanel.publication.axis import Axis, Bar, bar_of
from fairpanel.publication.content import Part, Told
from fairpanel.publication.words import count, listed


@dataclass(frozen=True)
class ImageView:
    """A picture on the page: place, size as shown [px], and what is seen."""

    path: str
    width: int
    height: int
    words: str


@dataclass(frozen=True)
class StripView:
    """One reading: its number, where it is from, its doubts, and its picture if there is one."""

    number: str
    where: str
    doubts: str
    image: ImageView | None


@dataclass(frozen=True)
class BudgetLine:
    """A cause of uncertainty, its size as text, and as a share of the biggest. [%]"""

    source: str
    text: str
    share: float


@dataclass(frozen=True)
class FlagLine:
    """A doubt or an advice with its sentence, and which strips it is about."""

    name: str
    sentence: str
    where: str


@dataclass(frozen=True)
class ProductView:
    """Everything the page says of one product."""

    id: str
    name: str
    about: str
    sentence: str
    number: str
    plates: str
    doubtful: str
    bar: Bar | None
    limits: tuple[tuple[str, str], ...]
    budget: tuple[BudgetLine, ...]
    doubts: tuple[FlagLine, ...]
    advice: tuple[FlagLine, ...]
    strips: tuple[StripView, ...]


Images = Mapping[tuple[str, str], ImageView]


def readings_of(part: Part, told: Told) -> list[Reading]:
    """The readings behind one result."""
    return [r for r in part.readings if (r.product, r.quantity) == (told.product, told.quantity)]


def product_view(id: str, part: Part, told: Told, axis: Axis, images: Images) -> ProductView:
    """One product as the page shows it."""
    quantity = part.method.quantity(told.quantity)
    readings = readings_of(part, told)
    s = on_shown_scale(told.result, quantity) if told.result else None
    each = [reading_on_shown_scale(r, quantity).value for r in readings]
    return ProductView(
        id,
        told.product,
        _about(told),
        told.sentence,
        interval(s, quantity) if s else "not read",
        count(told.result.plates, "plate") if told.result else "",
        _doubtful(readings, part.method),
        bar_of(s, axis, each) if s else None,
        _limits(s, quantity) if s else (),
        _budget(told, quantity),
        _flags(told, readings, part.method, doubt=True),
        _flags(told, readings, part.method, doubt=False),
        tuple(strip_view(r, quantity, part.method, images) for r in readings),
    )


def _about(told: Told) -> str:
    reference = "reference" if told.reference and "reference" not in told.kind.casefold() else ""
    return ", ".join(filter(None, [told.kind, reference]))


def strip_view(r: Reading, quantity: Quantity, method: Method, images: Images) -> StripView:
    """One reading as the page shows it."""
    plate = r.specimen if r.specimen != f"{r.product} / {r.strip}" else ""
    where = [
        f"plate {plate}" if plate else "",
        f"strip {r.strip}" if r.strip else "",
        r.picture,
        r.detail.get("remark"),
    ]
    doubts = [f.name for f in method.flags if f.doubt and f.name in r.flags]
    return StripView(
        interval(reading_on_shown_scale(r, quantity), quantity),
        ", ".join(filter(None, where)),
        ", ".join(doubts),
        images.get((r.picture, r.strip)),
    )


def _doubtful(readings: Sequence[Reading], method: Method) -> str:
    names = {f.name for f in method.flags if f.doubt}
    n = sum(bool(names & set(r.flags)) for r in readings)
    if not n or len(readings) == 1:
        return "in doubt" if n else ""
    return f"doubts on {n} of {len(readings)}"


def _limits(s: Shown, quantity: Quantity) -> tuple[tuple[str, str], ...]:
    names = ("The smallest amount we call real", "The smallest we would rarely miss")
    return tuple(
        (name, _limit(x, quantity)) for name, x in zip(names, (s.decision, s.detection), strict=True) if x is not None
    )


def _limit(x: float, quantity: Quantity) -> str:
    """A limit; one at or beyond the end of the scale promises nothing."""
    ends = [e for e in quantity.ends if e is not None]
    if not math.isfinite(x) or x in ends:
        return "none can be promised with readings like these"
    return with_unit(x, quantity)


def _budget(told: Told, quantity: Quantity) -> tuple[BudgetLine, ...]:
    if told.result is None:
        return ()
    parts = budget_in_shown_units(told.result, quantity)
    sizes = [float(part["points"]) for part in parts]
    unit = "points" if quantity.unit == "%" else quantity.unit
    decimals = quantity.decimals + 1
    return tuple(
        BudgetLine(str(part["source"]), f"{size:.{decimals}f} {unit}".strip(), round(100 * size / sizes[0], 1))
        for part, size in zip(parts, sizes, strict=True)
    )


def _flags(told: Told, readings: Sequence[Reading], method: Method, *, doubt: bool) -> tuple[FlagLine, ...]:
    on_result = told.result.flags if told.result else ()
    lines = []
    for flag in method.flags:
        carrying = [r for r in readings if flag.name in r.flags]
        if flag.doubt is doubt and (carrying or flag.name in on_result):
            lines.append(FlagLine(flag.name, flag.sentence, _where(carrying, readings)))
    return tuple(lines)


def _where(carrying: Sequence[Reading], readings: Sequence[Reading]) -> str:
    if not carrying or len(readings) == 1:
        return ""
    if len(carrying) == len(readings):
        return f"all {len(readings)}"
    strips = [r.strip or r.specimen for r in carrying]
    return listed(strips) if len(strips) <= 4 else f"{len(strips)} of {len(readings)}"
