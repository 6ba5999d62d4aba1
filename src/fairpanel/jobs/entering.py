"""Things on the bench, entered and changed by form: faults at their fields, and no window overwrites another."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from fairpanel.methods import all_methods
from fairpanel.methods.columns import columns_of
from fairpanel.methods.contract import Caution
from fairpanel.plan.things import Kind, as_typed, faults_of
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import BenchError, NotOnBench
from fairpanel.storage.records import WITHDRAWN, StoredEntry

LONGEST_NAME = 120


class Faulty(Exception):
    """What was typed has faults; `wrong` has them by field."""

    def __init__(self, wrong: Mapping[str, str]) -> None:
        super().__init__("; ".join(f"{field}: {words}" for field, words in wrong.items()))
        self.wrong = dict(wrong)


class Conflict(BenchError):
    """Another window changed the thing meanwhile. Nothing was written; `newest` is how it stands."""

    def __init__(self, newest: StoredEntry) -> None:
        super().__init__(
            f"“{newest.name}” was changed meanwhile in another window. Nothing of yours was written, and nothing is "
            "lost: both are shown."
        )
        self.newest = newest


@dataclass(frozen=True)
class Thing:
    """A thing as it stands, with every entry about it, oldest first; `key` is the first one's id."""

    entry: StoredEntry
    history: tuple[StoredEntry, ...]

    @property
    def key(self) -> str:
        """What stays the same when it is changed or renamed."""
        return self.history[0].id


def things(folder: Path, kind: Kind, *, words: str = "") -> list[StoredEntry]:
    """The things of a kind in whose name or fields every one of these words stands, by name."""
    wanted = words.casefold().split()
    with Bench.open(folder) as bench:
        found = bench.nouns(kind.noun)
    return sorted((e for e in found if _has(e, wanted)), key=lambda e: e.name.casefold())


def _has(entry: StoredEntry, words: Sequence[str]) -> bool:
    all_of_it = " ".join([entry.name, *map(str, entry.body.values())]).casefold()
    return all(w in all_of_it for w in words)


def thing(folder: Path, kind: Kind, id: str) -> Thing:
    """A thing by the id of any entry about it.

    Raises
    ------
    NotOnBench
    """
    with Bench.open(folder) as bench:
        return thing_of(bench, kind, id)


def thing_of(bench: Bench, kind: Kind, id: str) -> Thing:
    """The same on an open bench."""
    history = tuple(bench.entry_history(id))
    if history[0].noun != kind.noun:
        raise NotOnBench(f"There is no {kind.one} {id} on this bench.")
    return Thing(history[-1], history)


def names_on_bench(folder: Path, nouns: Iterable[str]) -> dict[str, list[str]]:
    """Names of the things of these nouns, and of pictures, to choose from in forms."""
    with Bench.open(folder) as bench:
        found = {noun: [e.name for e in bench.nouns(noun)] for noun in nouns}
        if "picture" in found:
            found["picture"] = [p.name for p in bench.pictures() if not p.media_type.startswith("text/")]
    return found


def cautions_before(step: str) -> list[Caution]:
    """What every method says must be read before a step."""
    found = [c for m in all_methods().values() for c in m.cautions if step in c.before]
    return list(dict.fromkeys(found))


# ---- entering and changing ---------------------------------------------------------------------------------------


def enter(folder: Path, kind: Kind, typed: Mapping[str, str], *, cautioned: bool = False) -> str:
    """Enter a thing; returns its id.

    Parameters
    ----------
    typed : mapping
        "name" and the kind's fields, as text.
    cautioned : bool
        The cautions before the step that it stands for were read.

    Raises
    ------
    Faulty, BenchError
    """
    name, body = _checked(kind, typed)
    if kind.step and not cautioned and cautions_before(kind.step):
        raise Faulty({"cautioned": "Read the caution first, and tick that you have."})
    with Bench.open(folder, writing=True, doing=f"entering a {kind.one}") as bench:
        if any(e.name == name for e in bench.nouns(kind.noun)):
            raise Faulty({"name": f"There is a {kind.one} “{name}” already. Change that one, or give another name."})
        id = bench.enter(kind.noun, name, body)
        _enter_named(bench, kind, body)
        return id


