"""Whether a bench is whole."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

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
        pictures = bench.pictures()
        names = {p.sha256: p.name for p in pictures}
        problems = tuple(_with_name(p, names) for p in problems)
        return Checked(problems, len(pictures), len(bench.current_rows()), len(bench.reads()))


def _with_name(problem: Problem, names: dict[str, str]) -> Problem:
    """The problem of an original with the picture's name as the tester knows it; originals are kept by their hash."""
    name = names.get(PurePosixPath(problem.where).stem)
    return replace(problem, where=f"{name} ({problem.where})") if name else problem
