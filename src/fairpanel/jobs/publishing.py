"""Publishing what was last read: a folder that can be put on the web or opened as it is."""

from __future__ import annotations

import os
import secrets
import shutil
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from fairpanel.jobs.published_content import made_from, pictures_of
from fairpanel.publication import package
from fairpanel.publication.writing import files
from fairpanel.storage import moments
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import BenchError, NotOnBench, in_plain_words
from fairpanel.storage.originals import hash_of, sync_folder, write_synced
from fairpanel.storage.publications import fault_of_file
from fairpanel.storage.records import StoredPublication

Progress = Callable[[int, int, str], None]


class CannotPublish(BenchError):
    """The folder is not free for a publication."""


@dataclass(frozen=True)
class Published:
    """What was written: the page, how many products, readings and files, and the method controls that were left out."""

    page: Path
    products: int
    readings: int
    files: int
    left_out: tuple[str, ...]
    rows_changed: int


def publish(
    bench_folder: Path,
    out: Path,
    *,
    title: str = "",
    progress: Progress = lambda done, of, what: None,
) -> Published:
    """Write a publication of the last finished read.

    It is written beside OUT and takes its place when whole, so that OUT is at no time half-written.

    Parameters
    ----------
    bench_folder, out : path
        `out` must not exist, be empty, or hold an earlier publication as it was written.
    title : str
        The methods' own titles if empty.
    progress : callable
        `(done, of, what)`, as pictures are drawn.

    Raises
    ------
    CannotPublish, NothingRead, BenchError
    """
    out = Path(out).absolute()
    _must_be_free(out)
    with Bench.open(bench_folder, writing=True, doing="publishing") as bench:
        made = made_from(bench, title)
        written = _write(out, files(made.content, pictures_of(bench, made, progress)))
        bench.save_publication(made.read_id, folder=str(out), files=written)
    return Published(out / "index.html", made.products, made.readings, len(written), made.left, made.rows_changed)


# ---- looked at before it is kept -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Prepared:
    """A publication as it would be, in a folder of its own; the bench knows nothing of it yet.

    Parameters
    ----------
    folder : path
    read_id : str
        The read it was made from.
    files : mapping of str to (int, str)
        Place below the folder: size [byte] and SHA-256.
    products, readings : int
    left_out : tuple of str
        Products that are method controls and are not in it.
    rows_changed : int
        Rows entered or changed since that read: not in it.
    title : str
    """

    folder: Path
    read_id: str
    files: Mapping[str, tuple[int, str]]
    products: int
    readings: int
    left_out: tuple[str, ...]
    rows_changed: int
    title: str


def prepare(
    bench_folder: Path, into: Path, *, title: str = "", progress: Progress = lambda done, of, what: None
) -> Prepared:
    """Make a publication of the last finished read, to be looked at; `keep` then keeps exactly these files.

    Parameters
    ----------
    bench_folder : path
        It is only looked at.
    into : path
        An empty folder; what is in it is made whole by this.
    title, progress
        As in `publish`.

    Raises
    ------
    NothingRead, BenchError
    """
    listed: dict[str, tuple[int, str]] = {}
    with Bench.open(bench_folder) as bench, in_plain_words(into):
        made = made_from(bench, title)
        for path, data in files(made.content, pictures_of(bench, made, progress)):
            file = into / path
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(data)
            listed[path] = (len(data), package.written(path, data).sha256)
    return Prepared(
        into, made.read_id, listed, made.products, made.readings, made.left, made.rows_changed, made.content.heading
    )


def is_outdated(bench_folder: Path, prepared: Prepared) -> bool:
    """Whether something was read since a publication was prepared."""
    with Bench.open(bench_folder) as bench:
        read = bench.last_read()
    return read is None or read.id != prepared.read_id


