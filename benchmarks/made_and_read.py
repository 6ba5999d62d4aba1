"""One made campaign, read through the real jobs on a throw-away bench, set beside its truth."""

from __future__ import annotations

import hashlib
import math
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fairpanel.findings.rules import on_shown_scale, reading_on_shown_scale
from fairpanel.jobs.reading import read_bench
from fairpanel.jobs.showing import last_read
from fairpanel.jobs.take_in import take_in
from fairpanel.methods import method_named
from fairpanel.methods.contract import Entered, Reading
from fairpanel.rehearsal.campaigns import MadeCampaign
from fairpanel.rehearsal.suites import make_suite
from fairpanel.storage.bench import Bench

METHOD = method_named("uv_strip")
DOUBTS = frozenset(f.name for f in METHOD.flags if f.doubt)
BLOCKED = METHOD.quantity("blocked")


@dataclass(frozen=True)
class StripSeen:
    """A strip with a product: what is true and what was read. All in % blocked; None where there is no such number.

    `single` is the value read from the same picture without its glass-only rows, where that was asked for.
    """

    true: float
    value: float | None
    low: float | None
    high: float | None
    detection: float | None
    doubts: tuple[str, ...]
    refused: bool
    cut_off: bool
    single: float | None = None


@dataclass(frozen=True)
class ProductSeen:
    """A product: its nominal blocking, what was found, and the limits stated. In %."""

    true: float
    value: float | None
    low: float | None
    high: float | None
    detection: float | None
    finding: str


@dataclass(frozen=True)
class Seen:
    """A campaign: which suite, its number in it, its strips and products; or the error in which it ended."""

    kind: str
    suite: str
    number: int
    strips: tuple[StripSeen, ...] = ()
    products: tuple[ProductSeen, ...] = ()
    pictures: int = 0
    error: str = ""
    notes: dict[str, float] = field(default_factory=dict)


def derived_seed(seed: int, suite: str, number: int) -> int:
    """A seed above 2^32, so that none is ever one that was used by hand.

    >>> derived_seed(1, "scan_half", 0) > 2**32
    True
    """
    text = f"{seed} {suite} {number}".encode()
    return 2**32 + int.from_bytes(hashlib.sha256(text).digest()[:6], "big")


def campaign(kind: str, suite: str, number: int, seed: int, changes: dict[str, Any]) -> Seen:
    """Make and read one campaign of a suite.

    Parameters
    ----------
    kind : {"strips", "sheets", "half", "inert", "at", "limit"}
        "half" reads every picture a second time without its glass-only rows; "at" is made twice: once to learn the
        detection limit the tool states for this design, then with products at exactly twice that.
    """
    own_seed = derived_seed(seed, suite, number)
    notes = {}
    if kind == "at":
        first = read(make_suite(suite, own_seed, **changes))
        limit = median([p.detection for p in first[1] if p.detection is not None])
        if limit is None or not math.isfinite(limit):
            return Seen(kind, suite, number, error="no detection limit was stated")
        notes["limit"] = limit
        changes = changes | {"blocked": (2 * limit,)}
    made = make_suite(suite, own_seed, **changes)
    strips, products = read(made, also_single=kind == "half")
    return Seen(kind, suite, number, tuple(strips), tuple(products), len(made.pictures), notes=notes)


def median(values: Sequence[float]) -> float | None:
    """The middle value; None of nothing."""
    ordered = sorted(values)
    return ordered[len(ordered) // 2] if ordered else None


def read(made: MadeCampaign, *, also_single: bool = False) -> tuple[list[StripSeen], list[ProductSeen]]:
    """Take in and read a made campaign, and set what was found beside the truth."""
    with tempfile.TemporaryDirectory(prefix="fairpanel-") as place:
        folder = Path(place)
        table = made.write(folder / "made")
        with Bench.create(folder / "bench", zone="UTC"):
            pass
        take_in(folder / "bench", table)
        read_bench(folder / "bench")
        with Bench.open(folder / "bench") as bench:
            found = last_read(bench)
            singles = _without_glass(bench, found.read_id) if also_single else {}
    by_strip = {(r.picture, r.strip): r for _, r in found.readings}
    strips = [
        _strip(t, by_strip.get((t["picture"], t["strip"])), singles.get((t["picture"], t["strip"])))
        for t in made.truth["strips"]
        if "product" in t
    ]
    products = []
    for told in found.told:
        s = on_shown_scale(told.result, BLOCKED) if told.result else None
        numbers = (s.value, s.low, s.high, s.detection) if s else (None,) * 4
        products.append(ProductSeen(made.products[told.product], *numbers, told.finding))
    return strips, products


def _strip(truth: dict[str, Any], reading: Reading | None, single: Reading | None) -> StripSeen:
    true, cut = truth["blocked"], truth["cut_off"]
    if reading is None:
        return StripSeen(true, None, None, None, None, (), True, cut)
    s = reading_on_shown_scale(reading, BLOCKED)
    alone = reading_on_shown_scale(single, BLOCKED).value if single else None
    doubts = tuple(f for f in reading.flags if f in DOUBTS)
    return StripSeen(true, s.value, s.low, s.high, s.detection, doubts, False, cut, alone)


def _without_glass(bench: Bench, read_id: str) -> dict[tuple[str, str], Reading]:
    """Readings of the same marks as if the glass-only rows had not been there."""
    rows = bench.current_rows(METHOD.name)
    entered = [Entered(r.id, METHOD.Row(**r.body), r.line) for r in rows]
    kept = [e for e in entered if e.row.role != "glass only"]
    ids = {e.id for e in kept}
    marks = [m for one in bench.measurings_of(read_id) for m in one.marks if m.row_id in ids]
    found, _ = METHOD.readings(marks, kept)
    return {(r.picture, r.strip): r for r in found}
