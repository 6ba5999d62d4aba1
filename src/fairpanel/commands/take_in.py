"""`fairpanel take-in`."""

from __future__ import annotations

import sys
from pathlib import Path

import click


@click.command("take-in")
@click.argument("bench", type=click.Path(path_type=Path), required=False)
@click.argument("table", type=click.Path(path_type=Path), required=False)
@click.option("--amend", default="", metavar="REASON", help="Rows on the bench change; say why. It is kept.")
@click.option("--example", is_flag=True, help="Write an example table, short form, and stop.")
@click.option("--full", is_flag=True, help="With --example or alone: write it with every column.")
@click.option("--method", default="uv_strip", show_default=True, help="Whose example.")
def command(bench: Path | None, table: Path | None, amend: str, example: bool, full: bool, method: str) -> None:
    """Take in TABLE (CSV), and the pictures it names, onto BENCH.

    One row is one patch of paper. Five columns are enough: picture, strip, role, seconds, product. Roles: product,
    reference, glass only, no glass, step (under glass only), step no glass, step unknown. Times: seconds, or 4 min.
    Every fault is told at once, and then nothing is taken in. The same table twice changes nothing.
    """
    from fairpanel.jobs import take_in as job
    from fairpanel.methods import method_named

    if example or full:
        try:
            about = method_named(method)
        except KeyError as problem:
            raise click.UsageError(str(problem.args[0])) from None
        sys.stdout.buffer.write(job.template(about, full=full))
        return
    if bench is None or table is None:
        raise click.UsageError("Name the bench and the table: fairpanel take-in BENCH TABLE.csv")
    from fairpanel.commands.progress import progress
    from fairpanel.commands.tables import count

    with progress() as tell:
        done = job.take_in(bench, table, amend=amend, progress=tell)
    for note in done.notes:
        click.echo(f"Note: {note}", err=True)
    if not done.taken:
        click.echo("Nothing new: this table is on the bench already.")
        return
    c = done.comparison
    click.echo(
        f"Took in {count(len(c.added), 'new row')}, {len(c.changed)} changed, {len(c.unchanged)} as before; "
        f"{count(done.pictures, 'picture')}. Next: fairpanel read {bench}"
    )
