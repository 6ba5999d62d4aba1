"""Strips named on their picture: what the tester says of one becomes rows, through the same checks as a table."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fairpanel.jobs.blinding import must_not_be_locked, veil_of
from fairpanel.jobs.seeing import method_by_picture
from fairpanel.jobs.take_in import identity_of, upgraded
from fairpanel.methods.columns import Fault, columns_of, read_cells
from fairpanel.methods.contract import ByPicture, Method
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import BenchError
from fairpanel.storage.records import NewRow, StoredPicture, StoredRow

#: Field of the reason, beside those that the method asks.
REASON = "reason"


class NotNamed(Exception):
    """What was said of a strip has faults; `wrong` has them by field, those of no field under ""."""

    def __init__(self, wrong: Mapping[str, str]) -> None:
        super().__init__("; ".join(wrong.values()))
        self.wrong = dict(wrong)


class ChangedMeanwhile(BenchError):
    """The strip was changed in another window. Nothing was written; `stands` is what is said of it now, and
    `row_ids` are the rows that say it; both are empty where it was taken out."""

    def __init__(self, stands: Mapping[str, str], row_ids: Sequence[str] = ()) -> None:
        super().__init__("This strip was changed meanwhile in another window. Nothing of yours was written.")
        self.stands, self.row_ids = dict(stands), tuple(row_ids)


def name_strip(
    folder: Path,
    picture_id: str,
    answers: Mapping[str, str],
    *,
    place: str,
    was: Sequence[str] = (),
    reason: str = "",
) -> str:
    """Say, or say anew, what one strip of a picture is.

    Parameters
    ----------
    folder : path
        Of the bench.
    picture_id : str
    answers : mapping of field to text
        What the method asks.
    place : str
        Where the strip lies, as a row says it.
    was : sequence of str
        Ids of the rows that the form was filled from; empty for a strip not named yet.
    reason : str
        Why; needed where something on record changes.

    Returns
    -------
    str
        The strip's name.

    Raises
    ------
    NotNamed
        Something is wrong with the answers, each fault at its field.
    ChangedMeanwhile, NotOnBench, BenchError
    """
    method = method_by_picture()
    with Bench.open(folder, writing=True, doing="naming a strip") as bench:
        must_not_be_locked(bench)
        hidden = veil_of(bench)
        said = {name: hidden.uncovered(text) for name, text in answers.items()}
        picture = bench.picture(picture_id)
        own = rows_on(bench, picture, method)
        before = _before(own, was, method)
        others = [r for r in own if r not in before]
        made = _made(method, said, name_in_rows(bench, picture), place, [_as_row(method, r) for r in others])
        _save(bench, method, picture, before, made, reason)
    return str(getattr(made[0], _how(method).specimen))


def take_out(folder: Path, picture_id: str, row_ids: Sequence[str], *, reason: str) -> None:
    """Withdraw all that is said of a strip; it stays on record.

    Raises
    ------
    ReasonNeeded, ChangedMeanwhile, NotOnBench
    """
    method = method_by_picture()
    with Bench.open(folder, writing=True, doing="taking a strip out") as bench:
        must_not_be_locked(bench)
        own = rows_on(bench, bench.picture(picture_id), method)
        before = _before(own, row_ids, method)
        bench.withdraw_rows([r.id for r in before], reason=reason)


def rows_on(bench: Bench, picture: StoredPicture, method: Method) -> list[StoredRow]:
    """The rows that stand of one picture, under whatever names it has in them."""
    names = {picture.name, name_in_rows(bench, picture)} | bench.names_in_rows(picture.id)
    return [r for r in bench.rows_of_pictures(names) if r.picture_id == picture.id and r.method == method.name]


def name_in_rows(bench: Bench, picture: StoredPicture) -> str:
    """The name by which rows know a picture: its own, or with a number where another picture came with it before.

    A phone calls every picture alike.
    """
    known = bench.names_in_rows(picture.id)
    if known:
        return min(known)
    taken = bench.names_before(picture.id)
    stem, dot, end = picture.name.rpartition(".")
    name, k = picture.name, 2
    while name in taken:
        name = f"{stem} ({k}){dot}{end}" if dot else f"{picture.name} ({k})"
        k += 1
    return name


def answers_of(method: Method, own: Sequence[StoredRow]) -> dict[str, str]:
    """What is said of a strip, as the form shows it."""
    return _how(method).answers_of([_as_row(method, r) for r in own])


def by_strip(method: Method, own: Iterable[StoredRow]) -> dict[str, list[StoredRow]]:
    """Rows of a picture by the strip they name, each strip's in the order they were given."""
    found: dict[str, list[StoredRow]] = {}
    for one in own:
        found.setdefault(str(one.body[_how(method).specimen]), []).append(one)
    return {name: sorted(rows, key=lambda r: r.ordinal) for name, rows in found.items()}


