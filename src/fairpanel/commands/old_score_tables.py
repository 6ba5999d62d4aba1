"""Old scores on the terminal: short and plain."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table

from fairpanel.jobs.old_scores import EXAMPLES, OldTable, middle_scores
from fairpanel.methods.uv_strip.ladder.judging import NOISE, Judged, percent
from fairpanel.methods.uv_strip.ladder.words import (
    ORDERS,
    STATEMENT,
    VERDICTS,
    assumed_in_words,
    how_lain,
    ladder_in_words,
    luck_in_words,
    range_in_words,
)

#: Products to test again that are listed; the data have them all.
_FIRST = 10


def print_old_tables(tables: Sequence[OldTable]) -> None:
    """Each table in turn: ladder, luck, scores by what may be said of them, order, what to test again."""
    console = Console(highlight=False, soft_wrap=False)
    console.print(STATEMENT, markup=False)
    for one in tables:
        console.print(f"\n{one.name}: {len(one.judged.scores)} old scores", style="bold", markup=False)
        console.print(f"Ladder: {ladder_in_words(one.judged.ladder)}.", markup=False)
        for luck in one.judged.luck:
            console.print(luck_in_words(luck, one.judged.ladder), markup=False)
        _print_scores(console, one.judged)
        _print_orders(console, one.judged)
        _print_again(console, one.judged)
        console.print(f"\nTaken for granted: {assumed_in_words(one.judged.eye)}", markup=False)


def _print_scores(console: Console, judged: Judged) -> None:
    for verdict, heading in VERDICTS.items():
        own = [j for j in judged.scores if j.verdict == verdict]
        if not own:
            continue
        table = Table(box=None, header_style="bold", pad_edge=False)
        table.add_column("product", overflow="fold")
        table.add_column("old score")
        table.add_column("date")
        for one in judged.luck:
            table.add_column(f"blocked (95 %), steps {how_lain(one.under_glass)}")
        for j in own:
            table.add_row(
                _escaped(j.scored.product),
                j.scored.score,
                j.scored.date,
                *(range_in_words(r.low, r.high) for r in j.ranges),
            )
        console.print(f"\n{heading}: {len(own)} of {len(judged.scores)}", style="bold")
        console.print(table)
    for one in judged.luck:
        spans = middle_scores(judged, under_glass=one.under_glass)
        told = "; ".join(
            f"{b:g} % is scored {_span(low, high)}" for b, (low, high) in zip(EXAMPLES, spans, strict=True)
        )
        console.print(
            f"What the ladder makes of known films, steps {how_lain(one.under_glass)}, in 9 of 10 cases: {told}.",
            markup=False,
        )


def _print_orders(console: Console, judged: Judged) -> None:
    if not judged.orders:
        return
    console.print("\nOrder", style="bold")
    for verdict, heading in ORDERS.items():
        own = [o for o in judged.orders if o.verdict == verdict]
        pairs = sum(o.pairs for o in own)
        if not pairs:
            continue
        lower: dict[str, list[str]] = {}
        for o in own:
            lower.setdefault(o.higher, []).append(o.lower)
        told = "; ".join(f"{high} over {', '.join(low)}" for high, low in lower.items())
        console.print(f"{heading}: {pairs} {'pair' if pairs == 1 else 'pairs'} of products ({told}).", markup=False)
    noise = [o for o in judged.orders if o.verdict == NOISE]
    if noise:
        worst = max(noise, key=lambda o: (o.pairs, -o.pair_by_luck))
        console.print(
            f"Of two products that are alike, one is scored {worst.higher} or better and the other {worst.lower} or "
            f"worse in up to {percent(worst.pair_by_luck)} of cases.",
            markup=False,
        )


def _print_again(console: Console, judged: Judged) -> None:
    console.print("\nTest again first", style="bold")
    listed = Table(box=None, show_header=False, pad_edge=False)
    for i, again in enumerate(judged.again[:_FIRST], 1):
        listed.add_row(f"{i}.", _escaped(again.product), _escaped(again.reason))
    console.print(listed)
    left = len(judged.again) - _FIRST
    if left > 0:
        console.print(f"    and {left} more (--json lists them all)", markup=False)


def _span(low: float, high: float) -> str:
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _escaped(text: str) -> str:
    from rich.markup import escape

    return escape(text)
