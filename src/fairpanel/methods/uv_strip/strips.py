"""Rows and marks put together to strips, and each strip with the steps it is to be read against."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from fairpanel.methods.contract import Entered, Mark
from fairpanel.methods.uv_strip.row import Row


@dataclass(frozen=True)
class Spot:
    """One patch: its row and what was measured of it."""

    id: str
    row: Row
    mark: Mark


@dataclass(frozen=True)
class Strip:
    """A piece of paper in one picture, with its patches in the order of the table."""

    picture: str
    name: str
    spots: tuple[Spot, ...]

    def first(self, column: str) -> str | float | None:
        """The first value given in a column by any of its rows."""
        return next((v for s in self.spots if (v := getattr(s.row, column)) is not None), None)

    @cached_property
    def film(self) -> tuple[Spot, ...]:
        """Patches under a product or reference."""
        return tuple(s for s in self.spots if s.row.is_product)

    @cached_property
    def glass(self) -> tuple[Spot, ...]:
        """Exposed glass-only patches."""
        return tuple(s for s in self.spots if s.row.role == "glass only" and s.row.seconds > 0)

    @cached_property
    def is_steps(self) -> bool:
        """A step strip."""
        return all(s.row.is_step for s in self.spots)

    @property
    def product(self) -> str:
        """Name of the product, empty for steps and controls."""
        return next((s.row.product or "" for s in self.film), "")

    @property
    def specimen(self) -> str:
        """The independent specimen: the plate, or where none is named this piece of paper under its product."""
        plate = self.first("plate")
        return str(plate) if plate else f"{self.product} / {self.name}"


def strips_of(marks: Sequence[Mark], entered: Sequence[Entered]) -> list[Strip]:
    """Strips with all their measured patches, in the order of the table. Rows without a mark are left out."""
    by_row = {m.row_id: m for m in marks}
    together: dict[tuple[str, str], list[Spot]] = {}
    for e in entered:
        if e.id in by_row:
            together.setdefault((e.row.picture, e.row.strip), []).append(Spot(e.id, e.row, by_row[e.id]))
    return [Strip(picture, name, tuple(spots)) for (picture, name), spots in together.items()]


@dataclass(frozen=True)
class Steps:
    """Step strips chosen for a strip, and what sets them apart from it."""

    strips: tuple[Strip, ...]
    elsewhere: tuple[str, ...]

    @property
    def key(self) -> str:
        """Names these steps."""
        return " + ".join(f"{s.picture}:{s.name}" for s in self.strips)


def choose_steps(strip: Strip, steps: Sequence[Strip]) -> Steps | None:
    """The step strips to read a strip against: same picture first, then same sheet, then same run, lot, campaign.

    Parameters
    ----------
    strip : Strip
    steps : sequence of Strip
        All step strips of the campaign.

    Returns
    -------
    Steps or None
        None where there are no steps at all.
    """
    if not steps:
        return None

    def distance(s: Strip) -> tuple[bool, ...]:
        return (s.picture != strip.picture, *(_differ(strip, s, c) for c in _TOGETHER))

    nearest = min(distance(s) for s in steps)
    chosen = tuple(s for s in steps if distance(s) == nearest)
    if nearest[0]:  # from another picture: one only, so that two pictures' tones are not mixed
        chosen = chosen[:1]
    names = ("picture", *_TOGETHER)
    return Steps(chosen, tuple(n for n, apart in zip(names, nearest, strict=True) if apart))


_TOGETHER = ("paper_sheet", "run", "paper_lot", "campaign")


def _differ(a: Strip, b: Strip, column: str) -> bool:
    one, other = a.first(column), b.first(column)
    return one is not None and other is not None and one != other


def by_picture(strips: Sequence[Strip]) -> Mapping[str, list[Strip]]:
    """Strips by the picture they are in."""
    found: dict[str, list[Strip]] = {}
    for s in strips:
        found.setdefault(s.picture, []).append(s)
    return found
