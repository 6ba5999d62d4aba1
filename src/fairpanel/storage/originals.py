"""Files kept as received, under their SHA-256, never written over.

A file goes its way in two steps, so that a kill at any moment leaves either nothing or everything:

    staged   written to `originals/incoming` under a temporary name, synced, read back, named by its hash
    placed   moved to `originals/ab/abcdef….jpg`, once the record that names it is saved

What is found in `incoming` when the bench is opened for writing is placed if a record names it (the program
was stopped between the two), and thrown away if none does (it was never reported saved).
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import secrets
from collections.abc import Collection, Iterator
from pathlib import Path, PurePath

from fairpanel.storage.errors import OriginalDamaged, OriginalMissing

_INCOMING = "incoming"
_SET_ASIDE = "set-aside"
_SUFFIX = re.compile(r"\.[a-z0-9]{1,5}")


class Originals:
    """The folder of originals of one bench."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def make(self) -> None:
        """Make the folder, empty."""
        (self.folder / _INCOMING).mkdir(parents=True, exist_ok=True)

    def stage(self, data: bytes, name: str) -> tuple[str, str]:
        """Write a file where it can wait for its record.

        Returns
        -------
        (sha256, file)
            `file` is its place below the folder of originals, with forward slashes. A file that is kept
            already is only looked up; one that has come to harm is mended.
        """
        sha256 = hashlib.sha256(data).hexdigest()
        known = self._known(sha256)
        if known and self._is_whole(known, sha256):
            return sha256, known
        file = known or f"{sha256[:2]}/{sha256}{_suffix(name)}"
        waiting = self._waiting(file)
        part = waiting.with_name(f"{secrets.token_hex(8)}.part")
        try:
            write_synced(part, data)
            if hash_of(part) != sha256:
                raise OriginalDamaged(
                    f"“{name}” did not read back from the disk as it was written. Check the disk; nothing was kept."
                )
            os.replace(part, waiting)
        except BaseException:
            with contextlib.suppress(OSError):
                part.unlink()
            raise
        sync_folder(waiting.parent)
        return sha256, file

    def place(self, file: str) -> None:
        """Move a staged file to its place; nothing happens if it is there already."""
        waiting, kept = self._waiting(file), self.folder / file
        if not waiting.exists():
            return
        kept.parent.mkdir(exist_ok=True)
        if kept.exists():
            self._set_aside(file)
        os.replace(waiting, kept)
        sync_folder(kept.parent)
        sync_folder(self.folder)

    def drop(self, file: str) -> None:
        """Throw away a staged file that will get no record."""
        with contextlib.suppress(OSError):
            self._waiting(file).unlink()

    def recover(self, named: Collection[str]) -> None:
        """Finish what an earlier process was stopped in.

        Parameters
        ----------
        named : collection of str
            The files that records name.
        """
        by_name = {PurePath(file).name: file for file in named}
        for waiting in list((self.folder / _INCOMING).iterdir()):
            if waiting.name in by_name:
                self.place(by_name[waiting.name])
            else:
                waiting.unlink()

    def path(self, file: str) -> Path:
        """Where a file lies now; it may still wait to be placed.

        Raises
        ------
        OriginalMissing
        """
        kept = self.folder / file
        for place in (kept, self._waiting(file), kept):  # again: it may be placed between the two looks
            if place.is_file():
                return place
        raise OriginalMissing(
            f"{self.folder / file} is gone. Bring it back from a backup, or take in the same picture again."
        )

    def read(self, file: str, sha256: str) -> bytes:
        """The bytes as received.

        Raises
        ------
        OriginalMissing, OriginalDamaged
        """
        place = self.path(file)
        data = place.read_bytes()
        if hashlib.sha256(data).hexdigest() != sha256:
            raise OriginalDamaged(
                f"{place} is no longer what was taken in (its SHA-256 has changed). Bring it back from a "
                "backup, or take in the same picture again; what was read from it before stays on record."
            )
        return data

    def fault_of(self, file: str, sha256: str) -> OriginalMissing | OriginalDamaged | None:
        """What is wrong with a file, or None. Reads it in pieces."""
        try:
            place = self.path(file)
        except OriginalMissing as problem:
            return problem
        if hash_of(place) != sha256:
            return OriginalDamaged(
                f"{place} is no longer what was taken in (its SHA-256 has changed). Bring it back from a "
                "backup, or take in the same picture again."
            )
        return None

    def placed(self) -> Iterator[str]:
        """Every file in its place, below the folder of originals."""
        for folder in sorted(p for p in self.folder.iterdir() if p.name not in (_INCOMING, _SET_ASIDE)):
            if folder.is_file():
                yield folder.name
            else:
                yield from sorted(f"{folder.name}/{p.relative_to(folder).as_posix()}" for p in folder.rglob("*"))

    def _waiting(self, file: str) -> Path:
        return self.folder / _INCOMING / PurePath(file).name

    def _known(self, sha256: str) -> str | None:
        for folder in (self.folder / _INCOMING, self.folder / sha256[:2]):
            for found in folder.glob(f"{sha256}*"):
                return f"{sha256[:2]}/{found.name}"
        return None

    def _is_whole(self, file: str, sha256: str) -> bool:
        return self.fault_of(file, sha256) is None

    def _set_aside(self, file: str) -> None:
        """Keep what lies where a whole original must go: it is damaged, but it is the tester's."""
        aside = self.folder / _SET_ASIDE
        aside.mkdir(exist_ok=True)
        os.replace(self.folder / file, aside / f"{secrets.token_hex(4)}-{PurePath(file).name}")


def _suffix(name: str) -> str:
    suffix = PurePath(name).suffix.lower()
    return suffix if _SUFFIX.fullmatch(suffix) else ""


def write_synced(file: Path, data: bytes) -> None:
    """Write a new file and wait until it is on the disk."""
    with file.open("xb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def hash_of(file: Path) -> str:
    """SHA-256 of a file, read in pieces."""
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sync_folder(folder: Path) -> None:
    """Wait until a folder's list of names is on the disk."""
    if os.name == "nt":  # Windows cannot open a folder; its file system writes the entry with the file
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
