"""What `fairpanel look` prints."""

from __future__ import annotations

import sys
from pathlib import Path

from rich.console import Console
from rich.table import Table

from fairpanel.methods.uv_strip.advice import Advice
from fairpanel.methods.uv_strip.flags import FLAGS
from fairpanel.methods.uv_strip.quick_look import Look, PatchSeen, StepsSeen

#: From this longest step on times are written in minutes. [s]
IN_MINUTES = 180.0


def print_look(seen: Look, saved: Path | None) -> None:
    """Strips with equivalent exposure and blocked %, steps, advice, flags; or why nothing could be read."""
    console = Console(highlight=False, soft_wrap=True, markup=False)
    if seen.problem is not None:
        reason, what_to_do = seen.problem
        Console(file=sys.stderr, highlight=False, soft_wrap=True, markup=False).print(
            f"{seen.picture}: {reason}. {what_to_do}"
        )
    minutes = seen.steps is not None and max(seen.steps.seconds) >= IN_MINUTES
    if seen.patches:
        console.print(_strips(seen, minutes))
    if seen.steps is not None:
        console.print(_steps(seen.steps, minutes, lead="\n" if seen.patches else ""))
    if seen.advice is not None:
        console.print(_advice(seen.advice, seen.patches))
    for remark in seen.remarks:
        console.print(remark)
    for r in seen.refused:
        console.print(f"Strip {r.strip} was not read: {r.reason}. {r.what_to_do}")
    _print_flags(console, seen)
    if seen.patches and any(p.blocked_high is not None or p.blocked_low is not None for p in seen.patches):
        console.print(
            "Paper-weighted, this lamp; steps taken as exposed under the same glass (without glass, blocked comes out "
            "12 to 27 points too high). One strip each: no spread between plates is in these intervals. Measured for "
            "paint, never skin."
        )
    if saved is not None:
        console.print(f"Drawn on {saved}.")


def _strips(seen: Look, minutes: bool) -> Table:
    exposed = seen.advice is not None and seen.advice.exposed_seconds is not None
    table = Table(box=None, header_style="bold", pad_edge=False)
    table.add_column("strip")
    table.add_column("equals an exposure of (95 %)")
    if exposed:
        table.add_column("blocked (95 %)")
    table.add_column("flags")
    for p in seen.patches:
        cells = [p.name, _span(p.seconds, p.seconds_low, p.seconds_high, minutes)]
        if exposed:
            cells.append(_percent(p))
        table.add_row(*cells, ", ".join(p.flags))
    return table


def _span(value: float | None, low: float | None, high: float | None, minutes: bool) -> str:
    if value is not None and low is not None and high is not None:
        return f"{_time(value, minutes)} ({_number(low, minutes)} to {_number(high, minutes)})"
    if low is not None:
        return f"at least {_time(low, minutes)}"
    return f"at most {_time(high, minutes)}" if high is not None else "no value"


def _number(seconds: float, minutes: bool) -> str:
    return f"{seconds / 60:.2f}" if minutes else f"{seconds:.0f}" if seconds >= 100 else f"{seconds:.1f}"


def _time(seconds: float, minutes: bool) -> str:
    return f"{_number(seconds, minutes)} {'min' if minutes else 's'}"


def _percent(p: PatchSeen) -> str:
    def shown(x: float) -> str:
        text = f"{x:.1f}"
        return text.lstrip("-") if float(text) == 0 else text.replace("-", "−")

    if p.blocked is not None and p.blocked_low is not None and p.blocked_high is not None:
        return f"{shown(p.blocked)} % ({shown(p.blocked_low)} to {shown(p.blocked_high)})"
    if p.blocked_low is not None:
        return f"at least {shown(p.blocked_low)} %"
    return f"at most {shown(p.blocked_high)} %" if p.blocked_high is not None else "no value"


def _steps(steps: StepsSeen, minutes: bool, lead: str) -> str:
    read = ", ".join(f"{_exact(s, minutes)} {d:.2f}" for s, d in zip(steps.seconds, steps.densities, strict=True))
    return f"{lead}Steps (strip {steps.name}), {'min' if minutes else 's'} and density: {read}"


def _exact(seconds: float, minutes: bool) -> str:
    return f"{seconds / 60:.3g}" if minutes else f"{seconds:g}"


def _plain(seconds: float) -> str:
    """A time to be set on a clock: “87 s”, “4 min”, “2 min 25 s”."""
    rounded = round(seconds) if seconds >= 20 else round(seconds, 1)
    if rounded < 120:
        return f"{rounded:g} s"
    whole, rest = divmod(round(rounded), 60)
    return f"{whole} min {rest} s" if rest else f"{whole} min"


def _advice(a: Advice, patches: tuple[PatchSeen, ...]) -> str:
    halfway = f"Half-way time of this paper: {_plain(a.halfway_seconds)}."
    useful = _plain(a.useful_seconds)
    if a.exposed_seconds is None or a.waste is None:
        return f"{halfway} An exposure of about {useful} separates weak products best."
    times = f"{_plain(a.exposed_seconds)} is {a.exposed_seconds / a.halfway_seconds:.1f} times that"
    limits = sorted(p.detection for p in patches if p.detection is not None)
    missed = f" Rarely missed here: products that block {limits[len(limits) // 2]:.0f} % or more." if limits else ""
    if a.verdict == "too long":
        return (
            f"{halfway} {times}: too long to separate weak products (their error is {a.waste:.1f} times the least "
            f"possible). About {useful} would.{missed}"
        )
    if a.verdict == "too short":
        return (
            f"{halfway} {times}: too short (the error of weak products is {a.waste:.1f} times the least possible). "
            f"About {useful} would serve.{missed}"
        )
    return f"{halfway} {times}: weak products can be separated.{missed}"


def _print_flags(console: Console, seen: Look) -> None:
    """Every flag that stands in the table, or on the steps, once in its own words."""
    of_steps = seen.steps.flags if seen.steps else ()
    told = {f for p in seen.patches for f in p.flags} | set(of_steps)
    for flag in FLAGS:
        if flag.name in told:
            where = " (steps)" if flag.name in of_steps and all(flag.name not in p.flags for p in seen.patches) else ""
            console.print(f"{flag.name}{where}: {flag.sentence}")
