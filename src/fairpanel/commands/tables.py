"""Tables on the terminal."""

from __future__ import annotations

import math
import sys
from collections import Counter
from collections.abc import Sequence

from rich.console import Console
from rich.table import Table

from fairpanel.findings.rules import HEADINGS, interval, on_shown_scale, reading_on_shown_scale, with_unit
from fairpanel.jobs.showing import LastRead, Told
from fairpanel.methods.contract import Reading

#: Columns where nobody is watching: a file has no edge at which lines must be broken.
WIDTH_IN_FILES = 160

#: Doubts that only plates seen together show.
OF_PRODUCTS = ("plates disagree",)


def console() -> Console:
    """Where tables are printed; as wide as they need where the output is not a terminal."""
    return Console(highlight=False, width=None if sys.stdout.isatty() else WIDTH_IN_FILES)


def count(n: int, what: str) -> str:
    """A number with its noun.

    >>> count(1, "plate"), count(2, "plate")
    ('1 plate', '2 plates')
    """
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def print_read(read: LastRead, *, strips: bool) -> None:
    """Results by finding, then strips if wanted, then doubts and what was refused."""
    out = console()
    for method, quantity in dict.fromkeys((t.method.name, t.quantity) for t in read.told):
        own = [t for t in read.told if (t.method.name, t.quantity) == (method, quantity)]
        _print_results(out, own, read, titled=len(own) < len(read.told))
    for statement in dict.fromkeys(t.method.statement for t in read.told if t.method.statement):
        out.print(f"\n{statement}", markup=False)
    if strips:
        _print_strips(out, read)
    _print_doubts(out, read)
    if read.refused:
        out.print(f"\nRefused: {len(read.refused)}", style="bold")
        for r in read.refused:
            place = ", ".join(part for part in (r.picture, f"strip {r.strip}" if r.picture else r.strip) if part)
            out.print(f"  {place}: {r.reason}. {r.what_to_do}", markup=False)


def _print_results(out: Console, told: Sequence[Told], read: LastRead, *, titled: bool) -> None:
    """One quantity of one method, by finding; titled where there are others."""
    table = Table(box=None, header_style="bold", pad_edge=False)
    words = ("finding", "product", "value (95 %)")
    numbers = ("plates", "we call real above", "we rarely miss from", "in doubt")
    for heading in (*words, *numbers):
        table.add_column(heading, justify="left" if heading in words else "right")
    last, doubtful = None, _doubts(read)
    for t in told:
        heading = HEADINGS[t.finding]
        shown = "" if heading == last else heading
        last = heading
        if t.result is None:
            table.add_row(shown, t.product, "-", "0", "", "", "")
            continue
        q = t.method.quantity(t.quantity)
        s = on_shown_scale(t.result, q)
        limits = (with_unit(x, q) if x is not None and math.isfinite(x) else "" for x in (s.decision, s.detection))
        table.add_row(shown, t.product, interval(s, q), str(t.result.plates), *limits, _in_doubt(t, doubtful))
    if titled:
        out.print(f"\n{told[0].method.title}: {told[0].quantity}", style="bold", markup=False)
    out.print(table)


def _doubts(read: LastRead) -> list[tuple[Reading, tuple[str, ...]]]:
    """Every reading with the doubts it carries."""
    return [(r, tuple(f.name for f in m.flags if f.doubt and f.name in r.flags)) for m, r in read.readings]


def _in_doubt(told: Told, doubtful: Sequence[tuple[Reading, tuple[str, ...]]]) -> str:
    """“2 of 6” strips, and doubts that only show when they are seen together."""
    own = [names for r, names in doubtful if r.product == told.product and r.quantity == told.quantity]
    some = sum(bool(names) for names in own)
    return ", ".join([f"{some} of {len(own)}"] * bool(some) + _of_the_product(told))


def _of_the_product(told: Told) -> list[str]:
    """Doubts that the product carries and none of its strips."""
    if told.result is None:
        return []
    return [f.name for f in told.method.flags if f.doubt and f.name in told.result.flags and f.name in OF_PRODUCTS]


def _print_doubts(out: Console, read: LastRead) -> None:
    """What casts doubt, on how many readings, and what it means."""
    by_name = Counter(name for _, names in _doubts(read) for name in names)
    by_name.update(name for t in read.told for name in _of_the_product(t))
    if not by_name:
        return
    sentences = {f.name: f.sentence for m, _ in read.readings for f in m.flags}
    out.print()
    table = Table(box=None, header_style="bold", pad_edge=False)
    table.add_column("doubts")
    table.add_column("how often", justify="right")
    table.add_column("what they mean")
    for name, n in by_name.most_common():
        table.add_row(name, str(n), sentences[name])
    out.print(table)


def _print_strips(out: Console, read: LastRead) -> None:
    table = Table(box=None, header_style="bold", pad_edge=False)
    for heading in ("picture", "strip", "product", "value (95 %)", "flags"):
        table.add_column(heading)
    for method, r in read.readings:
        q = method.quantity(r.quantity)
        s = reading_on_shown_scale(r, q)
        table.add_row(r.picture, r.strip, r.product, interval(s, q), ", ".join(r.flags))
    out.print()
    out.print(table)
