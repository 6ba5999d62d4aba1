"""What the tester writes down: one row is one patch of paper."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fairpanel.mat.layout import PAGES, layout
from fairpanel.methods.columns import (
    CellError,
    Fault,
    column,
    columns_of,
    duration,
    moment,
    not_negative,
    number,
    one_of,
    positive,
    text,
)

PRODUCT_ROLES = ("product", "reference")
STEP_ROLES = ("step", "step no glass", "step unknown")
ROLES = ("product", "reference", "glass only", "no glass", *STEP_ROLES)


def box(cell: str) -> str:
    """Where the strip lies: the name of a cell of the mat, or corners or a rectangle in pixels.

    >>> box("10 20 30,5 40"), box("b2")
    ('10 20 30.5 40', 'B2')
    """
    parts = cell.replace(";", " ").replace(", ", " ").split()
    try:
        numbers = [number(p) for p in parts]
    except CellError:
        for page in PAGES:
            try:
                return layout(page).cell(cell).name
            except KeyError:
                continue
        names = ", ".join(c.name for c in layout().cells)
        raise CellError(
            f"“{cell}” is neither a cell of the mat ({names}) nor four or eight numbers in pixels"
        ) from None
    if len(numbers) not in (4, 8):
        raise CellError(f"holds {len(numbers)} numbers; write x y width height, or four corners as eight numbers")
    if len(numbers) == 4 and min(numbers[2:]) <= 0:
        raise CellError("the width and the height must be above zero")
    return " ".join(f"{n:g}" if n != round(n, 3) else f"{round(n, 3):.10g}" for n in numbers)


def corners_of(place: str) -> np.ndarray | None:
    """The four corners a box gives in pixels, (4, 2), or None where it names a cell of the mat."""
    parts = place.split()
    if len(parts) == 4:
        x, y, w, h = map(float, parts)
        return np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])
    if len(parts) == 8:
        return np.array(list(map(float, parts))).reshape(4, 2)
    return None


@dataclass(frozen=True)
class Row:
    """One patch of paper: in which picture, on which strip, under what, and how long."""

    picture: str = column(
        text,
        required=True,
        noun="picture",
        short_form=True,
        identity=True,
        help="the picture's file name, as it lies beside the table",
        example="scan-01.png",
    )
    strip: str = column(
        text,
        required=True,
        noun="strip",
        short_form=True,
        identity=True,
        help="a name for the strip; rows with the same name are patches of one strip",
        example="S1",
    )
    role: str = column(
        one_of,
        required=True,
        choices=ROLES,
        short_form=True,
        help="what lay over this patch: " + ", ".join(ROLES),
        example="product",
    )
    seconds: float = column(
        duration,
        unit="s",
        required=True,
        short_form=True,
        help="the exposure: seconds, or with a unit (4 min)",
        example="4 min",
    )
    product: str | None = column(
        text, noun="product", short_form=True, help="the product on the plate", example="Paste wax A"
    )
    kind: str | None = column(text, help="kind of product (wax, sealant, coating, sunscreen ...)", example="paste wax")
    plate: str | None = column(
        text, noun="specimen", help="the coated plate; independent plates are the replicates", example="P01-1"
    )
    paper_sheet: str | None = column(
        text, noun="paper sheet", help="the sheet of paper the strip was cut from", example="A7-1"
    )
    run: str | None = column(text, noun="run", help="one exposure of a set of strips under the lamp", example="3")
    box: str | None = column(
        box,
        help="where the strip lies: a cell of the mat (A1), or x y width height, or four corners, in pixels",
        example="A1",
    )
    place_x_mm: float | None = column(number, unit="mm", help="place under the lamp, across", example="-20")
    place_y_mm: float | None = column(number, unit="mm", help="place under the lamp, along", example="0")
    relative_light: float | None = column(
        positive, unit="1", help="light at that place; 1 on the lamp's axis", example="0.97"
    )
    lamp_on_s: float | None = column(
        duration, unit="s", help="time since the lamp was switched on, when the exposure began", example="15 min"
    )
    hours_since_rinse: float | None = column(
        not_negative, unit="h", help="age of the strip in the picture, since its rinse", example="24"
    )
    campaign: str | None = column(text, noun="campaign", help="the campaign it belongs to", example="spring")
    lamp: str | None = column(text, noun="lamp", help="the lamp", example="L2")
    paper_lot: str | None = column(text, noun="paper lot", help="lot of the paper", example="A7")
    glass_lot: str | None = column(text, noun="glass lot", help="lot of the glass", example="G1")
    exposed_at: str | None = column(moment, help="when it was exposed", example="2026-02-03 14:20")
    pictured_at: str | None = column(moment, help="when the picture was taken", example="2026-02-04 15:00")
    note: str | None = column(text, help="anything; it carries no meaning", example="")

    @property
    def is_step(self) -> bool:
        """A patch of a step strip."""
        return self.role in STEP_ROLES

    @property
    def is_product(self) -> bool:
        """A patch under a product or a reference."""
        return self.role in PRODUCT_ROLES

    @staticmethod
    def check(rows: Sequence[tuple[int, Row]]) -> list[Fault]:
        """Faults that only show when rows are seen together, each with its line in the table."""
        return [f for rule in _RULES for f in rule(rows)]

    @staticmethod
    def example_rows() -> list[dict[str, str]]:
        """A table to start from: a half plate, and the step strip that it is read against."""
        first = {c.name: c.example for c in columns_of(Row)}
        bare = first | {"product": "", "kind": "", "plate": "", "note": ""}
        half = [first | {"seconds": "90"}, bare | {"plate": first["plate"], "role": "glass only", "seconds": "90"}]
        of_steps = bare | {"strip": "steps", "role": "step", "box": "steps"}
        return half + [of_steps | {"seconds": str(t)} for t in (0, 8, 15, 25, 40, 60, 90, 135)]

    @staticmethod
    def upgrade(body: dict[str, Any], version: int) -> dict[str, Any]:
        """A stored row of an earlier version in today's form. Version 1 is the first."""
        return body


