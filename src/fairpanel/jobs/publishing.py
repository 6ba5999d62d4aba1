"""Publishing what was last read: a folder that can be put on the web or opened as it is."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np

from fairpanel import __version__
from fairpanel.files.pictures import clean_jpeg, decode
from fairpanel.jobs.old_scores import old_tables
from fairpanel.jobs.showing import LastRead, as_json, last_read
from fairpanel.jobs.take_in import upgraded
from fairpanel.methods import all_methods
from fairpanel.methods.contract import Entered, Method, Refusal
from fairpanel.methods.uv_strip.ladder import words as ladder_words
from fairpanel.methods.uv_strip.ladder.judging import JudgedScore
from fairpanel.publication import package
from fairpanel.publication.content import Content, OldScore, OldTable, Part, Picture, Told
from fairpanel.publication.controls import Withheld, withheld
from fairpanel.publication.writing import files
from fairpanel.storage import moments
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import BenchError, in_plain_words
from fairpanel.storage.originals import hash_of, sync_folder, write_synced
from fairpanel.storage.records import Measuring, StoredRow

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
        read = last_read(bench)
        rows = bench.current_rows()
        left_out = _withheld(rows, read)
        names = _published_names(read, rows)
        shown = _published(read, left_out, names)
        content = _content(bench, shown, rows, left_out, names, title)
        written = _write(out, files(content, _pictures(bench, read.read_id, content, names, left_out, progress)))
        bench.save_publication(read.read_id, folder=str(out), files=written)
        changed = bench.rows_changed_since(read.read_id)
    products = {t.product for p in content.parts for t in p.told}
    readings = sum(len(p.readings) for p in content.parts)
    left = tuple(sorted(left_out.products))
    return Published(out / "index.html", len(products), readings, len(written), left, changed)


# ---- what is published -----------------------------------------------------------------------------------------


def _withheld(rows: Sequence[StoredRow], read: LastRead) -> Withheld:
    """Method controls, by the rows as they stand and as they were when read."""
    entered = [(r.body.get("product"), r.body.get("kind"), r.picture_name, r.body.get("strip")) for r in rows]
    return withheld(entered + [(r.product, r.detail.get("kind"), r.picture, r.strip) for _, r in read.readings])


def _published_names(read: LastRead, rows: Sequence[StoredRow]) -> dict[str, str]:
    """Pictures by number, in the order of the table: a file's own name may tell more than it should."""
    named = [r.picture_name for r in rows] + [r.picture for _, r in read.readings] + [r.picture for r in read.refused]
    return {name: f"picture {i}" for i, name in enumerate(dict.fromkeys(n for n in named if n), 1)}


def _published(read: LastRead, left_out: Withheld, names: Mapping[str, str]) -> LastRead:
    """The read without method controls, its pictures called by their published names."""

    def shown(picture: str, strip: str, product: str = "") -> bool:
        return product not in left_out.products and (picture, strip) not in left_out.strips

    return replace(
        read,
        told=tuple(t for t in read.told if t.product not in left_out.products),
        readings=tuple(
            (m, replace(r, picture=names.get(r.picture, "")))
            for m, r in read.readings
            if shown(r.picture, r.strip, r.product)
        ),
        refused=tuple(_renamed(r, names) for r in read.refused if shown(r.picture, r.strip)),
    )


def _renamed(r: Refusal, names: Mapping[str, str]) -> Refusal:
    reason, advice = r.reason, r.what_to_do
    for name in sorted(names, key=len, reverse=True):
        reason, advice = reason.replace(name, names[name]), advice.replace(name, names[name])
    return Refusal(names.get(r.picture, ""), r.strip, reason, advice)


def _content(
    bench: Bench,
    read: LastRead,
    rows: Sequence[StoredRow],
    left_out: Withheld,
    names: Mapping[str, str],
    title: str,
) -> Content:
    shown = [r for r in rows if (r.picture_name, r.body.get("strip") or "") not in left_out.strips]
    shown = [r for r in shown if r.body.get("product") not in left_out.products]
    stored = bench.last_read()
    assert stored is not None
    methods = dict.fromkeys([*(t.method.name for t in read.told), *(m.name for m, _ in read.readings)])
    zone = moments.zone_of(bench.about["zone"])
    return Content(
        title,
        datetime.now(zone).date(),
        _named(shown, "lamp"),
        _named(shown, "campaign"),
        _exposed(shown),
        tuple(_part(all_methods()[name], read, shown) for name in methods),
        read.refused,
        as_json(read),
        names,
        _old_scores(bench, left_out),
        __version__,
        stored.seed,
    )


