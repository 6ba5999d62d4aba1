"""Somebody else's method, all that its author writes: typed figures, graded 0 to 5."""

from dataclasses import dataclass

from fairpanel.measured import Component, Measured
from fairpanel.methods.columns import CellError, Fault, column, number, text
from fairpanel.methods.contract import Flag, Method, Quantity, Reading, Refusal, Words


def grade(cell):
    value = number(cell)
    if not 0 <= value <= 5:
        raise CellError(f"“{cell}” is not between 0 and 5")
    return value


@dataclass(frozen=True)
class Row:
    product: str = column(text, required=True, noun="product", short_form=True, help="the product", example="Wax A")
    panel: str = column(
        text, required=True, noun="specimen", identity=True, short_form=True, help="the panel", example="7"
    )
    etching: float = column(
        grade, required=True, unit="grades", short_form=True, help="0 none to 5 severe", example="2.5"
    )

    @staticmethod
    def check(rows):
        seen = {}
        for line, row in rows:
            if row.panel in seen:
                yield Fault(line, "panel", f"was rated in row {seen[row.panel]} already")
            seen[row.panel] = line


def readings(marks, entered):
    found = [
        Reading(
            (e.id,),
            e.row.product,
            e.row.panel,
            "",
            "",
            "etching",
            Measured(e.row.etching, (Component("reader", 0.3),)),
            e.row.etching - 0.6,
            e.row.etching + 0.6,
            flags=("severe",) if e.row.etching >= 4 else (),
        )
        for e in entered
        if e.row.panel != "lost"
    ]
    return found, [
        Refusal("", e.row.panel, "the panel is lost", "Coat another.") for e in entered if e.row.panel == "lost"
    ]


METHOD = Method(
    name="etching",
    title="Etching by bird lime",
    version=1,
    quantities=(Quantity("etching", "grades", "ordinal", "lower", 1, between=lambda value: 0.3, ends=(0.0, 5.0)),),
    Row=Row,
    readings=readings,
    words=lambda result: Words("is etched", "on this scale", "no etching found", "by one hand"),
    flags=(Flag("severe", True, "The lacquer is gone."), Flag("no replicate", False, "Only one panel.")),
    procedure="# Etching",
)
