"""Speed as ratios on the same machine, each pair measured side by side in one run.

    python -m benchmarks.speed

Bare decode: the fastest installed library, full size, one thread, warm, median of 7. A goal is a ratio, so that it
means the same on any machine; absolute times are printed beside it.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # read when numpy is first loaded, which is later than here


@dataclass(frozen=True)
class Ratio:
    """One line: what is compared, the ratio, its goal in words, whether it holds, and what lies behind it."""

    name: str
    ratio: float
    goal: str
    holds: bool
    behind: str


def timed(*actions: Callable[[], object], times: int = 7) -> list[float]:
    """Median processor time of each action, run in turn after once unmeasured. [s]

    Processor time, all threads counted, since others may be using the machine.
    """
    import statistics
    import time

    for action in actions:
        action()
    took: list[list[float]] = [[] for _ in actions]
    for _ in range(times):
        for action, durations in zip(actions, took, strict=True):
            began = time.process_time()
            action()
            durations.append(time.process_time() - began)
    return [statistics.median(durations) for durations in took]


def main() -> int:
    """Measure and print."""
    about = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    about.add_argument("--pictures", type=int, default=500, help="pictures of the long read; 0 leaves it out")
    about.add_argument("--only", choices=("picture", "fits", "start", "pages", "long"))
    options = about.parse_args()

    from benchmarks import speed_long, speed_pages, speed_parts
    from benchmarks.truth import head

    parts: dict[str, Callable[[], Iterator[Ratio]]] = {
        "start": speed_parts.start,
        "picture": speed_parts.picture,
        "fits": speed_parts.fits,
        "pages": speed_pages.pages,
        "long": lambda: speed_long.long_read(options.pictures),
    }
    if not options.pictures:
        del parts["long"]
    print(head())
    print("\n" + "ratio".rjust(9) + "  goal".ljust(16) + "verdict  what")
    lines = []
    for name, part in parts.items():
        if options.only in (None, name):
            for line in part():
                lines.append(line)
                print(f"{line.ratio:9.2f}  {line.goal.ljust(14)}{'holds' if line.holds else 'fails'}    {line.name}\n"
                      f"{' ' * 34}{line.behind}", flush=True)  # fmt: skip
    print(f"\n{sum(line.holds for line in lines)} of {len(lines)} hold")
    return 0


if __name__ == "__main__":
    sys.exit(main())
