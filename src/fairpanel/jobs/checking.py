"""Whether a bench is whole."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fairpanel.storage.bench import Bench
from fairpanel.storage.checking import Problem


@dataclass(frozen=True)
class Checked:
    """What was looked at and what is wrong with it; no problems means the bench is whole."""

    problems: tuple[Problem, ...]
    pictures: int
    rows: int
    reads: int


def check_bench(folder: Path) -> Checked:
    """Look at every record and every original of a bench. Changes nothing.

    Raises
    ------
    BenchError
    """
    with Bench.open(folder) as bench:
        problems = tuple(bench.check())
        if any(p.kind == "records" for p in problems):
            return Checked(problems, 0, 0, 0)
        return Checked(problems, len(bench.pictures()), len(bench.current_rows()), len(bench.reads()))
