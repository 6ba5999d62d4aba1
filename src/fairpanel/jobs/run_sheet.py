"""A run as it really happens: what is recorded, what must be read before, and what its clocks show."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fairpanel.jobs.entering import Conflict, Faulty, Thing, cautions_before, thing_of
from fairpanel.methods.columns import CellError, duration, positive
from fairpanel.methods.contract import Caution
from fairpanel.plan import clocks
from fairpanel.plan.clocks import EVENTS, HOW, Event, event_of, in_order
from fairpanel.plan.things import Kind, kind_of, listed
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import BenchError
from fairpanel.storage.records import WITHDRAWN, StoredEntry

NOUN = "event"

#: Name of the step strip on the sheet.
STEPS = "steps"

#: Furthest back that an event can be said to have happened. [s]
_LONGEST_AGO = 30 * 86400.0


class CautionFirst(BenchError):
    """A step cannot start before its caution was read."""


@dataclass(frozen=True)
class Step:
    """A step of the step strip: planned, when the card is due there (seconds of light), and what it really got. [s]"""

    number: int
    planned: float
    due: float
    got: float | None
    reached: bool


@dataclass(frozen=True)
class Strip:
    """A strip with its rinse and when it is ready to be read; None where it was not rinsed."""

    name: str
    rinsed_at: float | None
    ready_at: float | None


@dataclass(frozen=True)
class Sheet:
    """A run with all that happened and what its clocks show.

    Parameters
    ----------
    run : Thing
    events : tuple of Event
        As they happened.
    now : float
        Seconds since 1970-01-01 UTC, as all moments here.
    lit_since, warm_at : float or None
        None while the lamp is off.
    warm_up_s : float
    exposing : bool
    lit_s : float
        Seconds of light so far.
    light_from : float or None
        While light falls: the moment from which it would have fallen without a break.
    exposure_s : float or None
        Planned.
    steps : tuple of Step
    strips : tuple of Strip
    lamp_on_s : float or None
        When the exposure began.
    to_read : mapping of kind of event to cautions
        Cautions that must still be read before it can be recorded.
    """

    run: Thing
    events: tuple[Event, ...]
    now: float
    lit_since: float | None
    warm_at: float | None
    warm_up_s: float
    exposing: bool
    lit_s: float
    light_from: float | None
    exposure_s: float | None
    steps: tuple[Step, ...]
    strips: tuple[Strip, ...]
    lamp_on_s: float | None
    to_read: Mapping[str, tuple[Caution, ...]]

    @property
    def next_step(self) -> Step | None:
        """The step that the card reaches next."""
        left = sorted((s for s in self.steps if not s.reached and s.due > 0), key=lambda s: s.due)
        return left[0] if left else None

    @property
    def begun_at(self) -> float | None:
        """When the exposure began."""
        return next((e.at for e in self.events if e.kind == "begun"), None)


def sheet(folder: Path, run_id: str, *, now: Callable[[], float] = time.time) -> Sheet:
    """The sheet of a run, by the id of any entry about it.

    Raises
    ------
    NotOnBench, BenchError
    """
    with Bench.open(folder) as bench:
        return sheet_of(bench, thing_of(bench, kind_of("run"), run_id), now())


def sheet_of(bench: Bench, run: Thing, now: float) -> Sheet:
    """The sheet of a run on an open bench."""
    lamps = {e.name: e.body for e in bench.nouns("lamp")}
    return made_sheet(run, events_of(bench, run.key), warm_up_s(run, lamps), now)


def events_of(bench: Bench, run_key: str) -> list[Event]:
    """All that stands on record as having happened in a run, as it happened."""
    return in_order(event_of(e.body, e.id) for e in bench.nouns(NOUN, run_key))


def warm_up_s(run: Thing, lamps: Mapping[str, Mapping[str, Any]]) -> float:
    """Time until the run's lamp, one of these by name, is steady. [s]"""
    return float(lamps.get(run.entry.body.get("lamp", ""), {}).get("warm_up_s") or clocks.WARM_UP_S)


def made_sheet(run: Thing, events: Iterable[Event], warm_up: float, now: float) -> Sheet:
    """Everything the sheet shows, from what was recorded."""
    events = in_order(events)
    body = run.entry.body
    lit = clocks.exposed_s(events, now=now)
    exposing = clocks.exposing(events)
    names = [*listed(body.get("strips")), *([STEPS] if body.get("steps") else [])]
    rinsed = clocks.rinsed_at(events, names)
    return Sheet(
        run=run,
        events=tuple(events),
        now=now,
        lit_since=clocks.lit_since(events),
        warm_at=clocks.warm_at(events, warm_up_s=warm_up),
        warm_up_s=warm_up,
        exposing=exposing,
        lit_s=lit,
        light_from=now - lit if exposing else None,
        exposure_s=body.get("exposure_s"),
        steps=_steps(body, events, now),
        strips=tuple(Strip(n, at, None if at is None else clocks.ready_at(at)) for n, at in rinsed.items()),
        lamp_on_s=clocks.lamp_on_s(events),
        to_read=_to_read(body, events),
    )


