"""The form of a plan to be rehearsed: its fields, what they start with, and from what was typed to a plan."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fairpanel.rehearsal.plan import Plan

#: What the form starts with; the plan that is advised.
START = {
    "products": "8",
    "plates": "3",
    "sheets": "",
    "exposure": "90",
    "steps": "0, 8, 15, 25, 40, 60, 90, 135",
    "coated": "half",
    "camera": "scan",
    "half_way": "62",
    "film_spread": "12",
    "lamp_drift": "1",
    "paper": "machine",
    "repeats": "3",
}

COATED = (("half", "on one half"), ("whole", "all over"))
CAMERAS = (("scan", "scanned"), ("phone", "photographed with a phone"))
PAPERS = (("machine", "by machine, even"), ("brush", "by hand with a brush"))


@dataclass
class Asked:
    """What a form asks for: a plan and how often to try it, or what is wrong at which field."""

    plan: Plan | None = None
    repeats: int = 3
    wrong: dict[str, str] = field(default_factory=dict)
    wrong_together: list[str] = field(default_factory=list)


def asked(typed: Mapping[str, str]) -> Asked:
    """Read a form; every fault is told at its field."""
    from fairpanel.rehearsal.plan import Plan

    found = Asked()
    values: dict[str, Any] = {}
    for name, read in _READ.items():
        try:
            values[name] = read(typed.get(name, "").strip())
        except ValueError as problem:
            found.wrong[name] = str(problem)
    if found.wrong:
        return found
    found.repeats = values["repeats"]
    plan = Plan(
        products=values["products"],
        plates=values["plates"],
        seconds=values["exposure"],
        step_seconds=values["steps"],
        half_plates=values["coated"] == "half",
        sheets=values["sheets"] or values["plates"],
        camera=values["camera"],
        half_seconds=values["half_way"][0],
        film_cv=values["film_spread"] / 100,
        brushed=values["paper"] == "brush",
        lamp_drift=values["lamp_drift"] / 100,
    )
    found.wrong_together = plan.faults()
    found.plan = None if found.wrong_together else plan
    return found


def in_words(typed: Mapping[str, str]) -> str:
    """A plan in one line, to tell it from others."""
    plates, products = typed["plates"], typed["products"]
    parts = [
        f"{products} product{'' if products == '1' else 's'}",
        f"{plates} {'half ' if typed['coated'] == 'half' else ''}plate{'' if plates == '1' else 's'} each",
        f"exposed {_with_unit(typed['exposure'])}",
        f"steps {_with_unit(typed['steps'])}",
        "phone" if typed["camera"] == "phone" else "",
        f"lamp drift {typed['lamp_drift']} %" if typed["lamp_drift"] != START["lamp_drift"] else "",
        f"film spread {typed['film_spread']} %" if typed["film_spread"] != START["film_spread"] else "",
        "brushed paper" if typed["paper"] == "brush" else "",
    ]
    return ", ".join(part for part in parts if part)


def _with_unit(times: str) -> str:
    return times if times[-1:].isalpha() else f"{times}\N{NO-BREAK SPACE}s"


# ---- reading fields --------------------------------------------------------------------------------------------


def _whole(low: int, high: int, *, empty: int | None = None) -> Callable[[str], int]:
    def read(text: str) -> int:
        if not text and empty is not None:
            return empty
        if not (text.isascii() and text.isdigit() and low <= int(text) <= high):
            raise ValueError(f"Write a whole number from {low} to {high}.")
        return int(text)

    return read


def _percent(high: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        try:
            value = float(text.rstrip("% ").replace(",", "."))
        except ValueError:
            value = -1.0
        if not 0 <= value <= high:
            raise ValueError(f"Write a number from 0 to {high:g}.")
        return value

    return read


def _times(text: str) -> tuple[float, ...]:
    """Times separated by commas or semicolons; a unit at the end holds for all."""
    from fairpanel.methods.columns import CellError, duration

    if not text:
        raise ValueError("Write at least one time.")
    parts = [part.strip() for part in text.split(";" if ";" in text else ",")]
    unit = parts[-1].lstrip("0123456789.,: ")
    if "" in parts:
        raise ValueError(f"“{text}” is not a time between two of its commas.")
    try:
        return tuple(duration(part if part[-1:].isalpha() else part + unit) for part in parts)
    except CellError as problem:
        raise ValueError(f"{problem}.") from None


def _one_of(choices: tuple[tuple[str, str], ...]) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text not in [value for value, _ in choices]:
            raise ValueError("Choose one of the list.")
        return text

    return read


_READ: dict[str, Callable[[str], Any]] = {
    "products": _whole(1, 24),
    "plates": _whole(1, 12),
    "sheets": _whole(1, 12, empty=0),
    "exposure": _times,
    "steps": _times,
    "coated": _one_of(COATED),
    "camera": _one_of(CAMERAS),
    "half_way": _times,
    "film_spread": _percent(60),
    "lamp_drift": _percent(50),
    "paper": _one_of(PAPERS),
    "repeats": _whole(1, 30),
}
