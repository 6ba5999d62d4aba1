"""All pictures of a bench, with how far each has come."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from fairpanel.jobs.blinding import veil_of
from fairpanel.storage.bench import Bench
from fairpanel.storage.records import StoredPicture


@dataclass(frozen=True)
class Listed:
    """A picture with how many numbers were last read from it; `name` is as it may be shown."""

    picture: StoredPicture
    name: str
    numbers: int


def pictures_listed(folder: Path) -> list[Listed]:
    """All pictures of a bench, the newest first.

    Raises
    ------
    BenchError
    """
    with Bench.open(folder) as bench:
        read = bench.last_read()
        counts = Counter(bench.pictures_read(read.id)) if read else Counter()
        hidden = veil_of(bench)
        return [Listed(p, hidden.covered(p.name), counts[p.id]) for p in reversed(bench.pictures())]
