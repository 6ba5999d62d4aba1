"""How right the readings are: made campaigns with known truth, read through the real jobs.

    python -m benchmarks.truth --seed 1 --count 200

COUNT campaigns are shared out over the suites. Their seeds are derived from SEED and lie above 2^32, so that no
campaign is one that was looked at while the reader was written. Every campaign is taken in and read on a bench of its
own, in two processes. Stopped with Ctrl-C it prints what it has.
"""

from __future__ import annotations

import argparse
import os
import platform
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field
from importlib.metadata import version
from multiprocessing import get_context
from typing import Any

import cv2

from benchmarks.made_and_read import Seen, campaign
from benchmarks.truth_table import print_all
from fairpanel.rehearsal.suites import SUITES


@dataclass(frozen=True)
class Share:
    """A suite's share of the campaigns.

    Parameters
    ----------
    kind : str
        How it is made and judged, see `made_and_read.campaign`.
    suite : str
    weight : float
        Campaigns relative to other suites. [1]
    changes : mapping
        Changes to the suite's design.
    """

    kind: str
    suite: str
    weight: float
    changes: dict[str, Any] = field(default_factory=dict)


def _strips(weight: float, *names: str) -> list[Share]:
    return [Share("half" if "half" in n else "strips", n, weight) for n in names]


#: Film masses differ as much as the reader starts from, so that what it states of one plate can be right.
_LIMITS = {"film_cv": 0.18, "film_uneven": 0.0, "light": "window"}

_EXPOSURES = ("4min_linear", "4min_geometric", "useful_linear", "useful_geometric")

SHARES = (
    *_strips(3.0, *(f"{camera}_{exposure}" for camera in ("scan", "phone") for exposure in _EXPOSURES)),
    *_strips(2.0, "scan_bracket", "phone_bracket", "scan_half", "phone_half", "scan_half_4min", "phone_half_4min"),
    *_strips(1.0, "scan_controls", "scan_stepped", "scan_bed", "scan_bed_4min"),
    *_strips(4.0, "mixed"),
    *_strips(1.0, "scan_loose", "phone_loose", "phone_loose_cut_off"),
    *_strips(2.0, "scan_brushed", "phone_brushed", "scan_brushed_useful", "broken", "broken_useful",
             "broken_half"),
    *_strips(3.0, "phone_hard", "phone_hard_useful"),
    *_strips(1.0, "phone_deep_blue", "steps_no_glass", "steps_unknown_glass", "steps_other_sheet", "steps_other_run",
             "steps_other_picture", "steps_elsewhere"),
    *(Share("sheets", n, 3.0, {"groups": 1}) for n in ("scan_three_sheets", "phone_three_sheets")),
    Share("inert", "inert", 6.0),
    Share("inert", "inert_4min", 6.0),
    Share("inert", "inert_half", 6.0),
    Share("inert", "inert_three_sheets", 3.0),
    Share("at", "at", 6.0),
    Share("at", "at_half", 6.0),
    Share("limit", "scan_4min_geometric", 5.0, _LIMITS | {"blocked": (0.0, 13.0)}),
    Share("limit", "scan_useful_geometric", 5.0, _LIMITS | {"blocked": (0.0, 7.4)}),
    Share("limit", "scan_half", 5.0, _LIMITS | {"blocked": (0.0, 4.4)}),
    Share("limit", "scan_three_sheets", 3.0, _LIMITS | {"blocked": (0.0, 2.5), "groups": 1}),
)  # fmt: skip


@dataclass(frozen=True)
class Task:
    """One campaign to be made and read."""

    share: Share
    number: int
    seed: int


def tasks(seed: int, count: int, only: str | None = None) -> list[Task]:
    """Campaigns of all suites, in an order that leaves every suite alike far when stopped.

    Raises
    ------
    ValueError
        No suite of that name.
    """
    shares = [s for s in SHARES if only is None or s.suite == only]
    if not shares:
        if only not in SUITES:
            raise ValueError(f"There is no suite “{only}”. Suites: {', '.join(sorted({s.suite for s in SHARES}))}")
        shares = [Share("strips", only, 1.0)]
    total = sum(s.weight for s in shares)
    numbers = [max(1, round(count * s.weight / total)) for s in shares]
    found = [((i + 0.5) / n, Task(s, i, seed)) for s, n in zip(shares, numbers, strict=True) for i in range(n)]
    return [task for _, task in sorted(found, key=lambda x: x[0])]


def done(task: Task) -> Seen:
    """A task carried out; an error becomes part of the figures."""
    s = task.share
    try:
        return campaign(s.kind, s.suite, task.number, task.seed, dict(s.changes))
    except Exception as problem:
        return Seen(s.kind, s.suite, task.number, error=f"{type(problem).__name__}: {problem}")


def _worker() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)


def run(todo: Sequence[Task], *, workers: int = 2, quiet: bool = False) -> list[Seen]:
    """Carry out tasks; stopped by Ctrl-C, give what is there."""
    seen: list[Seen] = []
    if workers == 1:
        return [done(task) for task in todo]
    began = time.monotonic()
    for library in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(library, "1")  # one process per core already
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_worker)
    try:
        for one in as_completed([pool.submit(done, task) for task in todo]):
            seen.append(one.result())
            if not quiet:
                _tell(len(seen), len(todo), time.monotonic() - began)
    except KeyboardInterrupt:
        print("\nStopped; figures of what was read so far follow.", file=sys.stderr)
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
    return sorted(seen, key=lambda c: (c.kind, c.suite, c.number))


def _tell(finished: int, of: int, seconds: float) -> None:
    if sys.stderr.isatty() or finished % 20 == 0 or finished == of:
        end = "\r" if sys.stderr.isatty() and finished < of else "\n"
        left = seconds / finished * (of - finished)
        print(f"{finished} of {of} campaigns, about {left / 60:.0f} min left ", end=end, file=sys.stderr, flush=True)


def head() -> str:
    """Commit, machine and versions, for the top of a table."""
    git = ["git", "describe", "--always", "--dirty", "--abbrev=10"]
    commit = subprocess.run(git, capture_output=True, text=True, check=False).stdout.strip() or "not known"
    names = ("fairpanel", "numpy", "scipy", "opencv-python-headless", "pillow")
    return (
        f"commit {commit}, {os.cpu_count()} cores, {platform.system()} {platform.machine()}\n"
        f"Python {platform.python_version()}, " + ", ".join(f"{n} {version(n)}" for n in names)
    )


def main() -> int:
    """Read the command line, run, print."""
    about = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    about.add_argument("--seed", type=int, default=1)
    about.add_argument("--count", type=int, default=200, help="campaigns in all")
    about.add_argument("--suite", help="only this suite")
    about.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options = about.parse_args()
    began = time.monotonic()
    try:
        todo = tasks(options.seed, options.count, options.suite)
    except ValueError as problem:
        about.error(str(problem))
    seen = run(todo, workers=options.workers)
    minutes = (time.monotonic() - began) / 60
    print(f"seed {options.seed}, count {options.count}, {minutes:.1f} min, {head()}")
    print_all(seen, all_goals=options.suite is None)
    return 0


if __name__ == "__main__":
    sys.exit(main())
