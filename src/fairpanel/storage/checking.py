"""Whether a bench is whole."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, select

from fairpanel.storage import tables
from fairpanel.storage.originals import Originals
from fairpanel.storage.pictures import files_named
from fairpanel.storage.publications import fault_of_file
from fairpanel.storage.records import StoredPublication


@dataclass(frozen=True, slots=True)
class Problem:
    """Something wrong with a bench.

    Parameters
    ----------
    kind : str
        "records", "reference", "body", "missing original", "damaged original", "unknown file" or
        "publication".
    where : str
        File, or table and record.
    message : str
        What is wrong and what to do.
    """

    kind: str
    where: str
    message: str

    def __str__(self) -> str:
        return self.message


def problems_of(
    connection: Connection, originals: Originals, folder: Path, publications: Iterable[StoredPublication]
) -> list[Problem]:
    """All problems of a bench; reads every original once."""
    # Listed before the records are looked at: a record is saved before its file is placed, so a file that
    # somebody places meanwhile is never taken for one without a record.
    placed = list(originals.placed())
    if connection.dialect.name == "sqlite":
        broken = [*_records(connection), *_references(connection)]
        if any(p.kind == "records" for p in broken):
            return broken  # nothing further that the records say can be relied on
    else:
        broken = []
    named = files_named(connection)
    return [
        *broken,
        *_bodies(connection),
        *_originals(originals, named),
        *_unknown_files(placed, named),
        *_publications(folder, publications),
    ]


def _records(connection: Connection) -> Iterator[Problem]:
    for (line,) in connection.exec_driver_sql("PRAGMA integrity_check"):
        if line != "ok":
            yield Problem("records", "bench.sqlite", f"The records are damaged: {line}. Take the newest whole backup.")


def _references(connection: Connection) -> Iterator[Problem]:
    for table, number, parent, _ in connection.exec_driver_sql("PRAGMA foreign_key_check"):
        yield Problem(
            "reference",
            f"{table} {number}",
            f"Record {number} of “{table}” refers to one of “{parent}” that is not there. Take the newest "
            "whole backup.",
        )


def _bodies(connection: Connection) -> Iterator[Problem]:
    for table, columns in tables.BODIES.items():
        for id, *texts in connection.execute(select(table.c.id, *(table.c[name] for name in columns))):
            if not all(_is_json(text) for text in texts):
                yield Problem(
                    "body",
                    f"{table.name} {id}",
                    f"Record {id} of “{table.name}” cannot be read. Take a backup.",
                )


def _is_json(text: str) -> bool:
    try:
        json.loads(text)
    except ValueError:
        return False
    return True


def _originals(originals: Originals, named: dict[str, str]) -> Iterator[Problem]:
    for file, sha256 in named.items():
        fault = originals.fault_of(file, sha256)
        if fault is not None:
            yield Problem(fault.kind, f"originals/{file}", str(fault))


def _unknown_files(placed: Iterable[str], named: dict[str, str]) -> Iterator[Problem]:
    for file in placed:
        if file not in named:
            yield Problem(
                "unknown file",
                f"originals/{file}",
                f"originals/{file} is named by no record. If the records come from an older backup, take the "
                "picture in again; else move the file out of the bench.",
            )


def _publications(folder: Path, publications: Iterable[StoredPublication]) -> Iterator[Problem]:
    for one in publications:
        if not one.folder.startswith("publications/"):
            continue  # written elsewhere: the tester's to move and remove
        for place, sha256 in one.files.items():
            fault = fault_of_file(folder / one.folder / place, sha256)
            if fault:
                yield Problem("publication", f"{one.folder}/{place}", f"{one.folder}/{place} {fault}. Publish again.")