def _steps(body: Mapping[str, Any], events: list[Event], now: float) -> tuple[Step, ...]:
    planned = [float(t) for t in listed(body.get("steps"))]
    uncovers = body.get("card") == "uncovers"
    got = clocks.step_seconds(events, planned=planned, now=now, uncovers=uncovers)
    due = clocks.step_due(planned, uncovers=uncovers)
    reached = {e.step for e in events if e.kind == "step"}
    return tuple(Step(i, *each, i in reached) for i, each in enumerate(zip(planned, due, got, strict=True)))


# ---- cautions ----------------------------------------------------------------------------------------------------


def steps_of(kind: str, *, sun: bool, card: bool) -> tuple[str, ...]:
    """Steps of the procedure that recording an event stands for; in the sun there is no lamp.

    Once light falls nobody has time to read: what the card asks for is read before the exposure begins.
    """
    lamp = () if sun else ("lamp",)
    return {
        "lamp on": lamp,
        "begun": ("sun",) if sun else (*lamp, "expose", *(("card",) if card else ())),
        "step": () if sun else ("card",),
        "rinsed": ("rinse",),
    }.get(kind, ())


def _to_read(body: Mapping[str, Any], events: Iterable[Event]) -> dict[str, tuple[Caution, ...]]:
    read = {e.text for e in events if e.kind == "caution"}
    sun, card = body.get("light") == "sun", bool(body.get("steps"))
    found = {
        kind: tuple(
            dict.fromkeys(
                c for step in steps_of(kind, sun=sun, card=card) for c in cautions_before(step) if c.step not in read
            )
        )
        for kind in EVENTS
    }
    return {kind: cautions for kind, cautions in found.items() if cautions}


def cautions_of(run: Thing) -> list[Caution]:
    """All cautions of a run's steps, for the printed card."""
    found = _to_read(run.entry.body, ())
    return list(dict.fromkeys([*cautions_before("coat"), *(c for kind in EVENTS for c in found.get(kind, ()))]))


# ---- recording ---------------------------------------------------------------------------------------------------


def record(
    folder: Path, run_id: str, typed: Mapping[str, str], *, now: Callable[[], float] = time.time
) -> tuple[str, Event]:
    """Record something that happened in a run; returns its id and the event.

    Parameters
    ----------
    typed : mapping
        "kind", and as the kind needs: "ago" (how long ago it really happened, a time; now if empty), "how",
        "step", "value" (height, mm), "text", "strips" (comma separated).

    Raises
    ------
    CautionFirst
        A caution has not been read in this run.
    Faulty, BenchError
    """
    at = now()  # before waiting for another writer
    with Bench.open(folder, writing=True, doing="recording a run") as bench:
        run = thing_of(bench, kind_of("run"), run_id)
        before = sheet_of(bench, run, at)
        body = checked(before, typed)
        cautions = before.to_read.get(body["kind"], ())
        if cautions:
            raise CautionFirst(
                f"Before “{EVENTS[body['kind']]}” the caution on “{cautions[0].step}” must be read. Nothing was "
                "recorded."
            )
        id = bench.note_event(NOUN, run.key, body)
    return id, event_of(body, id)


def checked(before: Sheet, typed: Mapping[str, str]) -> dict[str, Any]:
    """An event's body from what was typed.

    Raises
    ------
    Faulty
    """
    kind = typed.get("kind", "")
    if kind not in EVENTS:
        raise Faulty({"kind": "Choose what happened."})
    body: dict[str, Any] = {"kind": kind}
    wrong: dict[str, str] = {}
    for name, read in _FIELDS.items():
        try:
            body |= read(before, kind, typed.get(name, "").strip())
        except CellError as problem:
            wrong[name] = str(problem)
    if kind == "begun" and before.exposing:
        wrong["kind"] = "The exposure goes on already. End it first."
    if kind == "ended" and not before.exposing:
        wrong["kind"] = "No exposure goes on that could be ended."
    if wrong:
        raise Faulty(wrong)
    return body


def _ago(before: Sheet, kind: str, cell: str) -> dict[str, Any]:
    ago = duration(cell) if cell else 0.0
    if ago > _LONGEST_AGO:
        raise CellError("is more than 30 days ago")
    return {"at": before.now - ago}


