"""A table held against what is on record: what is new, what is different, what is gone. Pure."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fairpanel.storage.codec import dumps, loads
from fairpanel.storage.records import Comparison, NewRow, StoredRow

Upgrade = Callable[[str, Mapping[str, Any], int], Mapping[str, Any]]
"""`(method, body, version) -> body` as the method's present version writes it."""

Key = tuple[str, str, int]


@dataclass(frozen=True, slots=True)
class OnRecord:
    """The newest entry of a row's line, with the hash of its picture, its table and its place there."""

    row: StoredRow
    picture_sha256: str
    table_name: str
    place: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Matched:
    """A row of the table with the entry it is about, if there is one."""

    new: NewRow
    ordinal: int
    known: OnRecord | None
    same: bool

    @property
    def standing(self) -> bool:
        """The entry stands: it was not withdrawn."""
        return self.known is not None and not self.known.row.withdrawn


def match(rows: Sequence[NewRow], on_record: Mapping[Key, OnRecord], upgrade: Upgrade) -> list[Matched]:
    """Each row of a table with the entry of the same method, identity and occurrence."""
    count: Counter[tuple[str, str]] = Counter()
    matched = []
    for new in rows:
        ordinal = count[new.method, new.identity]
        count[new.method, new.identity] += 1
        known = on_record.get((new.method, new.identity, ordinal))
        same = known is not None and not known.row.withdrawn and _is_same(new, known, upgrade)
        matched.append(Matched(new, ordinal, known, same))
    return matched


def compare(matched: Sequence[Matched], on_record: Mapping[Key, OnRecord], table_name: str) -> Comparison:
    """The comparison as it is shown to the tester."""
    return Comparison(
        added=tuple(m.new for m in matched if not m.standing),
        changed=tuple((m.known.row, m.new) for m in matched if m.known and m.standing and not m.same),
        unchanged=tuple(m.new for m in matched if m.same),
        missing=tuple(_missing(matched, on_record, table_name)),
        reordered=_reordered(matched),
    )


def _is_same(new: NewRow, known: OnRecord, upgrade: Upgrade) -> bool:
    row = known.row
    there = upgrade(row.method, row.body, row.method_version)
    return (
        loads(dumps(new.body)) == loads(dumps(there))
        and new.picture_sha256 == known.picture_sha256
        and new.picture_name == row.picture_name
    )


def _missing(matched: Sequence[Matched], on_record: Mapping[Key, OnRecord], table_name: str) -> list[StoredRow]:
    """Rows of the same table and the same pictures that are not in it any more.

    Same name alone is not enough: `table.csv` may be another campaign's.
    """
    about = {(m.new.method, m.new.picture_name) for m in matched}
    here = {(m.new.method, m.new.identity, m.ordinal) for m in matched}
    return [
        known.row
        for key, known in on_record.items()
        if key not in here
        and not known.row.withdrawn
        and table_name
        and known.table_name == table_name
        and (known.row.method, known.row.picture_name) in about
    ]


def _reordered(matched: Sequence[Matched]) -> bool:
    """Whether rows of one picture changed places.

    Where strips are found by their order, that changes which strip is which.
    """
    places: dict[tuple[str, str], list[tuple[int, int]]] = defaultdict(list)
    for m in matched:
        if m.known and m.standing:
            places[m.new.method, m.new.picture_name].append(m.known.place)
    return any(before != sorted(before) for before in places.values())
