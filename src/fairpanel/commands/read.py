"""`fairpanel read`."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("read")
@click.argument("bench", type=click.Path(path_type=Path))
def command(bench: Path) -> int:
    """Read every picture on BENCH. Stopped and started again, it goes on where it was."""
    from fairpanel.commands.progress import progress
    from fairpanel.commands.tables import count
    from fairpanel.jobs.reading import read_bench

    with progress() as tell:
        done = read_bench(bench, progress=tell)
    click.echo(
        f"{count(done.readings, 'reading')}, {done.refused} refused, from {count(done.pictures, 'picture')} "
        f"({done.measured_now} measured now). Next: fairpanel results {bench}"
    )
    if done.readings == 0:
        click.echo("Nothing could be read; `fairpanel results` says why.", err=True)
        return 3
    return 0
