"""Blind: while a campaign is sealed, products are called by codes, everywhere, by one function.

Every product on the bench is hidden, not only those of the campaign: a name that was forgotten could not be hidden
again. Steps: seal; read; lock the reading; open. Each is a record that is never taken back.
"""

from __future__ import annotations

import dataclasses
import re
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from fairpanel.jobs.entering import Thing, thing_of
from fairpanel.plan.codes import codes_of, commitment
from fairpanel.plan.things import kind_of
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import BenchError
from fairpanel.storage.records import StoredEntry

NOUN = "seal"
SEALED, LOCKED, OPENED = "sealed", "locked", "opened"

T = TypeVar("T")


class Sealed(BenchError):
    """This waits until the campaign is unsealed."""


class ReadingLocked(BenchError):
    """The reading of a sealed campaign is locked."""


class NotLocked(BenchError):
    """A seal was to be opened before the reading was locked."""


@dataclass(frozen=True)
class Seal:
    """A campaign's seal.

    Parameters
    ----------
    id : str
        Of its newest record.
    campaign_key, campaign : str
        Id of the campaign's first entry; its name.
    state : {"sealed", "locked", "opened"}
    salt : str
        The secret that codes are made with.
    alone : bool
        Whoever reads also coated the plates: only names and their order can be hidden.
    read_id : str
        The read that stood when the reading was locked.
    history : tuple of StoredEntry
    """

    id: str
    campaign_key: str
    campaign: str
    state: str
    salt: str
    alone: bool
    read_id: str
    history: tuple[StoredEntry, ...]

    @property
    def commitment(self) -> str:
        """What can be written down when sealing, to hold the opened codes against."""
        return commitment(self.salt)

    @property
    def is_open(self) -> bool:
        """Whether the names show again."""
        return self.state == OPENED


class Veil:
    """Names and the codes that stand for them; empty while nothing is sealed.

    Parameters
    ----------
    codes : mapping of name to code
    """

    def __init__(self, codes: Mapping[str, str]) -> None:
        self.codes = dict(codes)
        self._by_key = {_key(name): code for name, code in self.codes.items()}
        longest = sorted(self.codes, key=len, reverse=True)
        self._any = re.compile("|".join(map(_pattern, longest)), re.IGNORECASE) if longest else None
        self._names: dict[str, str] = {}
        for name, code in self.codes.items():
            self._names[code] = name  # of several names of one product the last is the one it has now

    def __bool__(self) -> bool:
        return self._any is not None

    def covered(self, text: str) -> str:
        """A text with every product's name replaced by its code, also within names of files and addresses."""
        return self._any.sub(lambda m: self._by_key[_key(m[0])], text) if self._any else text

    def uncovered(self, text: str) -> str:
        """What a form meant that was filled with a code: the name, where the text is just a code."""
        return self._names.get(text.strip(), text)

    def over(self, data: T) -> T:
        """Plain data or frozen dataclasses with every text in them covered."""
        return self._over(data) if self else data

    def _over(self, data: Any) -> Any:
        if isinstance(data, str):
            return self.covered(data)
        if isinstance(data, Mapping):
            return {self._over(k): self._over(v) for k, v in data.items()}
        if isinstance(data, tuple) and not hasattr(data, "_fields"):
            return tuple(self._over(v) for v in data)
        if isinstance(data, list):
            return [self._over(v) for v in data]
        if isinstance(data, frozenset):
            return frozenset(self._over(v) for v in data)
        if dataclasses.is_dataclass(data) and not isinstance(data, type):
            changed = {
                f.name: self._over(getattr(data, f.name))
                for f in dataclasses.fields(data)
                if f.init and isinstance(getattr(data, f.name), str | Mapping | tuple | list)
            }
            return dataclasses.replace(data, **changed)
        return data


#: What may stand between the words of a name where it was made part of a file name or an address.
_BETWEEN = r"(?:[\s_\-+]|%20)*"


def _pattern(name: str) -> str:
    words = [re.escape(w) for w in re.split(r"[\s_\-+]+", name) if w]
    return rf"(?<![^\W_]){_BETWEEN.join(words)}(?![^\W_])" if words else r"(?!)"


def _key(name: str) -> str:
    return re.sub(r"[\s_\-+]+|%20", "", name).casefold()


# ---- what is hidden ----------------------------------------------------------------------------------------------


def veil_of(bench: Bench) -> Veil:
    """What hides the products of a bench; empty while nothing is sealed."""
    sealed = [s for s in seals_of(bench) if not s.is_open]
    if not sealed:
        return Veil({})
    key_of = _keys(bench.all_entries("product"))
    codes = codes_of(list(key_of.values()), salt=sealed[0].salt)
    names = {name: codes[key] for name, key in key_of.items()}
    names |= {n: codes_of([n], salt=sealed[0].salt)[n] for n in _old_names(bench) if n not in names}
    return Veil(names)


def veil(folder: Path) -> Veil:
    """The same for a folder."""
    with Bench.open(folder) as bench:
        return veil_of(bench)


def _keys(entries: Iterable[StoredEntry]) -> dict[str, str]:
    """Every name that a product has or had, with the id of its first entry, in order of entry."""
    first: dict[str, str] = {}
    found: dict[str, str] = {}
    for entry in entries:
        first[entry.id] = first.get(entry.replaces or "", entry.id)
        found.pop(entry.name, None)
        found[entry.name] = first[entry.id]
    return found


