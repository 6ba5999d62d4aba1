"""Publications: what was said, when, and from which read."""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path, PurePosixPath

from sqlalchemy import select

from fairpanel.storage import tables
from fairpanel.storage.codec import dumps, loads
from fairpanel.storage.errors import BenchError, in_plain_words
from fairpanel.storage.old_scores import OldScores
from fairpanel.storage.originals import hash_of, sync_folder, write_synced
from fairpanel.storage.records import StoredPublication


class Publications(OldScores):
    """Recording publications, and keeping a copy of each on the bench."""

    def save_publication(self, read_id: str, *, folder: str, files: Mapping[str, str]) -> str:
        """Record a publication that lies elsewhere; returns its id.

        Parameters
        ----------
        folder : str
            Where it was written.
        files : mapping
            Each file's place below that folder, with its SHA-256.

        Raises
        ------
        NotOnBench, ReadNotFinished
        """
        with self._saving() as connection:
            self._must_be_finished(connection, read_id)
            return self._add(connection, tables.publication, read_id=read_id, folder=folder, files=dumps(files))

    def keep_publication(self, read_id: str, files: Iterable[tuple[str, bytes]]) -> StoredPublication:
        """Write a publication below the bench's `publications` folder and record it.

        Parameters
        ----------
        files : iterable of (place below the publication's folder, bytes)
            Taken one by one, so that memory holds one.

        Raises
        ------
        BenchError
            A place leads out of the folder.
        DiskFull, CannotWrite, NotOnBench, ReadNotFinished
        """
        self._must_write()
        name = secrets.token_hex(8)
        part = self.folder / "publications" / f"{name}.part"
        try:
            with in_plain_words(self.folder):
                hashes = {place: _write(part, place, data) for place, data in files}
                os.replace(part, part.with_suffix(""))
                sync_folder(part.parent)
            publication_id = self.save_publication(read_id, folder=f"publications/{name}", files=hashes)
        except BaseException:
            shutil.rmtree(part, ignore_errors=True)
            shutil.rmtree(part.with_suffix(""), ignore_errors=True)
            raise
        return next(one for one in self.publications() if one.id == publication_id)

    def publications(self) -> list[StoredPublication]:
        """All publications, oldest first. A folder that begins with `publications/` lies on the bench."""
        publication = tables.publication
        with self._looking() as connection:
            return [
                StoredPublication(one.id, one.read_id, one.folder, loads(one.files), one.made_at, one.made_offset)
                for one in connection.execute(select(publication).order_by(publication.c.seq))
            ]


def _write(folder: Path, place: str, data: bytes) -> str:
    parts = PurePosixPath(place).parts
    if not parts or PurePosixPath(place).is_absolute() or ".." in parts or "\\" in place or ":" in place:
        raise BenchError(f"“{place}” does not lie within the publication; give a place below its folder.")
    file = folder.joinpath(*parts)
    file.parent.mkdir(parents=True, exist_ok=True)
    write_synced(file, data)
    return hashlib.sha256(data).hexdigest()


def fault_of_file(file: Path, sha256: str) -> str | None:
    """What is wrong with a published file, or None."""
    if not file.is_file():
        return "is gone"
    return None if hash_of(file) == sha256 else "is no longer what was published"
