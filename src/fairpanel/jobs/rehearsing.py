"""A plan tried out: made pictures of it, taken in and read on a throw-away bench by the same code as real ones."""

from __future__ import annotations

import tempfile
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from fairpanel.findings.rules import SHOWN, Shown, on_shown_scale
from fairpanel.jobs.reading import read_bench
from fairpanel.jobs.showing import LastRead, load_last_read
from fairpanel.jobs.take_in import take_in
from fairpanel.rehearsal.campaigns import MadeCampaign
from fairpanel.rehearsal.plan import Plan, made_campaign
from fairpanel.storage.bench import Bench

Progress = Callable[[int, int, str], None]

_READ = "made pictures read"


@dataclass(frozen=True)
class Rehearsed:
    """What a plan would find of one product.

    Parameters
    ----------
    product : str
    blocked : float
        What it was made to block. [%]
    repeats : int
        Made campaigns in which it gave a value or a bound.
    width : float or None
        Length of its 95 % interval, median over repeats; None where never both ends were known. [points]
    detection_limit : float or None
        Median over repeats. [%]
    shown : int
        Repeats in which it was found to block UV.
    low, high : float or None
        Lowest and highest value over the repeats. [%]
    plates : int
    """

    product: str
    blocked: float
    repeats: int
    width: float | None
    detection_limit: float | None
    shown: int
    low: float | None
    high: float | None
    plates: int


@dataclass(frozen=True)
class Rehearsal:
    """What a plan would find."""

    plan: Plan
    seed: int
    repeats: int
    pictures: int
    refused: int
    products: tuple[Rehearsed, ...]

    @property
    def rarely_missed(self) -> tuple[float, float] | None:
        """Least and greatest of the products' detection limits; None where none has one. [%]"""
        limits = [p.detection_limit for p in self.products if p.detection_limit is not None]
        return (min(limits), max(limits)) if limits else None


def rehearse(
    plan: Plan, *, repeats: int = 3, seed: int = 1, progress: Progress = lambda done, of, what: None
) -> Rehearsal:
    """Make a plan's pictures, read them, and say what would be found.

    Parameters
    ----------
    plan : Plan
    repeats : int
        Made campaigns: each on its own paper, with its own chance errors.
    seed : int
    progress : callable
        `(done, of, what)`.

    Raises
    ------
    ValueError
        The plan cannot be carried out; every fault is named.
    """
    seen: dict[str, list[tuple[str, Shown]]] = defaultdict(list)
    plates: dict[str, int] = {}
    truth: dict[str, float] = {}
    refused = pictures = 0
    for repeat in range(repeats):
        progress(repeat * pictures, repeats * pictures, _READ)
        made = made_campaign(plan, seed * 1000 + repeat)
        truth, pictures = made.products, len(made.pictures)
        read = read_made(made, partial(_tell, progress, repeat * pictures, repeats * pictures))
        refused += len(read.refused)
        for told in read.told:
            if told.result is not None:
                shown = on_shown_scale(told.result, told.method.quantity(told.quantity))
                seen[told.product].append((told.finding, shown))
                plates[told.product] = told.result.plates
    progress(repeats * pictures, repeats * pictures, _READ)
    found = tuple(_summed_up(p, truth[p], seen.get(p, []), plates.get(p, 0)) for p in sorted(truth))
    return Rehearsal(plan, seed, repeats, pictures, refused, found)


def _tell(progress: Progress, before: int, of: int, done: int, _: int, what: str) -> None:
    """Progress of one made campaign as a part of all; called while pictures are taken in too, so that it can stop."""
    progress(before + (done if what == "pictures measured" else 0), of, _READ)


def read_made(made: MadeCampaign, progress: Progress = lambda done, of, what: None) -> LastRead:
    """A made campaign taken in and read on a bench of its own, which is then thrown away."""
    with tempfile.TemporaryDirectory(prefix="fairpanel-") as place:
        folder = Path(place)
        table = made.write(folder / "made")
        with Bench.create(folder / "bench", zone="UTC"):
            pass
        take_in(folder / "bench", table, progress=progress)
        read_bench(folder / "bench", progress=progress)
        return load_last_read(folder / "bench")


def _summed_up(product: str, blocked: float, seen: Sequence[tuple[str, Shown]], plates: int) -> Rehearsed:
    widths = [s.high - s.low for _, s in seen if s.low is not None and s.high is not None]
    limits = [s.detection for _, s in seen if s.detection is not None]
    values = [s.value for _, s in seen if s.value is not None]
    return Rehearsed(
        product,
        blocked,
        len(seen),
        float(np.median(widths)) if widths else None,
        float(np.median(limits)) if limits else None,
        sum(finding == SHOWN for finding, _ in seen),
        min(values, default=None),
        max(values, default=None),
        plates,
    )


def as_json(done: Rehearsal) -> dict[str, Any]:
    """A rehearsal as plain data."""
    plan = {k: dict(v) if isinstance(v, dict) else v for k, v in asdict(done.plan).items()}
    return {
        "made": "invented paper, lamp and films; no measurement",
        "plan": plan,
        "seed": done.seed,
        "repeats": done.repeats,
        "pictures": done.pictures,
        "refused": done.refused,
        "products": [asdict(p) for p in done.products],
    }
