"""`fairpanel results`."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("results")
@click.argument("bench", type=click.Path(path_type=Path))
@click.option("--json", "as_data", is_flag=True, help="Write the results as JSON, and nothing else.")
@click.option("--strips", is_flag=True, help="Show every strip, with its flags.")
def command(bench: Path, as_data: bool, strips: bool) -> int:
    """Show what was last read on BENCH, by finding: value, 95 % interval, plates, limits."""
    from fairpanel.jobs.showing import as_json, load_last_read

    read = load_last_read(bench)
    if as_data:
        click.echo(json.dumps(as_json(read), ensure_ascii=False, indent=1, allow_nan=False))
    else:
        from fairpanel.commands.tables import print_read

        print_read(read, strips=strips)
    return 0 if read.readings else 3
