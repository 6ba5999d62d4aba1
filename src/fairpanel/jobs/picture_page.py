"""One picture as the bench page shows it: every strip with its outlines, what is said of it and what was read."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np

from fairpanel.files.picture_headers import PictureError
from fairpanel.findings.rules import Shown, reading_on_shown_scale
from fairpanel.jobs.blinding import Veil, veil_of
from fairpanel.jobs.naming import answers_of, by_strip, known_names, rows_on
from fairpanel.jobs.seeing import looked, method_by_picture
from fairpanel.methods.columns import Column
from fairpanel.methods.contract import Found, Method, Outline, Quantity, Reading, Refusal
from fairpanel.storage.bench import Bench
from fairpanel.storage.records import Measuring, StoredPicture, StoredRow

#: Strips that lie in a picture and are not named yet have this before their number.
UNNAMED = "found-"


@dataclass(frozen=True)
class PatchSeen:
    """One outlined patch: the row it belongs to, and its corners. [px of the upright picture]"""

    row_id: str
    polygon: np.ndarray
    how: str


@dataclass(frozen=True)
class Number:
    """What was read of a strip, on the shown scale, with the quantity it is of."""

    quantity: Quantity
    shown: Shown
    flags: tuple[tuple[str, bool, str], ...]
    remark: str = ""


@dataclass(frozen=True)
class StripSeen:
    """One strip of a picture.

    Parameters
    ----------
    key : str
        Stands in addresses: the id of its first row, or "found-3" where nothing is said of it.
    name : str
    outline : (4, 2) array or None
        None where it is not known yet.
    patches : tuple of PatchSeen
    place : str
        Where it lies, as a row says it.
    row_ids : tuple of str
        All rows that are about it; empty where nothing is said of it.
    answers : mapping
        What is said of it, as the form shows it.
    number : Number or None
    refused : (reason, what to do) or None
    steps : bool
        The others are read against it, or it looks like that.
    whole : bool
        The frame does not cut it.
    """

    key: str
    name: str
    outline: np.ndarray | None
    patches: tuple[PatchSeen, ...] = ()
    place: str = ""
    row_ids: tuple[str, ...] = ()
    answers: Mapping[str, str] = field(default_factory=dict)
    number: Number | None = None
    refused: tuple[str, str] | None = None
    steps: bool = False
    whole: bool = True

    @property
    def named(self) -> bool:
        """Whether rows say what it is."""
        return bool(self.row_ids)

    @property
    def left_top(self) -> tuple[float, float]:
        """The upper left of all its corners, where words about it begin. [px]"""
        corners = self.outline if self.outline is not None else np.zeros((1, 2))
        return float(corners[:, 0].min()), float(corners[:, 1].min())


@dataclass(frozen=True)
class PictureSeen:
    """A picture with its strips, and what is asked of each.

    `read_since` says whether it was read since anything about it last changed; `problem` is why it cannot be looked at.
    """

    picture: StoredPicture
    width: int
    height: int
    strips: tuple[StripSeen, ...]
    asked: tuple[Column, ...]
    known: Mapping[str, tuple[str, ...]]
    read_since: bool
    moved: bool
    problem: tuple[str, str] | None = None

    def strip(self, key: str) -> StripSeen | None:
        """The strip of that key."""
        return next((s for s in self.strips if s.key == key), None)


def see_picture(folder: Path, picture_id: str) -> PictureSeen:
    """All that is known of one picture of a bench.

    Raises
    ------
    NotOnBench, OriginalMissing, OriginalDamaged, BenchError
    """
    method = method_by_picture()
    assert method.by_picture is not None
    with Bench.open(folder) as bench:
        picture = bench.picture(picture_id)
        own = rows_on(bench, picture, method)
        read = bench.last_read()
        measured = bench.measurings_of(read.id, method.name, picture_ids=[picture_id]) if read else []
        stored = bench.readings_of(read.id, method.name, picture_id=picture_id) if read else []
        names = {r.picture_name for r in own}
        refused = [r for r in bench.refusals_of(read.id) if r.picture in names] if read else []
        moved = bench.outline_history(picture_id)
        newest = bench.moved_outlines(picture_id)
        known = known_names(bench, method).names
        hidden = veil_of(bench)
    try:
        look = looked(folder, picture, method)
    except PictureError as problem:
        return PictureSeen(picture, 0, 0, (), method.by_picture.asked, known, True, bool(moved),
                           (problem.reason, problem.what_to_do))  # fmt: skip
    outlines = _outlines(measured, newest)
    numbers = numbers_of(method, [s.reading for s in stored])
    strips = named_strips(method, own, look.found, outlines, numbers, refused)
    strips = [_covered(s, hidden) for s in strips]
    free = [f for f in look.found if not _is_taken(f, strips)]
    seen = (*strips, *(_unnamed(k, f) for k, f in _numbered(free, look.found)))
    read_since = all(s.number or s.refused or s.patches for s in strips)
    return PictureSeen(picture, look.width, look.height, seen, method.by_picture.asked, known, read_since, bool(moved))


def _outlines(measured: Sequence[Measuring], moved: Sequence[Outline]) -> dict[str, Outline]:
    found = {o.row_id: o for one in measured for o in one.outlines}
    return found | {o.row_id: o for o in moved if o.row_id in found}


# ---- strips ----------------------------------------------------------------------------------------------------


def named_strips(
    method: Method,
    own: Iterable[StoredRow],
    found: Sequence[Found],
    outlines: Mapping[str, Outline],
    numbers: Mapping[frozenset[str], Number],
    refused: Sequence[Refusal],
) -> list[StripSeen]:
    """The strips that rows speak of, with their outlines and what was read."""
    how = method.by_picture
    assert how is not None
    why = {r.strip: (r.reason, r.what_to_do) for r in refused}
    strips = []
    for name, rows in by_strip(method, own).items():
        ids = tuple(r.id for r in rows)
        patches = tuple(PatchSeen(i, outlines[i].polygon, outlines[i].how) for i in ids if i in outlines)
        place = str(rows[0].body.get(how.place) or "")
        outline = around(patches) if patches else next((f.outline for f in found if f.place == place), None)
        number = next((n for about, n in numbers.items() if about <= set(ids)), None)
        steps = all(getattr(method.Row(**r.body), "is_step", False) for r in rows)
        reason = None if number else why.get(name)
        strips.append(
            StripSeen(ids[0], name, outline, patches, place, ids, answers_of(method, rows), number, reason, steps)
        )
    return strips


def around(patches: Sequence[PatchSeen]) -> np.ndarray:
    """One outline around patches that lie in a row. (4, 2)"""
    if len(patches) == 1:
        return patches[0].polygon
    corners = np.concatenate([p.polygon for p in patches]).astype(np.float32)
    return np.asarray(cv2.boxPoints(cv2.minAreaRect(corners)), float)


def _covered(strip: StripSeen, hidden: Veil) -> StripSeen:
    return replace(strip, answers=hidden.over(dict(strip.answers))) if hidden else strip


def _is_taken(found: Found, strips: Sequence[StripSeen]) -> bool:
    """A strip that was found is one that is named already: same place, or one lies over the middle of the other."""
    middle = found.outline.mean(axis=0)
    for one in strips:
        if one.place == found.place:
            return True
        if one.outline is not None and (_holds(one.outline, middle) or _holds(found.outline, one.outline.mean(axis=0))):
            return True
    return False


def _holds(outline: np.ndarray, point: np.ndarray) -> bool:
    return cv2.pointPolygonTest(outline.astype(np.float32), (float(point[0]), float(point[1])), False) >= 0


def _numbered(free: Sequence[Found], found: Sequence[Found]) -> list[tuple[int, Found]]:
    place = {id(f): k for k, f in enumerate(found, 1)}
    return [(place[id(f)], f) for f in free]


def _unnamed(k: int, found: Found) -> StripSeen:
    return StripSeen(
        f"{UNNAMED}{k}", found.name, found.outline, place=found.place, steps=found.steps, whole=found.whole
    )


# ---- numbers ---------------------------------------------------------------------------------------------------


def numbers_of(method: Method, readings: Iterable[Reading]) -> dict[frozenset[str], Number]:
    """What was read, by the rows it was read from."""
    flags = {f.name: f for f in method.flags}
    found = {}
    for r in readings:
        quantity = method.quantity(r.quantity)
        told = tuple((n, flags[n].doubt, flags[n].sentence) for n in r.flags if n in flags)
        shown = reading_on_shown_scale(r, quantity)
        found[frozenset(r.row_ids)] = Number(quantity, shown, told, str(r.detail.get("remark", "")))
    return found


# ---- outlines given by hand ------------------------------------------------------------------------------------


def new_strip(seen: PictureSeen) -> StripSeen:
    """A strip to be added: an outline in the middle of the picture, the size of the others, to be put in its place."""
    others = [s.outline for s in seen.strips if s.outline is not None]
    sides = [sorted(np.hypot(*(o[1] - o[0])) for o in (one, np.roll(one, -1, axis=0))) for one in others]
    across, along = np.median(sides, axis=0) if sides else (seen.width / 10, seen.width / 4)
    middle = np.array([seen.width, seen.height]) / 2
    outline = middle + np.array([[-along, -across], [along, -across], [along, across], [-along, across]]) / 2
    return StripSeen("new", "", outline, place=place_of(" ".join(f"{v:.1f}" for v in outline.ravel())))


def place_of(corners: str) -> str:
    """Four corners as they came from a page, as a row says where a strip lies; unchanged if they are no eight numbers,
    so that the row's own check says what is wrong."""
    how = method_by_picture().by_picture
    assert how is not None
    try:
        outline = np.array([float(v) for v in corners.split()])
    except ValueError:
        return corners
    return how.place_of(outline.reshape(4, 2)) if outline.shape == (8,) and np.isfinite(outline).all() else corners
