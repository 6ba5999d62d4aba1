"""What is published of the last finished read: names, results, charts, and the strips cut from their pictures."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

import numpy as np

from fairpanel import __version__
from fairpanel.files.pictures import clean_jpeg, decode
from fairpanel.jobs.blinding import must_be_open
from fairpanel.jobs.luck_picture import luck_picture, says_of
from fairpanel.jobs.old_scores import old_tables
from fairpanel.jobs.showing import LastRead, as_json, last_read
from fairpanel.jobs.take_in import upgraded
from fairpanel.methods import all_methods
from fairpanel.methods.contract import Entered, Method, Refusal
from fairpanel.methods.uv_strip.ladder import words as ladder_words
from fairpanel.methods.uv_strip.ladder.judging import JudgedScore
from fairpanel.publication.content import Content, OldScore, OldTable, Part, Picture, Told
from fairpanel.publication.controls import Withheld, withheld
from fairpanel.storage import moments
from fairpanel.storage.bench import Bench
from fairpanel.storage.records import Measuring, StoredRow

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Made:
    """All that is published but for the pictures, which are drawn one by one.

    Parameters
    ----------
    read_id : str
    content : Content
    names : mapping
        Pictures by number: what each is called in public.
    left_out : Withheld
    rows_changed : int
        Rows entered or changed since the read.
    """

    read_id: str
    content: Content
    names: Mapping[str, str]
    left_out: Withheld
    rows_changed: int

    @property
    def products(self) -> int:
        """How many products are in it."""
        return len({t.product for p in self.content.parts for t in p.told})

    @property
    def readings(self) -> int:
        """How many readings are in it."""
        return sum(len(p.readings) for p in self.content.parts)

    @property
    def left(self) -> tuple[str, ...]:
        """Names of the products that were left out."""
        return tuple(sorted(self.left_out.products))


def made_from(bench: Bench, title: str) -> Made:
    """What the last finished read gives to publish.

    Raises
    ------
    NothingRead
    Sealed
        A campaign is sealed.
    """
    must_be_open(bench, "publishing")
    read = last_read(bench)
    rows = bench.current_rows()
    left_out = _withheld(rows, read)
    names = _published_names(read, rows)
    shown = _published(read, left_out, names)
    content = _content(bench, shown, rows, left_out, names, title)
    return Made(read.read_id, content, names, left_out, bench.rows_changed_since(read.read_id))


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
            picture = replace(luck_picture(judged, left_out=left_out.products), again=())
            found.append(OldTable(words, tuple(_old_score(j) for j in shown), picture))
    return tuple(found)


def _old_score(j: JudgedScore) -> OldScore:
    verdict = ladder_words.VERDICTS[j.verdict]
    return OldScore(j.scored.product, j.scored.score, j.scored.date, says_of(j.ranges), verdict)


# ---- pictures of strips ----------------------------------------------------------------------------------------


def pictures_of(bench: Bench, made: Made, progress: Progress) -> Iterator[Picture]:
    """The wanted strips of every picture; one picture in memory at a time."""
    wanted = made.content.strips_shown()
    methods = [p.method for p in made.content.parts if p.method.crops]
    rows = {r.id: r for r in bench.current_rows()}
    tasks = [(m, one) for m in methods for one in bench.measurings_of(made.read_id, m.name)]
    tasks = [(m, one) for m, one in tasks if one.marks and one.picture_id]
    for done, (method, measuring) in enumerate(tasks):
        progress(done, len(tasks), "pictures drawn")
        yield from _strips_of(bench, method, measuring, rows, made.names, wanted)


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
