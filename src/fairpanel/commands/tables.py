"""Tables on the terminal."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from fairpanel.findings.rules import HEADINGS, interval, on_shown_scale, reading_on_shown_scale, with_unit
from fairpanel.jobs.showing import LastRead


def print_read(read: LastRead, *, strips: bool) -> None:
    """Results by finding, then strips if wanted, then what was refused."""
    console = Console(highlight=False)
    table = Table(box=None, header_style="bold", pad_edge=False)
    for heading, justify in (("finding", "left"), ("product", "left"), ("value (95 %)", "left"), ("plates", "right"),
                             ("we call real above", "right"), ("we rarely miss from", "right"), ("doubts", "left")):  # fmt: skip
        table.add_column(heading, justify=justify)
    last = None
    for t in read.told:
        heading = HEADINGS[t.finding]
        shown = "" if heading == last else heading
        last = heading
        if t.result is None:
            table.add_row(shown, t.product, "-", "0", "", "", "")
            continue
        q = t.method.quantity(t.quantity)
        s = on_shown_scale(t.result, q)
        doubts = {f.name for f in t.method.flags if f.doubt}
        table.add_row(
            shown,
            t.product,
            interval(s, q),
            str(t.result.plates),
            with_unit(s.decision, q) if s.decision is not None else "",
            with_unit(s.detection, q) if s.detection is not None else "",
            ", ".join(f for f in t.result.flags if f in doubts),
        )
    console.print(table)
    if strips:
        _print_strips(console, read)
    if read.refused:
        console.print(f"\nRefused: {len(read.refused)}", style="bold")
        for r in read.refused:
            console.print(f"  {r.picture}, strip {r.strip}: {r.reason}. {r.what_to_do}", markup=False)


def _print_strips(console: Console, read: LastRead) -> None:
    table = Table(box=None, header_style="bold", pad_edge=False)
    for heading in ("picture", "strip", "product", "value (95 %)", "flags"):
        table.add_column(heading)
    for method, r in read.readings:
        q = method.quantity(r.quantity)
        s = reading_on_shown_scale(r, q)
        table.add_row(r.picture, r.strip, r.product, interval(s, q), ", ".join(r.flags))
    console.print()
    console.print(table)