def _part(method: Method, read: LastRead, rows: Sequence[StoredRow]) -> Part:
    readings = tuple(r for m, r in read.readings if m.name == method.name)
    told = [t for t in read.told if t.method.name == method.name]
    about: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        about.setdefault(row.body.get("product") or "", []).append(row.body)
    charts = method.charts(readings, [t.result for t in told if t.result]) if method.charts else ()
    return Part(
        method,
        tuple(
            Told(t.product, t.quantity, t.result, t.finding, t.sentence, *_kind(about.get(t.product, []))) for t in told
        ),
        readings,
        tuple(charts),
    )


def _kind(bodies: Sequence[Mapping[str, Any]]) -> tuple[str, bool]:
    """Kind of a product, and whether it stood in as a reference."""
    kind = next((str(b["kind"]) for b in bodies if b.get("kind")), "")
    return kind, any(b.get("role") == "reference" for b in bodies)


def _named(rows: Sequence[StoredRow], column: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(str(r.body[column]) for r in rows if r.body.get(column)))


def _exposed(rows: Sequence[StoredRow]) -> tuple[date, ...]:
    days = sorted(datetime.fromisoformat(at).date() for at in _named(rows, "exposed_at"))
    return (days[0], days[-1]) if days else ()


def _old_scores(bench: Bench, left_out: Withheld) -> tuple[OldTable, ...]:
    found = []
    for table in old_tables(bench):
        judged = table.judged
        shown = [j for j in judged.scores if j.scored.product not in left_out.products]
        words = (ladder_words.STATEMENT, *(ladder_words.luck_in_words(x, judged.ladder) for x in judged.luck))
        if shown:
            found.append(OldTable(words, tuple(_old_score(j) for j in shown)))
    return tuple(found)


def _old_score(j: JudgedScore) -> OldScore:
    says = [f"{ladder_words.range_in_words(r.low, r.high)} blocked" for r in j.ranges]
    if len(says) > 1:  # it is not known how the steps lay: one answer for each way
        lain = [ladder_words.how_lain(r.under_glass) for r in j.ranges]
        says = [f"{text} if the steps lay {how}" for text, how in zip(says, lain, strict=True)]
    return OldScore(j.scored.product, j.scored.score, j.scored.date, tuple(says), ladder_words.VERDICTS[j.verdict])


# ---- pictures of strips ----------------------------------------------------------------------------------------


def _pictures(
    bench: Bench,
    read_id: str,
    content: Content,
    names: Mapping[str, str],
    left_out: Withheld,
    progress: Progress,
) -> Iterator[Picture]:
    """The wanted strips of every picture; one picture in memory at a time."""
    wanted = content.strips_shown()
    methods = [p.method for p in content.parts if p.method.crops]
    rows = {r.id: r for r in bench.current_rows()}
    tasks = [(m, one) for m in methods for one in bench.measurings_of(read_id, m.name)]
    tasks = [(m, one) for m, one in tasks if one.marks and one.picture_id]
    for done, (method, measuring) in enumerate(tasks):
        progress(done, len(tasks), "pictures drawn")
        yield from _strips_of(bench, method, measuring, rows, names, wanted)


def _strips_of(
    bench: Bench,
    method: Method,
    measuring: Measuring,
    rows: Mapping[str, StoredRow],
    names: Mapping[str, str],
    wanted: set[tuple[str, str]],
) -> Iterator[Picture]:
    """One picture's strips. A strip whose rows were withdrawn since it was read has no picture."""
    own = [rows[m.row_id] for m in measuring.marks if m.row_id in rows]
    own = [r for r in own if (names.get(r.picture_name, ""), r.body.get("strip") or "") in wanted]
    if not own or method.crops is None or measuring.picture_id is None:
        return
    entered = [Entered(r.id, method.Row(**upgraded(method.name, r.body, r.method_version)), r.line) for r in own]
    ids = {r.id for r in own}
    name = own[0].picture_name
    upright = decode(bench.original_bytes(measuring.picture_id), name)
    for strip, crop in method.crops(upright, [m for m in measuring.marks if m.row_id in ids], entered).items():
        pixels = np.ascontiguousarray(crop.pixels)
        height, width = pixels.shape[:2]
        yield Picture(names[name], strip, width, height, crop.words, clean_jpeg(pixels))


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