def _how(before: Sheet, kind: str, cell: str) -> dict[str, Any]:
    if kind not in ("begun", "ended"):
        return {}
    if cell not in HOW:
        raise CellError(f"Choose how: {', '.join(HOW)}.")
    return {"how": cell}


def _step(before: Sheet, kind: str, cell: str) -> dict[str, Any]:
    if kind != "step":
        return {}
    if not (cell.isascii() and cell.isdigit() and int(cell) < len(before.steps)):
        raise CellError("There is no such step in this run.")
    return {"step": int(cell)}


def _value(before: Sheet, kind: str, cell: str) -> dict[str, Any]:
    if kind != "lamp height":
        return {}
    if not cell:
        raise CellError("is empty. Write the height in mm.")
    return {"value": positive(cell)}


def _text(before: Sheet, kind: str, cell: str) -> dict[str, Any]:
    if kind == "caution":
        steps = {c.step for cautions in before.to_read.values() for c in cautions}
        if cell not in steps:
            raise CellError("This caution was read already, or is none of this run.")
    elif kind == "note" and not cell:
        raise CellError("is empty. Write what happened.")
    return {"text": cell[:1000]} if cell and kind in ("caution", "note") else {}


def _strips(before: Sheet, kind: str, cell: str) -> dict[str, Any]:
    if kind not in ("rinsed", "dry") or not cell:
        return {}
    names = [p.strip() for p in cell.split(",") if p.strip()]
    if unknown := [n for n in names if n not in {s.name for s in before.strips}]:
        raise CellError(f"There is no strip “{unknown[0]}” in this run.")
    return {"strips": names}


_FIELDS: dict[str, Callable[[Sheet, str, str], dict[str, Any]]] = {
    "ago": _ago, "how": _how, "step": _step, "value": _value, "text": _text, "strips": _strips,
}  # fmt: skip


def move_event(folder: Path, event_id: str, *, later_s: float, reason: str) -> None:
    """Put an event where it really happened, so many seconds later (or earlier, below zero).

    Raises
    ------
    Conflict, BenchError
    """
    with Bench.open(folder, writing=True, doing="correcting a run") as bench:
        now = _event_entry(bench, event_id)
        bench.amend_entry(event_id, reason=reason, body={**now.body, "at": now.body["at"] + later_s})


def strike_event(folder: Path, event_id: str, *, reason: str) -> None:
    """Take an event back that did not happen; it stays on record.

    Raises
    ------
    Conflict, BenchError
    """
    with Bench.open(folder, writing=True, doing="correcting a run") as bench:
        now = _event_entry(bench, event_id)
        bench.amend_entry(event_id, reason=reason, body={**now.body, WITHDRAWN: True})


def _event_entry(bench: Bench, id: str) -> StoredEntry:
    found = thing_of(bench, _EVENT, id).entry
    if found.id != id:
        raise Conflict(found)
    return found


_EVENT = Kind(NOUN, "event", "events", "", Event, "", "")


# ---- what is carried into rows -----------------------------------------------------------------------------------


def facts_of(made: Sheet) -> dict[str, str]:
    """What a run knows of every row that comes from it, by the usual names of columns."""
    body = made.run.entry.body
    facts = {"run": made.run.entry.name}
    facts |= {n: str(body[n]) for n in ("campaign", "lamp", "paper_sheet") if body.get(n)}
    if made.lamp_on_s is not None:
        facts["lamp_on_s"] = f"{made.lamp_on_s:.0f}"
    if made.begun_at is not None:
        facts["exposed_at"] = _iso(made.begun_at)
    return facts


def rows_of(made: Sheet) -> list[dict[str, str]]:
    """Cells of rows to start from: every strip with the seconds it really got, and every step that is known."""
    over = made.begun_at is not None and not made.exposing
    facts = facts_of(made)
    rinsed = {s.name: _iso(s.rinsed_at) for s in made.strips if s.rinsed_at}
    strips = [s.name for s in made.strips if s.name != STEPS] if over else []
    rows = [{"strip": name, "seconds": f"{made.lit_s:.1f}"} for name in strips]
    rows += [{"strip": STEPS, "role": "step", "seconds": f"{s.got:.1f}"} for s in made.steps if s.got is not None]
    return [facts | row | ({"rinsed_at": rinsed[row["strip"]]} if row["strip"] in rinsed else {}) for row in rows]


def _iso(at: float) -> str:
    from datetime import UTC, datetime

    return datetime.fromtimestamp(round(at), UTC).isoformat()
