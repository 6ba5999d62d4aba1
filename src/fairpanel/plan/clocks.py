"""Clocks of a run, worked out from what was recorded: nothing is counted, so that closing and sleeping lose nothing.

Moments are seconds since 1970-01-01 UTC, events the records of what really happened, in any order.

Source
------
A lamp of this kind is steady after 15 minutes; strips are read 24 h after the rinse, when the blue has dried down:
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

#: Time until a lamp is steady, where its entry says nothing else. [s]
WARM_UP_S = 15 * 60.0

#: Time from the rinse until a strip is ready to be read. [s]
DRY_DOWN_S = 24 * 3600.0

#: What can happen in a run, and its words.
EVENTS = {
    "lamp on": "lamp switched on",
    "lamp off": "lamp switched off",
    "lamp height": "height measured",
    "begun": "exposure begun",
    "step": "card moved",
    "ended": "exposure ended",
    "rinsed": "rinsed",
    "dry": "hung up to dry",
    "caution": "caution read",
    "note": "note",
}

#: How an exposure begins or ends.
HOW = ("card", "lamp moved", "lamp switched")


@dataclass(frozen=True)
class Event:
    """Something that happened.

    Parameters
    ----------
    kind : str
        One of EVENTS.
    at : float
        When. [s]
    how : str
        How an exposure began or ended, one of HOW.
    strips : tuple of str
        What was rinsed or dried; all of the run where empty.
    value : float or None
        Height of the lamp. [mm]
    step : int or None
        Which step of the step strip the card reached, from 0.
    text : str
        Of a note; of a caution, its step.
    id : str
        Of its record.
    """

    kind: str
    at: float
    how: str = ""
    strips: tuple[str, ...] = ()
    value: float | None = None
    step: int | None = None
    text: str = ""
    id: str = ""


def event_of(body: Mapping[str, Any], id: str = "") -> Event:
    """An event from its record."""
    return Event(
        body["kind"],
        float(body["at"]),
        body.get("how", ""),
        tuple(body.get("strips", ())),
        body.get("value"),
        body.get("step"),
        body.get("text", ""),
        id,
    )


def in_order(events: Iterable[Event]) -> list[Event]:
    """Events as they happened."""
    return sorted(events, key=lambda e: e.at)


# ---- the lamp ----------------------------------------------------------------------------------------------------


def lit_since(events: Iterable[Event]) -> float | None:
    """When the lamp was last switched on; None while it is off. Switching off restarts the warm-up."""
    on: float | None = None
    for event in in_order(events):
        starts = event.kind == "lamp on" or (event.kind == "begun" and event.how == "lamp switched")
        stops = event.kind == "lamp off" or (event.kind == "ended" and event.how == "lamp switched")
        if starts and on is None:
            on = event.at
        elif stops:
            on = None
    return on


def warm_at(events: Iterable[Event], *, warm_up_s: float = WARM_UP_S) -> float | None:
    """When the lamp is, or was, steady; None while it is off."""
    on = lit_since(events)
    return None if on is None else on + warm_up_s


def lamp_hours(events: Iterable[Event], *, since: float, now: float) -> float:
    """Hours of light between two moments. [h]"""
    spans = _spans(events, ("lamp on",), ("lamp off",), now, switched=True)
    return sum(max(0.0, min(b, now) - max(a, since)) for a, b in spans) / 3600


# ---- the exposure ------------------------------------------------------------------------------------------------


def exposures(events: Iterable[Event], *, now: float) -> list[tuple[float, float]]:
    """Times between which light fell on the strips, one after another; the last ends now while it goes on."""
    return _spans(events, ("begun",), ("ended", "lamp off"), now)


def exposing(events: Iterable[Event]) -> bool:
    """Whether light falls on the strips; a lamp switched off ends it."""
    last = [e.kind for e in in_order(events) if e.kind in ("begun", "ended", "lamp off")]
    return bool(last) and last[-1] == "begun"


def exposed_s(events: Iterable[Event], *, now: float, until: float | None = None, since: float | None = None) -> float:
    """Seconds of light in all, or those up to, or from, a moment; time in between, with the light off, does not count.

    >>> seen = [Event("begun", 0), Event("ended", 40), Event("begun", 100), Event("ended", 150)]
    >>> exposed_s(seen, now=999), exposed_s(seen, now=999, until=110), exposed_s(seen, now=999, since=110)
    (90.0, 50.0, 40.0)
    """
    end, start = now if until is None else until, float("-inf") if since is None else since
    return float(sum(max(0.0, min(b, end) - max(a, start)) for a, b in exposures(events, now=now)))


def step_seconds(
    events: Sequence[Event], *, planned: Sequence[float], now: float, uncovers: bool = False
) -> list[float | None]:
    """Seconds of light that each step of the step strip really got.

    Parameters
    ----------
    events : sequence of Event
        "step" says that the card covered (or uncovered) the step of that number.
    planned : sequence of float
        Planned times, rising. [s] A planned time of 0 needs no event where the card covers: it was covered all along.
    now : float
        [s]
    uncovers : bool
        The card uncovers one step after another: each is exposed from then to the end; the longest from the start.

    Returns
    -------
    list of float or None
        None where the card has not been there: what it got is not known, or not yet. The longest step goes on to
        the end of the exposure where the card never reached it.
    """
    moved = {e.step: e.at for e in in_order(events) if e.kind == "step"}
    over = bool(exposures(events, now=now)) and not exposing(events)
    return [_one_step(i, t, moved.get(i), len(planned), events, now, uncovers, over) for i, t in enumerate(planned)]


def _one_step(
    i: int,
    planned: float,
    at: float | None,
    count: int,
    events: Sequence[Event],
    now: float,
    uncovers: bool,
    over: bool,
) -> float | None:
    if planned == 0 and at is None:
        return 0.0
    if uncovers:
        if at is not None:
            return exposed_s(events, now=now, since=at) if over else None
    elif at is not None:
        return exposed_s(events, now=now, until=at)
    return exposed_s(events, now=now) if over and i == count - 1 else None


def step_due(planned: Sequence[float], *, uncovers: bool = False) -> list[float]:
    """Seconds of light after which the card is to be at each step: steps are worked from the one it reaches first.

    >>> step_due([0, 8, 15]), step_due([0, 8, 15], uncovers=True)
    ([0, 8, 15], [15, 7, 0])
    """
    longest = max(planned, default=0)
    return [longest - t for t in planned] if uncovers else list(planned)


def lamp_on_s(events: Sequence[Event]) -> float | None:
    """How long the lamp had been on when the exposure began. [s] None where that was not recorded."""
    begun = next((e for e in in_order(events) if e.kind == "begun"), None)
    if begun is None:
        return None
    if begun.how == "lamp switched":
        return 0.0
    on = lit_since(e for e in events if e.at <= begun.at)
    return None if on is None else begun.at - on


# ---- rinse and dry-down ------------------------------------------------------------------------------------------


def rinsed_at(events: Iterable[Event], strips: Sequence[str]) -> dict[str, float | None]:
    """When each strip was last rinsed, None where it was not; an event without names is about all."""
    found: dict[str, float | None] = dict.fromkeys(strips)
    for event in in_order(events):
        if event.kind == "rinsed":
            found |= dict.fromkeys([s for s in strips if s in event.strips or not event.strips], event.at)
    return found


def ready_at(rinsed: float) -> float:
    """When a strip rinsed then is ready to be read."""
    return rinsed + DRY_DOWN_S


def _spans(
    events: Iterable[Event], starts: Sequence[str], stops: Sequence[str], now: float, *, switched: bool = False
) -> list[tuple[float, float]]:
    spans: list[tuple[float, float]] = []
    since: float | None = None
    for event in in_order(events):
        by_switch = switched and event.how == "lamp switched"
        if since is None and (event.kind in starts or (by_switch and event.kind == "begun")):
            since = event.at
        elif since is not None and (event.kind in stops or (by_switch and event.kind == "ended")):
            spans.append((since, event.at))
            since = None
    if since is not None and now > since:
        spans.append((since, now))
    return spans
