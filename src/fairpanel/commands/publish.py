"""`fairpanel publish`."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("publish")
@click.argument("bench", type=click.Path(path_type=Path))
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--title", default="", help="Title of the page; the method's own if not given.")
def command(bench: Path, out: Path, title: str) -> int:
    """Write what was last read on BENCH as a page to the folder OUT.

    OUT/index.html opens by itself, without network or script; beside it lie the pictures of the strips, the charts,
    results.csv, strips.csv, refused.csv, results.json and datapackage.json. Products stand by finding, not by rank. An
    earlier publication in OUT is replaced; a folder that holds anything else is left alone. Products of the kind
    sunscreen are method controls and are left out.
    """
    from fairpanel.commands.progress import progress
    from fairpanel.commands.tables import count
    from fairpanel.jobs.publishing import publish

    with progress() as tell:
        done = publish(bench, out, title=title, progress=tell)
    if done.left_out:
        click.echo(f"Left out, being method controls: {', '.join(done.left_out)}", err=True)
    if done.rows_changed:
        click.echo(
            f"Note: {count(done.rows_changed, 'row')} entered or changed since the last read; to publish that too, "
            f"run fairpanel read {bench} first.",
            err=True,
        )
    click.echo(f"Wrote {count(done.products, 'product')}, {count(done.files, 'file')}. Open {done.page}")
    return 0 if done.readings else 3
