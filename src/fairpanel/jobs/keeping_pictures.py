"""Pictures kept on a bench before anything is said of them: looked at, stored by hash, or refused with a reason."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from fairpanel.files.picture_headers import PictureError
from fairpanel.files.pictures import inspect
from fairpanel.storage.bench import Bench
from fairpanel.storage.records import StoredPicture

Progress = Callable[[int, int, str], None]


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


# ---- folders ---------------------------------------------------------------------------------------------------

#: Ends of the names of pictures that are taken up from a folder.
ENDS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif", ".webp", ".bmp")
#: How often a watched folder is looked at, and most of one file. [s], [byte]
EVERY_SECONDS, MOST_BYTES = 2.0, 400_000_000


def keep_folder(folder: Path, source: Path, *, progress: Progress = lambda done, of, what: None) -> list[Kept]:
    """Keep every picture that lies in a folder, not in folders within it.

    Parameters
    ----------
    folder : path
        Of the bench.
    source : path
    progress : callable
        `(done, of, what)`.

    Raises
    ------
    BenchInUse, DiskFull, CannotWrite
    """
    paths = _pictures_in(source)
    kept = []
    for done, path in enumerate(paths):
        progress(done, len(paths), "pictures taken up")
        kept.append(_from_file(folder, path))
    return kept


def watch_folder(
    folder: Path,
    source: Path,
    *,
    progress: Progress = lambda done, of, what: None,
    sleep: Callable[[float], object] = time.sleep,
) -> list[Kept]:
    """Take up each new picture of a folder once it is complete, until `progress` stops it by raising.

    A file is complete when its size and time have not changed between two looks. What lies there at the first look is
    taken up too; what was refused is tried again when the file changes.

    Raises
    ------
    Whatever `progress` raises; BenchError
    """
    seen: dict[Path, tuple[int, int]] = {}
    done: dict[Path, tuple[int, int]] = {}
    while True:
        for path in _pictures_in(source):
            state = _state(path)
            if state and seen.get(path) == state and done.get(path) != state:
                _from_file(folder, path)
                done[path] = state
            if state:
                seen[path] = state
        progress(len(done), 0, f"{len(done)} taken up so far")
        sleep(EVERY_SECONDS)


def _pictures_in(source: Path) -> list[Path]:
    try:
        return sorted(p for p in source.iterdir() if p.suffix.lower() in ENDS and not p.name.startswith("."))
    except OSError:
        return []  # a card pulled out; it may come back


def _state(path: Path) -> tuple[int, int] | None:
    try:
        about = path.stat()
    except OSError:
        return None
    return about.st_size, about.st_mtime_ns


def _from_file(folder: Path, path: Path) -> Kept:
    try:
        if path.stat().st_size > MOST_BYTES:
            return Kept(path.name, None, reason="is larger than 400 MB", what_to_do="Save it as JPEG, or scan smaller.")
        data = path.read_bytes()
    except OSError as problem:
        return Kept(path.name, None, reason=f"cannot be read ({problem.strerror})", what_to_do="Check the folder.")
    return _kept(folder, path.name, data)
