"""All that is due on a bench: by the clocks of its runs, the cures of its plates, its lamps and its washes."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any

from fairpanel.jobs.entering import Thing
from fairpanel.jobs.run_sheet import NOUN, STEPS, Sheet, made_sheet, warm_up_s
from fairpanel.plan import clocks
from fairpanel.plan.clocks import Event, event_of
from fairpanel.plan.things import listed
from fairpanel.storage.bench import Bench
from fairpanel.storage.records import StoredEntry

#: For so long after they are ready, strips and plates stand among what is due. [s]
STAYS_S = 14 * 86400.0


@dataclass(frozen=True)
class Due:
    """Something that is due, or will be.

    Parameters
    ----------
    at : float
        When. [s since 1970-01-01 UTC]
    what : str
        What to do, as it is said once it is due.
    waiting : str
        What it waits for, as it is said until then.
    address : str
        Page where it is done.
    now : bool
        It is due.
    """

    at: float
    what: str
    waiting: str
    address: str
    now: bool


def due(folder: Path, *, now: Callable[[], float] = time.time) -> list[Due]:
    """What is due now, and what will be, the earliest first."""
    with Bench.open(folder) as bench:
        at = now()
        sheets = _sheets(bench, at)
        found = [d for s in sheets for d in of_run(s)]
        for entry in bench.nouns("specimen"):
            found += of_plate(entry.name, entry.id, entry.body, now=at, zone=bench.zone)
        for entry in bench.nouns("lamp"):
            own = [s for s in sheets if s.run.entry.body.get("lamp") == entry.name]
            found += of_lamp(entry.name, entry.id, entry.body, own, now=at, zone=bench.zone)
        for entry in bench.nouns("campaign"):
            found += of_washes(entry.name, entry.id, entry.body, now=at)
    return sorted(found, key=lambda d: (not d.now, d.at))


def _sheets(bench: Bench, now: float) -> list[Sheet]:
    """All runs, with two questions to the records for all of them together."""
    lines: dict[str, list[StoredEntry]] = {}
    for entry in bench.all_entries("run"):
        line = lines.pop(entry.replaces or "", [])
        lines[entry.id] = [*line, entry]
    events: dict[str, list[Event]] = {}
    for entry in bench.nouns(NOUN):
        events.setdefault(entry.name, []).append(event_of(entry.body, entry.id))
    lamps = {e.name: e.body for e in bench.nouns("lamp")}
    runs = [Thing(line[-1], tuple(line)) for line in lines.values() if not line[-1].withdrawn]
    return [made_sheet(r, events.get(r.key, []), warm_up_s(r, lamps), now) for r in runs]


def of_run(made: Sheet) -> list[Due]:
    """What a run waits for: the lamp, the end of the exposure, the rinse, the dry-down."""
    name, address = made.run.entry.name, f"/runs/{made.run.key}/sheet"
    found: list[Due] = []
    if made.warm_at is not None and not made.exposing and made.begun_at is None:
        found.append(_due(made.warm_at, made.now, f"Run {name}: the lamp is steady, the exposure can begin",
                          f"Run {name}: the lamp warms up", address))  # fmt: skip
    if made.exposing and made.light_from is not None:
        end = made.light_from + (made.exposure_s or 0)
        found.append(_due(end, made.now, f"Run {name}: end the exposure", f"Run {name}: exposing", address))
    if made.begun_at is not None and not made.exposing:
        found += _of_strips(made, name, address)
    return found


def _of_strips(made: Sheet, name: str, address: str) -> list[Due]:
    to_rinse = [s.name for s in made.strips if s.rinsed_at is None]
    ended = max((e.at for e in made.events if e.kind in ("ended", "lamp off")), default=made.now)
    found = []
    if to_rinse and made.now - ended < STAYS_S:
        found.append(Due(ended, f"Run {name}: rinse {_named(to_rinse)}", "", address, True))
    by_time: dict[float, list[str]] = {}
    for strip in made.strips:
        if strip.ready_at is not None and made.now - strip.ready_at < STAYS_S:
            by_time.setdefault(strip.ready_at, []).append(strip.name)
    for at, names in by_time.items():
        found.append(_due(at, made.now, f"Run {name}: {_named(names)} ready to be read",
                          f"Run {name}: {_named(names)} drying down", address))  # fmt: skip
    return found


def of_plate(name: str, id: str, body: Mapping[str, Any], *, now: float, zone: tzinfo) -> list[Due]:
    """When a plate is cured: from when it was coated, as long as its entry says."""
    if body.get("cure_h") is None or not body.get("coated_at"):
        return []
    at = moment_of(body["coated_at"], zone) + 3600 * float(body["cure_h"])
    if now - at > STAYS_S:
        return []
    return [_due(at, now, f"Plate {name} is cured", f"Plate {name} cures", f"/plates/{id}")]


def of_lamp(name: str, id: str, body: Mapping[str, Any], sheets: list[Sheet], *, now: float, zone: tzinfo) -> list[Due]:
    """When a lamp's check is due: by days, or by hours of light since the last one."""
    since = moment_of(body["checked_at"], zone) if body.get("checked_at") else 0.0
    found, address = [], f"/lamps/{id}"
    if body.get("check_after_days") is not None:
        at = since + 86400 * float(body["check_after_days"]) if since else now
        found.append(_due(at, now, f"Lamp {name}: check its output", f"Lamp {name}: next check", address))
    if body.get("check_after_h") is not None:
        hours = sum(clocks.lamp_hours(s.events, since=since, now=now) for s in sheets)
        if hours >= float(body["check_after_h"]):
            words = f"Lamp {name}: check its output, it has shone {hours:.1f} h since the last check"
            found.append(Due(now, words, "", address, True))
    return found[-1:] if any(d.now for d in found) else found[:1]


def of_washes(name: str, id: str, body: Mapping[str, Any], *, now: float) -> list[Due]:
    """The wash check-point that was reached and not read yet."""
    done, read = body.get("washes_done"), body.get("washes_read")
    reached = [int(p) for p in listed(body.get("check_points")) if done is not None and int(p) <= done]
    if not reached or (read is not None and read >= reached[-1]):
        return []
    return [
        Due(now, f"Campaign {name}: check-point of {reached[-1]} washes is to be read", "", f"/campaigns/{id}", True)
    ]


def moment_of(written: str, zone: tzinfo) -> float:
    """A moment as the tester wrote it, in the bench's zone where it names none. [s since 1970-01-01 UTC]"""
    at = datetime.fromisoformat(written)
    return (at if at.tzinfo else at.replace(tzinfo=zone)).timestamp()


def _due(at: float, now: float, what: str, waiting: str, address: str) -> Due:
    return Due(at, what, waiting, address, now >= at)


def _named(names: list[str]) -> str:
    own = [n for n in names if n != STEPS]
    shown = [f"strip {own[0]}" if len(own) == 1 else f"strips {', '.join(own)}"] if own else []
    return " and ".join([*shown, *(["the step strip"] if STEPS in names else [])])