def _old_names(bench: Bench) -> list[str]:
    """Products of old scores, which have no entry of their own."""
    return list(dict.fromkeys(n for s in bench.old_scores() if (n := str(s.body.get("product") or ""))))


def seals_of(bench: Bench) -> list[Seal]:
    """All seals of a bench, in order of sealing."""
    names = {e.id: e.name for e in bench.all_entries("campaign")}
    return [_seal(bench, e, names) for e in bench.nouns(NOUN)]


def _seal(bench: Bench, entry: StoredEntry, names: Mapping[str, str]) -> Seal:
    body, key = entry.body, entry.name
    newest = bench.entry_history(key)[-1].name if key in names else key
    return Seal(entry.id, key, newest, body["state"], body["salt"], body["alone"], body.get("read_id", ""),
                tuple(bench.entry_history(entry.id)))  # fmt: skip


def seal_of(folder: Path, campaign_id: str) -> Seal | None:
    """The seal of a campaign, by the id of any entry about it; None where it never was sealed."""
    with Bench.open(folder) as bench:
        key = thing_of(bench, kind_of("campaign"), campaign_id).key
        return next((s for s in seals_of(bench) if s.campaign_key == key), None)


def must_be_open(bench: Bench, doing: str) -> None:
    """Refuse what shows names to the world while something is sealed.

    Raises
    ------
    Sealed
    """
    for seal in seals_of(bench):
        if not seal.is_open:
            raise Sealed(
                f"The campaign “{seal.campaign}” is sealed, so {doing} waits. Lock its reading and unseal it first, on "
                "its page."
            )


def must_not_be_locked(bench: Bench) -> None:
    """Refuse a new reading, or moved outlines, between locking and unsealing.

    Raises
    ------
    ReadingLocked
    """
    for seal in seals_of(bench):
        if seal.state == LOCKED:
            raise ReadingLocked(
                f"The reading of the campaign “{seal.campaign}” is locked: nothing is read anew and no outline moves "
                "before it is unsealed. Unseal it on its page."
            )


# ---- sealing and opening -----------------------------------------------------------------------------------------


def seal(folder: Path, campaign_id: str, *, alone: bool) -> str:
    """Seal a campaign; returns the hash to be written down.

    Raises
    ------
    Sealed
        It is, or was, sealed already; or a product's name cannot be told from other words.
    BenchError
    """
    with Bench.open(folder, writing=True, doing="sealing a campaign") as bench:
        campaign = _campaign(bench, campaign_id)
        if any(s.campaign_key == campaign.key for s in seals_of(bench)):
            raise Sealed(f"The campaign “{campaign.entry.name}” was sealed before. Each is sealed once.")
        if short := [e.name for e in bench.nouns("product") if not _can_be_hidden(e.name)]:
            raise Sealed(
                f"The product “{short[0]}” has too short a name to be hidden within other words and numbers. Give it a "
                "name with at least three letters, then seal. Nothing was sealed."
            )
        salt = secrets.token_urlsafe(24)
        bench.enter(NOUN, campaign.key, {"state": SEALED, "salt": salt, "alone": alone})
        return commitment(salt)


def lock(folder: Path, campaign_id: str) -> None:
    """Lock the reading of a sealed campaign: from now on nothing is read until it is unsealed.

    Raises
    ------
    Sealed, NotLocked
        It is not sealed; nothing was read, or rows changed since.
    """
    with Bench.open(folder, writing=True, doing="locking the reading") as bench:
        found = _sealed(bench, campaign_id, SEALED)
        read = bench.last_read()
        if read is None:
            raise NotLocked("Nothing has been read yet, so there is no reading to be locked. Read first.")
        if changed := bench.rows_changed_since(read.id):
            raise NotLocked(f"{changed} rows were entered or changed since the last read. Read again, then lock.")
        body = {**found.history[-1].body, "state": LOCKED, "read_id": read.id}
        bench.amend_entry(found.id, reason="reading locked", body=body)


def unseal(folder: Path, campaign_id: str) -> None:
    """Open a seal whose reading is locked: the names show again.

    Raises
    ------
    NotLocked, Sealed
    """
    with Bench.open(folder, writing=True, doing="unsealing a campaign") as bench:
        found = _sealed(bench, campaign_id, LOCKED)
        bench.amend_entry(found.id, reason="unsealed", body={**found.history[-1].body, "state": OPENED})


def _can_be_hidden(name: str) -> bool:
    return sum(c.isalpha() for c in name) >= 3


def _campaign(bench: Bench, id: str) -> Thing:
    return thing_of(bench, kind_of("campaign"), id)


def _sealed(bench: Bench, campaign_id: str, state: str) -> Seal:
    campaign = _campaign(bench, campaign_id)
    found = next((s for s in seals_of(bench) if s.campaign_key == campaign.key), None)
    if found is None or found.state != state:
        why = {
            SEALED: "is not sealed, or its reading is locked already",
            LOCKED: "cannot be unsealed before its reading is locked",
        }[state]
        raise NotLocked(f"The campaign “{campaign.entry.name}” {why}. Nothing was changed.")
    return found
