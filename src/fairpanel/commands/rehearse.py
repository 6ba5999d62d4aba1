"""`fairpanel rehearse`."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from fairpanel.jobs.rehearsing import Rehearsal
    from fairpanel.rehearsal.plan import Plan


_OPTIONS = (
    click.option(
        "--products",
        type=int,
        default=8,
        show_default=True,
        help="How many products; they then block 2 to 98 %, evenly spread.",
    ),
    click.option(
        "--product",
        "named",
        multiple=True,
        metavar="NAME=PERCENT",
        help="A product and what it may block, as often as needed; in place of --products.",
    ),
    click.option(
        "--plates", type=int, default=3, show_default=True, help="Plates of each product, each coated by itself."
    ),
    click.option(
        "--exposure",
        default="90",
        show_default=True,
        metavar="TIMES",
        help="Exposure of the plates; several for a bracket on one strip: 60,240.",
    ),
    click.option(
        "--steps",
        default="0,8,15,25,40,60,90,135",
        show_default=True,
        metavar="TIMES",
        help="Times of the step strip, or 0,1,2,3,4min.",
    ),
    click.option(
        "--half-plates/--whole-plates",
        default=True,
        show_default=True,
        help="Plates coated on one half, the other glass only; or all over.",
    ),
    click.option(
        "--sheets",
        type=int,
        default=None,
        help="Paper sheets for the plates of a product, each with its own steps.  [default: one for each plate]",
    ),
    click.option(
        "--camera",
        type=click.Choice(["scan", "phone"]),
        default="scan",
        show_default=True,
        help="What pictures the strips.",
    ),
    click.option(
        "--half-way",
        default="62",
        show_default=True,
        metavar="TIME",
        help="Exposure under glass at which the paper is half as dark as it gets.",
    ),
    click.option(
        "--film-spread",
        type=click.FloatRange(0, 60),
        default=12.0,
        show_default=True,
        metavar="PERCENT",
        help="How much film mass differs between plates.",
    ),
    click.option(
        "--lamp-drift",
        type=click.FloatRange(0, 50),
        default=1.0,
        show_default=True,
        metavar="PERCENT",
        help="How much the lamp's output differs between exposures.",
    ),
    click.option("--brushed", is_flag=True, help="Paper coated by hand with a brush."),
    click.option(
        "--repeats",
        type=click.IntRange(1, 200),
        default=3,
        show_default=True,
        help="Made campaigns; more tell it more exactly.",
    ),
    click.option("--seed", type=int, default=1, show_default=True, help="The same number gives the same campaigns."),
    click.option("--json", "as_data", is_flag=True, help="Write what was found as JSON, and nothing else."),
)


def _with_options(wanted: Callable[..., None]) -> Callable[..., None]:
    for option in reversed(_OPTIONS):
        wanted = option(wanted)
    return wanted


@click.command("rehearse")
@_with_options
def command(as_data: bool, repeats: int, seed: int, **wanted: Any) -> None:
    """Try a plan before panels are spent: its pictures are made, read like real ones, and what they show is told.

    Paper, lamp and films are invented, so compare plans with it; your own bench may do better or worse. For example,
    one long exposure on whole plates against the useful one on half plates:

    \b
        fairpanel rehearse --plates 1 --exposure 240 --steps 0,60,120,180,240 --whole-plates
        fairpanel rehearse --plates 1 --exposure 90
    """
    from fairpanel.commands.progress import progress
    from fairpanel.jobs.rehearsing import as_json, rehearse

    plan = _plan(**wanted)
    if faults := plan.faults():
        raise click.UsageError("This plan cannot be carried out.\n" + "\n".join(f"  {fault}" for fault in faults))
    with progress() as tell:
        done = rehearse(plan, repeats=repeats, seed=seed, progress=tell)
    if as_data:
        click.echo(json.dumps(as_json(done), ensure_ascii=False, indent=1, allow_nan=False))
    else:
        _print(done)


def _plan(
    *,
    products: int,
    named: tuple[str, ...],
    plates: int,
    exposure: str,
    steps: str,
    half_plates: bool,
    sheets: int | None,
    camera: str,
    half_way: str,
    film_spread: float,
    lamp_drift: float,
    brushed: bool,
) -> Plan:
    from fairpanel.rehearsal.plan import Plan

    return Plan(
        products=_named(named) if named else products,
        plates=plates,
        seconds=_times(exposure, "--exposure"),
        step_seconds=_times(steps, "--steps"),
        half_plates=half_plates,
        sheets=plates if sheets is None else sheets,
        camera=camera,
        half_seconds=_times(half_way, "--half-way")[0],
        film_cv=film_spread / 100,
        brushed=brushed,
        lamp_drift=lamp_drift / 100,
    )


def _named(pairs: tuple[str, ...]) -> dict[str, float]:
    found = {}
    for pair in pairs:
        name, sign, percent = pair.rpartition("=")
        try:
            found[name.strip()] = float(percent.strip().rstrip("%").replace(",", "."))
        except ValueError:
            sign = ""
        if not sign or not name.strip():
            raise click.BadParameter(f"“{pair}”: write a name and what it may block: Wax A=12", param_hint="--product")
    return found


def _times(text: str, option: str) -> tuple[float, ...]:
    """Seconds from times separated by commas or semicolons; a unit at the end holds for all."""
    from fairpanel.methods.columns import CellError, duration

    parts = [part.strip() for part in text.split(";" if ";" in text else ",")]
    unit = parts[-1].lstrip("0123456789.,: ")
    try:
        return tuple(duration(part if part[-1:].isalpha() else part + unit) for part in parts)
    except CellError as problem:
        raise click.BadParameter(str(problem), param_hint=option) from None


def _described(plan: Plan) -> str:
    from fairpanel.commands.tables import count

    times = " + ".join(f"{t:g}" for t in plan.seconds)
    relative = ", ".join(f"{t / plan.half_seconds:.1f}" for t in plan.seconds)
    products = plan.products if isinstance(plan.products, int) else len(plan.products)
    plates = count(plan.plates, "half plate" if plan.half_plates else "whole plate")
    return (
        f"{count(products, 'product')}, {plates} of each on {count(plan.sheets, 'paper sheet')}, {times} s "
        f"({relative} half-way times), {plan.camera}"
    )


def _print(done: Rehearsal) -> None:
    from rich.table import Table

    from fairpanel.commands.tables import console, count

    out = console()
    made = f"{count(done.repeats, 'made campaign')} of {count(done.pictures, 'picture')}"
    out.print(f"{_described(done.plan)}; {made}, seed {done.seed}.")
    table = Table(box=None, header_style="bold", pad_edge=False)
    table.add_column("product")
    for heading in ("made to block", "found", "interval, points", "we rarely miss from", "shown"):
        table.add_column(heading, justify="right")
    for p in done.products:
        span = "-" if p.low is None or p.high is None else f"{p.low:.1f} to {p.high:.1f} %"
        table.add_row(
            p.product,
            f"{p.blocked:.1f} %",
            span,
            "open" if p.width is None else f"{p.width:.1f}",
            "" if p.detection_limit is None else f"{p.detection_limit:.1f} %",
            f"{p.shown} of {done.repeats}",
        )
    out.print(table)
    if done.refused:
        out.print(f"Refused: {count(done.refused, 'strip')} in all.")
    out.print("Invented paper, lamp and films: for comparing plans, no measurement of any product.")