def keep(bench_folder: Path, prepared: Prepared) -> StoredPublication:
    """Keep a prepared publication on the bench, byte for byte as it was looked at.

    Raises
    ------
    CannotPublish
        Something was read since, or the prepared files were changed.
    BenchError
    """
    if is_outdated(bench_folder, prepared):
        raise CannotPublish("Pictures were read since this preview was made. Make it anew, and look at it once more.")

    def as_seen() -> Iterator[tuple[str, bytes]]:
        for path, (_, sha256) in prepared.files.items():
            data = (prepared.folder / path).read_bytes()
            if package.written(path, data).sha256 != sha256:
                raise CannotPublish(f"{path} was changed since this preview was made. Make it anew.")
            yield path, data

    with Bench.open(bench_folder, writing=True, doing="keeping a publication") as bench:
        return bench.keep_publication(prepared.read_id, as_seen())


def kept_publications(bench_folder: Path) -> list[StoredPublication]:
    """All publications, the newest first."""
    with Bench.open(bench_folder) as bench:
        return bench.publications()[::-1]


def zipped(bench_folder: Path, publication_id: str, into: IO[bytes]) -> None:
    """Write a publication that lies on the bench as one ZIP file; the same publication gives the same bytes.

    Raises
    ------
    NotOnBench
        There is no such publication, or it lies elsewhere.
    CannotPublish
        A file is gone, or no longer what was published.
    """
    with Bench.open(bench_folder) as bench:
        found = next((p for p in bench.publications() if p.id == publication_id), None)
    if found is None or not is_on_bench(found):
        raise NotOnBench("There is no such publication on the bench; it may have been written to another folder.")
    at = moments.as_written(found.made_at, found.made_offset)
    with zipfile.ZipFile(into, "w") as packed:
        for place, sha256 in found.files.items():
            file = Path(bench_folder) / found.folder / place
            if fault := fault_of_file(file, sha256):
                raise CannotPublish(f"{place} of this publication {fault}. Publish again, or take a backup.")
            how = zipfile.ZIP_STORED if place.endswith(".jpg") else zipfile.ZIP_DEFLATED
            packed.writestr(zipfile.ZipInfo(place, at.timetuple()[:6]), file.read_bytes(), how)


def is_on_bench(publication: StoredPublication) -> bool:
    """Whether it lies in the bench's own folder."""
    return publication.folder.startswith("publications/")


# ---- the folder ------------------------------------------------------------------------------------------------


def _must_be_free(out: Path) -> None:
    """Refuse a folder in which anything lies but an earlier publication, as it was written."""
    if out.is_file():
        raise CannotPublish(f"{out} is a file. Give the name of a new or empty folder.")
    there = sorted(p for p in out.rglob("*") if not p.is_dir()) if out.is_dir() else []
    if not there:
        return
    listed = package.files_in((out / package.NAME).read_bytes()) if (out / package.NAME).is_file() else None
    if listed is None:
        raise CannotPublish(
            f"{out} holds other things, and they would be lost. Give the name of a new or empty folder."
        )
    for file in there:
        place = file.relative_to(out).as_posix()
        if place == package.NAME:
            continue
        if place not in listed:
            raise CannotPublish(
                f"{out} holds {place}, which no publication wrote. Move it away, or give another folder."
            )
        if hash_of(file) != listed[place]:
            raise CannotPublish(
                f"{place} in {out} was changed since it was published. Move it away, or give another folder."
            )


def _write(out: Path, made: Iterable[tuple[str, bytes]]) -> dict[str, str]:
    """Write files beside OUT, then put them in its place; gives the SHA-256 of each."""
    part = out.with_name(f".{out.name}.{secrets.token_hex(4)}.part")
    written: dict[str, str] = {}
    try:
        with in_plain_words(out.parent):
            part.mkdir(parents=True)
            for path, data in made:
                file = part / path
                file.parent.mkdir(parents=True, exist_ok=True)
                write_synced(file, data)
                written[path] = package.written(path, data).sha256
            _take_place(part, out)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    return written


def _take_place(part: Path, out: Path) -> None:
    before = out.with_name(f"{part.name.removesuffix('.part')}.before")
    if out.exists():
        os.replace(out, before)
    try:
        os.replace(part, out)
    except BaseException:
        if before.exists():
            os.replace(before, out)
        raise
    shutil.rmtree(before, ignore_errors=True)
    sync_folder(out.parent)