# ---- checks ----------------------------------------------------------------------------------------------------


def _how(method: Method) -> ByPicture:
    assert method.by_picture is not None
    return method.by_picture


def _as_row(method: Method, stored: StoredRow) -> Any:
    return method.Row(**upgraded(method.name, stored.body, stored.method_version))


def _before(own: Sequence[StoredRow], was: Sequence[str], method: Method) -> list[StoredRow]:
    """The rows a form was filled from, if they are still all that is said of their strip."""
    if not was:
        return []
    strips = by_strip(method, own).values()
    for rows in strips:
        if {r.id for r in rows} == set(was):
            return rows
    later = [rows for rows in strips if {r.replaces for r in rows} & set(was)]
    if not later:
        raise ChangedMeanwhile({})
    raise ChangedMeanwhile(answers_of(method, later[0]), [r.id for r in later[0]])


def _made(method: Method, said: Mapping[str, str], picture: str, place: str, others: Sequence[Any]) -> list[Any]:
    """The rows, checked by themselves and among the picture's others."""
    how = _how(method)
    cells, faults = how.rows({**said, how.picture: picture, how.place: place})
    read = [read_cells(method.Row, one, k) for k, one in enumerate(cells, 1)]
    faults += [f for _, wrong in read for f in wrong]
    made = [row for row, _ in read if row is not None]
    name = getattr(made[0], how.specimen) if made else None
    if any(getattr(r, how.specimen) == name for r in others):
        faults.append(Fault(1, how.specimen, f"“{name}” is in this picture already; choose that one to change it"))
    elif not faults and hasattr(method.Row, "check"):
        faults = method.Row.check(list(enumerate([*made, *others], 1)))
    if faults:
        raise NotNamed(_by_field(faults, method))
    return made


def _by_field(faults: Iterable[Fault], method: Method) -> dict[str, str]:
    asked = {c.name for c in _how(method).asked}
    wrong: dict[str, str] = {}
    for f in faults:
        field = f.column if f.column in asked else ""
        wrong.setdefault(field or "", f.message if field else f"{f.column}: {f.message}")
    return wrong


# ---- saving ----------------------------------------------------------------------------------------------------


def _save(
    bench: Bench, method: Method, picture: StoredPicture, before: Sequence[StoredRow], made: Sequence[Any], reason: str
) -> None:
    new = [_new_row(method, row, picture, k) for k, row in enumerate(made, 1)]
    same_strip = bool(before) and before[0].identity == new[0].identity
    gone = list(before[len(new) :]) if same_strip else list(before)
    changed = gone or [r for r, n in zip(before, new, strict=False) if dict(r.body) != n.body]
    if before and not changed and len(new) == len(before):
        return
    if before and not reason.strip():
        raise NotNamed({REASON: "is empty. Say in a few words why it changes; the former entry stays on record"})
    if gone:
        bench.withdraw_rows([r.id for r in gone], reason=reason)
    bench.add_take_in(table_name="", rows=new, nouns=_nouns(method, made), reason=reason, upgrade=upgraded)


def _new_row(method: Method, row: Any, picture: StoredPicture, line: int) -> NewRow:
    name = str(getattr(row, _how(method).picture))
    return NewRow(method.name, method.version, identity_of(row), dataclasses.asdict(row), line, name, picture.sha256)


def _nouns(method: Method, made: Sequence[Any]) -> list[tuple[str, str]]:
    named = [c for c in columns_of(method.Row) if c.noun and c.noun != "picture"]
    return list(dict.fromkeys((c.noun, str(v)) for row in made for c in named if (v := getattr(row, c.name))))


@dataclass(frozen=True)
class Known:
    """Names that are on the bench already, by noun: offered in the form."""

    names: Mapping[str, tuple[str, ...]]


def known_names(bench: Bench, method: Method) -> Known:
    """What may be offered in the fields that name a thing; covered while it is sealed."""
    nouns = {c.noun for c in _how(method).asked if c.noun}
    hidden = veil_of(bench)
    found: dict[str, list[str]] = {noun: [] for noun in nouns}
    for entry in bench.nouns():
        if entry.noun in nouns:
            found[entry.noun].append(hidden.covered(entry.name))
    return Known({noun: tuple(dict.fromkeys(names)) for noun, names in found.items()})
