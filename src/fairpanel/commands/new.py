"""`fairpanel new`."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("new")
@click.argument("folder", type=click.Path(path_type=Path))
def command(folder: Path) -> None:
    """Make a bench in FOLDER: one folder with all records, pictures and publications. Copy it to back it up."""
    from fairpanel.storage.bench import Bench

    with Bench.create(folder):
        pass
    click.echo(f"Made a bench in {folder}. Next: fairpanel take-in --example > table.csv")
