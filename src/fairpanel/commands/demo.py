"""`fairpanel demo`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from fairpanel.jobs.demonstrating import Demonstration


@click.command("demo")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--seed", type=int, default=1, show_default=True, help="Another number gives another invented campaign.")
def command(folder: Path, seed: int) -> int:
    """Make, read and publish an invented campaign on a new bench in FOLDER.

    Its pictures, scans and phone photos of the mat, are made; six faults are planted in them and in their table. They
    are read from scratch like real ones, which takes a few minutes. An earlier demonstration in FOLDER is made anew;
    a folder that holds anything else is left alone.

    Exit codes: 0 done, 3 a planted fault was not caught.
    """
    from fairpanel.commands.progress import progress
    from fairpanel.commands.tables import print_read
    from fairpanel.jobs.demonstrating import demonstrate

    with progress() as tell:
        done = demonstrate(folder, seed=seed, progress=tell)
    print_read(done.read, strips=False)
    _print_caught(done)
    click.echo(f"\nEverything here is invented; nothing is a measurement of any product.\nBench: {done.bench}")
    click.echo(f"Pictures and table as a tester would have them: {done.made}\nPage: {done.page}")
    return 0 if all(c.caught for c in done.caught) else 3


def _print_caught(done: Demonstration) -> None:
    from rich.table import Table

    from fairpanel.commands.tables import console

    out = console()
    out.print("\nFaults that were planted", style="bold")
    table = Table(box=None, header_style="bold", pad_edge=False)
    for heading in ("", "planted", "caught", "by"):
        table.add_column(heading)
    for c in done.caught:
        by = "; ".join(f"{name} ({n} of {c.strips} strips)" if n else f"{name} (the product)" for name, n in c.flags)
        table.add_row(c.number, c.fault, "yes" if c.caught else "no", by)
    out.print(table)