Lines = Sequence[tuple[int, Row]]


def _by_strip(rows: Lines) -> dict[tuple[str, str], list[tuple[int, Row]]]:
    strips: dict[tuple[str, str], list[tuple[int, Row]]] = defaultdict(list)
    for line, row in rows:
        strips[row.picture, row.strip].append((line, row))
    return strips


def _named_products(rows: Lines) -> list[Fault]:
    return [
        Fault(line, "product", f"is empty, but the role is “{row.role}”. Name the product")
        for line, row in rows
        if row.is_product and not row.product
    ]


def _one_product_a_strip(rows: Lines) -> list[Fault]:
    faults = []
    for (_, strip), patches in _by_strip(rows).items():
        for name in ("product", "plate", "paper_sheet"):
            seen = {getattr(r, name): line for line, r in reversed(patches) if getattr(r, name)}
            if len(seen) > 1:
                first, second = sorted(seen.items(), key=lambda x: x[1])[:2]
                faults.append(
                    Fault(second[1], name, f"strip {strip} has “{first[0]}” in row {first[1]} and “{second[0]}” here; "
                                           "one strip is one piece of paper under one plate"))  # fmt: skip
    return faults


def _steps_apart(rows: Lines) -> list[Fault]:
    faults = []
    for (_, strip), patches in _by_strip(rows).items():
        roles = {r.role for _, r in patches}
        steps = roles & set(STEP_ROLES)
        if steps and (len(steps) > 1 or roles - steps):
            line = next(line for line, r in patches if r.role != patches[0][1].role)
            faults.append(
                Fault(line, "role", f"strip {strip} mixes {' and '.join(sorted(roles))}; a step strip holds only "
                                    "steps of one kind. Give the others another strip name"))  # fmt: skip
    return faults


def _exposed_at_all(rows: Lines) -> list[Fault]:
    return [
        Fault(line, "seconds", "an exposure of 0 s tells nothing about a product; 0 s is for steps")
        for line, row in rows
        if row.seconds == 0 and row.is_product
    ]


def _no_row_twice(rows: Lines) -> list[Fault]:
    faults: list[Fault] = []
    seen: dict[Row, int] = {}
    for line, row in rows:
        if row in seen:
            faults.append(Fault(line, "strip", f"repeats row {seen[row]}. Take one of the two out"))
        seen.setdefault(row, line)
    return faults


def _boxes_in_order(rows: Lines) -> list[Fault]:
    """Every strip of a picture has a box or none has; no place is given twice."""
    faults = []
    by_picture: dict[str, list[tuple[int, Row]]] = defaultdict(list)
    for line, row in rows:
        by_picture[row.picture].append((line, row))
    for picture, lines in by_picture.items():
        empty = [line for line, r in lines if not r.box]
        if empty and len(empty) < len(lines):
            faults.append(Fault(empty[0], "box", f"is empty, but other rows of {picture} have one; fill it for all "
                                                 "rows of a picture or for none"))  # fmt: skip
        taken: dict[str, tuple[int, str]] = {}
        for line, row in lines:
            if row.box and row.box in taken and taken[row.box][1] != row.strip:
                first, strip = taken[row.box]
                faults.append(Fault(line, "box", f"“{row.box}” already holds strip {strip} (row {first})"))
            elif row.box:
                taken[row.box] = (line, row.strip)
    return faults


_RULES = (_named_products, _one_product_a_strip, _steps_apart, _exposed_at_all, _no_row_twice, _boxes_in_order)
