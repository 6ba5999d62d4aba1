"""`fairpanel check`."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("check")
@click.argument("bench", type=click.Path(path_type=Path))
def command(bench: Path) -> int:
    """Check that BENCH is whole: every picture is as it was taken in, every record can be read. Changes nothing.

    Exit codes: 0 whole, 2 something is wrong. A bench is one folder: a copy of it that is found whole is a backup.
    """
    from fairpanel.commands.tables import count
    from fairpanel.jobs.checking import check_bench

    done = check_bench(bench)
    if done.problems:
        for problem in done.problems:
            click.echo(f"{problem.where}: {problem}")
        click.echo(
            f"{count(len(done.problems), 'problem')} on {bench}. Keep this folder as it is; go on with a copy that "
            "`fairpanel check` finds whole."
        )
        return 2
    click.echo(
        f"{bench} is whole: {count(done.rows, 'row')}, {count(done.pictures, 'picture')}, "
        f"{count(done.reads, 'read')}. To keep a copy, copy the whole folder to another disk and check the copy."
    )
    return 0
