"""Outlines moved by hand: each move is a record, and the numbers follow at once.

What stands at once comes from the moved picture alone. The read of the whole bench that follows may say it a little
better, since all pictures together tell how noisy the paper is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fairpanel.jobs.blinding import must_not_be_locked
from fairpanel.jobs.naming import by_strip, rows_on
from fairpanel.jobs.picture_page import Number, numbers_of
from fairpanel.jobs.seeing import method_by_picture, upright
from fairpanel.jobs.take_in import upgraded
from fairpanel.methods.contract import Entered, Method, Outline
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import BenchError
from fairpanel.storage.records import StoredPicture, StoredRow

MOVED, BACK = "moved on the picture", "move taken back"

#: Shortest side of an outline. [px]
LEAST_SIDE = 6.0


class BadOutline(BenchError):
    """An outline cannot lie there; nothing was changed."""


@dataclass(frozen=True)
class Followed:
    """Numbers after a move, by the first row of their strip; None where the strip could not be read."""

    numbers: Mapping[str, Number | None]


def move(folder: Path, picture_id: str, polygons: Mapping[str, Any], *, reason: str = MOVED) -> None:
    """Put outlines of a picture where the tester wants them.

    Parameters
    ----------
    folder : path
    picture_id : str
    polygons : mapping of row id to (4, 2) numbers
        [px of the upright picture]
    reason : str

    Raises
    ------
    BadOutline
        One lies outside the picture, is too small or crosses itself.
    NotOnBench, ReadingLocked, BenchError
    """
    method = method_by_picture()
    with Bench.open(folder, writing=True, doing="moving an outline") as bench:
        must_not_be_locked(bench)
        picture = bench.picture(picture_id)
        rows = {r.id for r in rows_on(bench, picture, method)}
        if not polygons or not set(polygons) <= rows:
            raise BadOutline("These strips were changed meanwhile. Nothing was moved; load the page again.")
        size = _size_of(folder, picture)
        outlines = [Outline(id, _checked(p, size), "moved") for id, p in polygons.items()]
        bench.move_outlines(picture_id, outlines, reason=reason, found=_found(bench, picture_id))


def take_back(folder: Path, picture_id: str) -> None:
    """Take the last move back, by new entries that restore what it replaced; again for the one before.

    Raises
    ------
    BadOutline
        There is no move to take back.
    NotOnBench, ReadingLocked, BenchError
    """
    with Bench.open(folder, writing=True, doing="taking a move back") as bench:
        must_not_be_locked(bench)
        history = bench.outline_history(picture_id)
        by_id = {one.id: one for one in history}
        undone: set[str] = set()
        moves: dict[str, list[Any]] = {}
        for one in history:
            if one.reason == BACK:
                undone.add(_undone_by(one, by_id, undone))
            elif one.replaces:
                moves.setdefault(one.made_at, []).append(one)
        last = next((own for _, own in sorted(moves.items(), reverse=True) if own[0].id not in undone), None)
        if last is None:
            raise BadOutline("There is no move of an outline to take back in this picture.")
        before = [by_id[one.replaces].outline for one in last]
        bench.move_outlines(picture_id, before, reason=BACK)


def _undone_by(back: Any, by_id: Mapping[str, Any], undone: set[str]) -> str:
    """Which move an entry took back: the newest before it, on its line, that was not taken back yet."""
    one = by_id.get(back.replaces)
    while one is not None and (one.reason == BACK or one.id in undone):
        one = by_id.get(one.replaces)
    return one.id if one is not None else ""


# ---- checks ----------------------------------------------------------------------------------------------------


def _size_of(folder: Path, picture: StoredPicture) -> tuple[float, float]:
    seen = upright(folder, picture)
    return float(seen.width), float(seen.height)


def _checked(given: Any, size: tuple[float, float]) -> np.ndarray:
    try:
        polygon = np.asarray(given, float)
    except (TypeError, ValueError):
        raise BadOutline("An outline has four corners of two numbers each.") from None
    if polygon.shape != (4, 2) or not np.isfinite(polygon).all():
        raise BadOutline("An outline has four corners of two numbers each.")
    if (polygon < -0.5).any() or (polygon > np.array(size) - 0.5).any():
        raise BadOutline("The outline lies partly outside the picture. Keep it wholly within.")
    sides = np.roll(polygon, -1, axis=0) - polygon
    following = np.roll(sides, -1, axis=0)
    turns = sides[:, 0] * following[:, 1] - sides[:, 1] * following[:, 0]
    if np.hypot(*sides.T).min() < LEAST_SIDE or not ((turns > 0).all() or (turns < 0).all()):
        raise BadOutline(f"The outline is too small or crosses itself. Every side needs {LEAST_SIDE:.0f} px or more.")
    return np.clip(polygon, 0, np.array(size) - 1)


# ---- the numbers follow ----------------------------------------------------------------------------------------


def follow(folder: Path, picture_id: str) -> Followed:
    """What the strips of one picture say with their outlines as they lie now, from this picture alone.

    Nothing is saved. Strips that the last read could not outline are left out.

    Raises
    ------
    NotOnBench, PictureError, BenchError
    """
    method = method_by_picture()
    with Bench.open(folder) as bench:
        picture = bench.picture(picture_id)
        rows = rows_on(bench, picture, method)
        found = {o.row_id: o for o in _found(bench, picture_id)}
        found |= {o.row_id: o for o in bench.moved_outlines(picture_id) if o.row_id in found}
    entered = _entered(method, rows)
    outlines = [found[e.id] for e in entered if e.id in found]
    assert method.measure is not None
    marks = method.measure(upright(folder, picture), outlines, entered)
    numbers = numbers_of(method, method.readings(marks, entered)[0])
    strips = [tuple(r.id for r in own) for own in by_strip(method, rows).values()]
    return Followed({ids[0]: next((n for about, n in numbers.items() if about <= set(ids)), None) for ids in strips})


def _found(bench: Bench, picture_id: str) -> list[Outline]:
    """Outlines of the last finished read."""
    read = bench.last_read()
    if read is None:
        return []
    measured = bench.measurings_of(read.id, method_by_picture().name, picture_ids=[picture_id])
    return [o for one in measured for o in one.outlines]


def _entered(method: Method, rows: Sequence[StoredRow]) -> list[Entered]:
    return [Entered(r.id, method.Row(**upgraded(method.name, r.body, r.method_version)), r.line) for r in rows]
