"""Everything a publication is made from, as plain frozen data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from fairpanel.methods.contract import Chart, Method, Reading, Refusal, Result
from fairpanel.publication.luck import LuckPicture


@dataclass(frozen=True)
class Told:
    """One result with what may be said of it.

    Parameters
    ----------
    product, quantity : str
    result : Result or None
        None where nothing could be read.
    finding, sentence : str
    kind : str
        Kind of product, as the tester wrote it; empty where not given.
    reference : bool
        It stood in the campaign as a reference, not as a product to be judged.
    """

    product: str
    quantity: str
    result: Result | None
    finding: str
    sentence: str
    kind: str = ""
    reference: bool = False


@dataclass(frozen=True)
class Part:
    """What one method found."""

    method: Method
    told: tuple[Told, ...]
    readings: tuple[Reading, ...]
    charts: tuple[Chart, ...] = ()


@dataclass(frozen=True)
class OldScore:
    """A score from before, as it was typed, with what it says of the amount and whether luck alone would give it."""

    product: str
    score: str
    date: str
    says: tuple[str, ...]
    verdict: str


@dataclass(frozen=True)
class OldTable:
    """Old scores of one table: what was said of all of them, each in its old place, and the picture of them."""

    words: tuple[str, ...]
    scores: tuple[OldScore, ...]
    picture: LuckPicture | None = None


@dataclass(frozen=True)
class Content:
    """A publication before it is written.

    Parameters
    ----------
    title : str
        Empty for the methods' own titles.
    published : date
    lamps, campaigns : tuple of str
        As named in the table.
    exposed : tuple of date
        First and last day of exposure; empty where not known.
    parts : tuple of Part
    refused : tuple of Refusal
    data : mapping
        The same results as plain data: results, strips, refused.
    pictures : mapping
        Name of a picture in the table to the name it is published under, for what charts say of strips. All else
        carries the published names already.
    old : tuple of OldTable
    code_version : str
    seed : int
    """

    title: str
    published: date
    lamps: tuple[str, ...]
    campaigns: tuple[str, ...]
    exposed: tuple[date, ...]
    parts: tuple[Part, ...]
    refused: tuple[Refusal, ...]
    data: Mapping[str, Sequence[Mapping[str, Any]]]
    pictures: Mapping[str, str] = field(default_factory=dict)
    old: tuple[OldTable, ...] = ()
    code_version: str = ""
    seed: int = 0

    @property
    def heading(self) -> str:
        """The title, or the methods'."""
        return self.title or "; ".join(p.method.title for p in self.parts) or "Nothing read"

    def strips_of(self, chart: Chart) -> list[tuple[str, str]]:
        """Strips that stand with a chart, with their pictures' published names."""
        return [(self.pictures.get(picture, ""), strip) for picture, strip in chart.strips]

    def strips_shown(self) -> set[tuple[str, str]]:
        """Strips whose pictures are wanted, as (published picture, strip)."""
        read = {(r.picture, r.strip) for p in self.parts for r in p.readings if r.picture}
        return read | {place for p in self.parts for chart in p.charts for place in self.strips_of(chart)}


@dataclass(frozen=True)
class Picture:
    """The picture of one strip, ready to be written: `data` is a JPEG that holds pixels and nothing else."""

    picture: str
    strip: str
    width: int
    height: int
    words: str
    data: bytes
