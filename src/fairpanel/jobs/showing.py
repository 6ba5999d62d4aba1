"""The last finished read as plain data: for `results`, for pages and for publications."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from fairpanel.findings.rules import (
    HEADINGS,
    budget_in_shown_units,
    on_shown_scale,
    reading_on_shown_scale,
)
from fairpanel.jobs.blinding import veil_of
from fairpanel.methods import all_methods
from fairpanel.methods.contract import Method, Reading, Refusal, Result
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import BenchError


class NothingRead(BenchError):
    """There is no finished read on the bench."""


@dataclass(frozen=True)
class Told:
    """One result with what may be said of it; `result` is None where nothing could be read."""

    method: Method
    product: str
    quantity: str
    result: Result | None
    finding: str
    sentence: str


@dataclass(frozen=True)
class LastRead:
    """All that the last finished read found."""

    read_id: str
    told: tuple[Told, ...]
    readings: tuple[tuple[Method, Reading], ...]
    refused: tuple[Refusal, ...]


def last_read(bench: Bench) -> LastRead:
    """Load the last finished read; while a campaign is sealed with codes in place of products' names.

    Raises
    ------
    NothingRead
    """
    read = bench.last_read()
    if read is None:
        raise NothingRead(f"Nothing has been read on {bench.folder} yet. Take in a table, then: fairpanel read")
    methods = all_methods()
    results = {r.id: r.result for r in bench.results_of(read.id)}
    told = [
        Told(methods[f.body["method"]], f.body["product"], f.body["quantity"],
             results.get(f.result_id) if f.result_id else None, f.body["finding"], f.body["sentence"])
        for f in bench.findings_of(read.id)
    ]  # fmt: skip
    place = {name: i for i, name in enumerate(HEADINGS)}
    told.sort(key=lambda t: (t.method.name, t.quantity, place[t.finding], t.product.casefold()))
    readings = tuple((methods[r.method], r.reading) for r in bench.readings_of(read.id))
    hide = veil_of(bench).over
    shown = tuple((method, hide(reading)) for method, reading in readings)
    told = [replace(t, product=hide(t.product), result=hide(t.result), sentence=hide(t.sentence)) for t in told]
    return LastRead(read.id, tuple(told), shown, hide(tuple(bench.refusals_of(read.id))))


def load_last_read(folder: Path) -> LastRead:
    """The last finished read of a bench.

    Raises
    ------
    NothingRead, BenchError
    """
    with Bench.open(folder) as bench:
        return last_read(bench)


def as_json(read: LastRead) -> dict[str, Any]:
    """The pinned form: results, strips, refused."""
    return {
        "results": [_result(t) for t in read.told],
        "strips": [_strip(m, r) for m, r in read.readings if r.picture],
        "refused": [
            {"picture": r.picture, "strip": r.strip, "reason": r.reason, "what_to_do": r.what_to_do}
            for r in read.refused
        ],
    }


def _result(t: Told) -> dict[str, Any]:
    quantity = t.method.quantity(t.quantity)
    base = {"product": t.product, "method": t.method.name, "quantity": quantity.name, "unit": quantity.unit}
    tail = {"finding": t.finding, "sentence": t.sentence}
    if t.result is None:
        empty = dict.fromkeys(("value", "low", "high"))
        return {
            **base,
            **empty,
            "plates": 0,
            "decision_limit": None,
            "detection_limit": None,
            **tail,
            "flags": [],
            "budget": [],
        }
    s = on_shown_scale(t.result, quantity)
    return {
        **base,
        "value": s.value,
        "low": s.low,
        "high": s.high,
        "plates": t.result.plates,
        "decision_limit": _finite(s.decision),
        "detection_limit": _finite(s.detection),
        **tail,
        "flags": list(t.result.flags),
        "budget": budget_in_shown_units(t.result, quantity),
    }


def _finite(limit: float | None) -> float | None:
    """A limit beyond the end of the scale is no number, neither for JSON nor for people."""
    return limit if limit is not None and math.isfinite(limit) else None


def _strip(method: Method, r: Reading) -> dict[str, Any]:
    quantity = method.quantity(r.quantity)
    s = reading_on_shown_scale(r, quantity)
    return {
        "picture": r.picture,
        "strip": r.strip,
        "product": r.product,
        "plate": r.specimen,
        quantity.name: s.value,
        "low": s.low,
        "high": s.high,
        **(method.details(r) if method.details else {}),
        "flags": list(r.flags),
    }


def counts(told: Sequence[Told]) -> dict[str, int]:
    """Number of results by finding, in the order of the headings."""
    return {h: sum(t.finding == h for t in told) for h in HEADINGS}
