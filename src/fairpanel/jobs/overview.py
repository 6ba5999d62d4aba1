"""What stands on a bench at a glance: what was last found, and what waits for somebody. Loads no numerical library."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fairpanel.findings.rules import HEADINGS
from fairpanel.methods.contract import Refusal
from fairpanel.storage.bench import Bench
from fairpanel.storage.glancing import standing
from fairpanel.storage.records import StoredPicture, StoredPublication, StoredRead


@dataclass(frozen=True)
class Said:
    """A finding as it was said: what it is about, its heading and the heading's place in their order, its sentence."""

    place: int
    product: str
    quantity: str
    heading: str
    sentence: str


@dataclass(frozen=True)
class Overview:
    """A bench at a glance.

    Parameters
    ----------
    rows, pictures : int
        How many there are.
    read : StoredRead or None
        The last finished read.
    found : tuple of Said
        What it found, in the order of the headings.
    refused : tuple of Refusal
        What it could not read.
    rows_changed : int
        Rows entered, changed or withdrawn since it began.
    unnamed : tuple of StoredPicture
        Pictures of which no row says what they show.
    unread : tuple of StoredPicture
        Pictures with rows that the last read did not see.
    published : StoredPublication or None
        The last publication.
    """

    rows: int
    pictures: int
    read: StoredRead | None
    found: tuple[Said, ...]
    refused: tuple[Refusal, ...]
    rows_changed: int
    unnamed: tuple[StoredPicture, ...]
    unread: tuple[StoredPicture, ...]
    published: StoredPublication | None


def overview(folder: Path) -> Overview:
    """Look over a bench.

    Raises
    ------
    BenchError
    """
    with Bench.open(folder) as bench:
        read = bench.last_read()
        stands = standing(bench, read.id if read else None)
        pictures = [p for p in bench.pictures() if not p.media_type.startswith("text/")]  # tables are originals too
        published = bench.publications()
        return Overview(
            stands.rows,
            len(pictures),
            read,
            _found(bench, read),
            stands.refusals,
            bench.rows_changed_since(read.id) if read else stands.rows,
            tuple(p for p in pictures if p.id not in stands.named),
            tuple(p for p in pictures if p.id in stands.named and p.id not in stands.seen),
            published[-1] if published else None,
        )


def _found(bench: Bench, read: StoredRead | None) -> tuple[Said, ...]:
    if read is None:
        return ()
    place = {name: i for i, name in enumerate(HEADINGS)}
    bodies = sorted(
        (f.body for f in bench.findings_of(read.id)),
        key=lambda b: (place[b["finding"]], b["product"].casefold(), b["quantity"]),
    )
    return tuple(
        Said(place[b["finding"]], b["product"], b["quantity"], HEADINGS[b["finding"]], b["sentence"]) for b in bodies
    )