def amend(folder: Path, kind: Kind, id: str, typed: Mapping[str, str], *, reason: str) -> str:
    """Change a thing; returns the id of the new entry, or the same where nothing is different.

    Parameters
    ----------
    id : str
        The entry the form was filled from.

    Raises
    ------
    Faulty, Conflict, BenchError
    """
    faults: dict[str, str] = {} if reason.strip() else {"reason": "is empty. Say why it is changed, in a few words."}
    try:
        name, body = _checked(kind, typed)
    except Faulty as problem:
        raise Faulty(problem.wrong | faults) from problem
    with Bench.open(folder, writing=True, doing=f"changing a {kind.one}") as bench:
        now = thing_of(bench, kind, id).entry
        if now.id != id:
            raise Conflict(now)
        if now.name == name and as_typed(kind, now.body) == as_typed(kind, body):
            return id
        if name != now.name:
            faults |= _faults_of_name(bench, kind, now.name, name)
        if faults:
            raise Faulty(faults)
        kept = {k: v for k, v in now.body.items() if k not in {c.name for c in kind.columns} and k != WITHDRAWN}
        new = bench.amend_entry(id, reason=reason, name=name, body=kept | body)
        _enter_named(bench, kind, body)
        return new


def take_out(folder: Path, kind: Kind, id: str, *, reason: str) -> None:
    """Take a thing out of what stands; its history stays.

    Raises
    ------
    Faulty, Conflict, BenchError
    """
    if not reason.strip():
        raise Faulty({"reason": "is empty. Say why it is taken out, in a few words."})
    with Bench.open(folder, writing=True, doing=f"taking out a {kind.one}") as bench:
        now = thing_of(bench, kind, id).entry
        if now.id != id:
            raise Conflict(now)
        if rows := _rows_that_name(bench, kind.noun, now.name):
            raise Faulty({"reason": f"{_rows(rows)} still name it. Take those out first."})
        bench.amend_entry(id, reason=reason, body={**now.body, WITHDRAWN: True})


def _checked(kind: Kind, typed: Mapping[str, str]) -> tuple[str, dict[str, object]]:
    name = " ".join(typed.get("name", "").split())
    body, wrong = faults_of(kind, typed)
    if not name:
        wrong["name"] = f"is empty. Write {kind.name_help}."
    elif len(name) > LONGEST_NAME:
        wrong["name"] = f"is longer than {LONGEST_NAME} letters"
    if wrong:
        raise Faulty(wrong)
    return name, body


def _faults_of_name(bench: Bench, kind: Kind, old: str, new: str) -> dict[str, str]:
    if any(e.name == new for e in bench.nouns(kind.noun)):
        return {"name": f"There is a {kind.one} “{new}” already. Give another name."}
    if rows := _rows_that_name(bench, kind.noun, old):
        return {"name": f"{_rows(rows)} on the bench name it “{old}”. Change those first, or keep the name."}
    return {}


def _rows_that_name(bench: Bench, noun: str, name: str) -> int:
    columns = {
        m.name: [c.name for c in columns_of(m.Row) if c.noun == noun] for m in all_methods().values()
    }  # fmt: skip
    return sum(any(r.body.get(c) == name for c in columns.get(r.method, ())) for r in bench.current_rows())


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"


def _enter_named(bench: Bench, kind: Kind, body: Mapping[str, object]) -> None:
    """Things that its fields name and the bench does not hold yet."""
    known = {(e.noun, e.name) for e in bench.nouns()}
    for about in kind.columns:
        name = body.get(about.name)
        if about.noun and name and (about.noun, name) not in known:
            bench.enter(about.noun, str(name))
