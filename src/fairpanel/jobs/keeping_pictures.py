"""Pictures kept on a bench before anything is said of them: looked at, stored by hash, or refused with a reason."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from fairpanel.files.picture_headers import PictureError
from fairpanel.files.pictures import inspect
from fairpanel.storage.bench import Bench
from fairpanel.storage.records import StoredPicture


@dataclass(frozen=True)
class Kept:
    """What became of a picture.

    Parameters
    ----------
    name : str
        As it came.
    picture : StoredPicture or None
        None where it was refused.
    known : bool
        The same content was on the bench already; it is not kept twice.
    reason, what_to_do : str
        Why it was refused; empty where it was not.
    """

    name: str
    picture: StoredPicture | None
    known: bool = False
    reason: str = ""
    what_to_do: str = ""


def keep_pictures(folder: Path, given: Iterable[tuple[str, bytes]]) -> list[Kept]:
    """Keep pictures as received. Each is on the disk when this returns; the bench is written to one by one.

    Parameters
    ----------
    folder : path
        Of the bench.
    given : iterable of (name, bytes)

    Raises
    ------
    BenchInUse, DiskFull, CannotWrite
    """
    return [_kept(folder, name, data) for name, data in given]


def _kept(folder: Path, name: str, data: bytes) -> Kept:
    try:
        header = inspect(data, name)
    except PictureError as problem:
        return Kept(name, None, reason=problem.reason, what_to_do=problem.what_to_do)
    with Bench.open(folder, writing=True, doing="keeping a picture") as bench:
        known = hashlib.sha256(data).hexdigest() in {p.sha256 for p in bench.pictures()}
        return Kept(name, bench.keep_original(data, name, facts=header.facts), known)
