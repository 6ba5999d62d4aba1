"""What goes onto the bench and what comes back from it, as plain frozen data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from fairpanel.methods.contract import Mark, Outline, Reading, Refusal, Result

WITHDRAWN = "withdrawn"
"""In the body of an entry: the thing was taken out. A key of its own, so that the tables stay as they are."""


@dataclass(frozen=True, slots=True)
class Staged:
    """A file written to the bench but not yet named by any record; given to a take-in, or dropped."""

    sha256: str
    file: str
    name: str
    media_type: str
    bytes: int
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class StoredPicture:
    """A picture on the bench. `file` lies below the folder of originals; `name` is the first it had."""

    id: str
    sha256: str
    file: str
    name: str
    media_type: str
    bytes: int
    facts: Mapping[str, Any]
    taken_in_at: str
    taken_in_offset: str


@dataclass(frozen=True, slots=True)
class NewRow:
    """A row to be taken in.

    Parameters
    ----------
    method, method_version : str, int
        Whose row it is, and the version its body is written in.
    identity : str
        Which thing the row is about, in text; rows of one table with the same identity are told apart by
        their order.
    body : mapping
        The row as plain data, or the method's dataclass.
    line : int
        Line in the table.
    picture_name, picture_sha256 : str
        The picture it names, as written, and its content; empty where it names none.
    """

    method: str
    method_version: int
    identity: str
    body: Any
    line: int = 0
    picture_name: str = ""
    picture_sha256: str = ""


@dataclass(frozen=True, slots=True)
class StoredRow:
    """A row on the bench. `reason` is empty for a first entry."""

    id: str
    take_in_id: str
    method: str
    method_version: int
    identity: str
    ordinal: int
    body: Mapping[str, Any]
    line: int
    picture_id: str | None
    picture_name: str
    withdrawn: bool
    replaces: str | None
    reason: str
    made_at: str
    made_offset: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """A table held against what is on record.

    Parameters
    ----------
    added, unchanged : tuple of NewRow
    changed : tuple of (StoredRow, NewRow)
        Same identity, other content.
    missing : tuple of StoredRow
        Rows of an earlier table of the same name that are not in this one.
    reordered : bool
        Rows of one picture stand in another order than before.
    """

    added: tuple[NewRow, ...]
    changed: tuple[tuple[StoredRow, NewRow], ...]
    unchanged: tuple[NewRow, ...]
    missing: tuple[StoredRow, ...]
    reordered: bool


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What a take-in did. `id` is None when nothing was new; `row_ids` follow the rows given."""

    id: str | None
    row_ids: tuple[str, ...]
    comparison: Comparison


@dataclass(frozen=True, slots=True)
class StoredEntry:
    """A noun on the bench: a product, lot, specimen, campaign, run, paper sheet, lamp, ..."""

    id: str
    noun: str
    name: str
    body: Mapping[str, Any]
    replaces: str | None
    reason: str
    made_at: str
    made_offset: str

    @property
    def withdrawn(self) -> bool:
        """Whether it was taken out of what stands."""
        return bool(self.body.get(WITHDRAWN))


@dataclass(frozen=True, slots=True)
class StoredRead:
    """One run of reading. `finished_at` is None while it is under way, and for ever if it was stopped.

    `rows_seen` is the number of entries of rows there were when it began.
    """

    id: str
    code_version: str
    settings: Mapping[str, Any]
    seed: int
    methods: Mapping[str, int]
    rows_seen: int
    started_at: str
    started_offset: str
    finished_at: str | None
    note: str


@dataclass(frozen=True, slots=True)
class Measuring:
    """One picture measured by one method: what was found in it and what was not."""

    id: str
    method: str
    method_version: int
    picture_id: str | None
    cache_key: str
    outlines: tuple[Outline, ...]
    marks: tuple[Mark, ...]
    refusals: tuple[Refusal, ...]


@dataclass(frozen=True, slots=True)
class StoredReading:
    """A reading on the bench, with the marks it came from."""

    id: str
    method: str
    reading: Reading
    mark_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StoredResult:
    """A result on the bench, with the readings it came from.

    `result.readings` counts among its method's readings of the same read.
    """

    id: str
    method: str
    result: Result
    reading_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StoredFinding:
    """What may be said of a result, or of several together (`result_id` None)."""

    id: str
    result_id: str | None
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class StoredPublication:
    """A publication: what was read for it, where it went, and the SHA-256 of each of its files."""

    id: str
    read_id: str
    folder: str
    files: Mapping[str, str]
    made_at: str
    made_offset: str


@dataclass(frozen=True, slots=True)
class OldScore:
    """A score from before, as it was typed, with the table it came in."""

    id: str
    take_in_id: str
    body: Mapping[str, Any]
