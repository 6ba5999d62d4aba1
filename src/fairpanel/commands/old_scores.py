"""`fairpanel old-scores`."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("old-scores")
@click.argument("bench", type=click.Path(path_type=Path))
@click.argument("table", type=click.Path(path_type=Path), required=False)
@click.option("--ladder", type=click.Path(path_type=Path), metavar="LADDER.csv", help="Your ladder: score, minutes.")
@click.option("--exposed", default="", metavar="TIME", help="How long the strips were exposed: 4min, 240.")
@click.option("--steps-under-glass", default="", metavar="ANSWER", help="Did glass lie over the steps too: yes, no, "
              "not known. Not known, which shows both, if left out.")  # fmt: skip
@click.option("--half-scores", default="", metavar="ANSWER", help="Were scores between rungs given: yes, no. As the "
              "table shows, if left out.")  # fmt: skip
@click.option("--halfway", default="", metavar="TIME", help="Exposure under glass that brings the paper half-way to "
              "its darkest, if you know it.")  # fmt: skip
@click.option("--amend", default="", metavar="REASON", help="Replaces the table of that name; say why. It is kept.")
@click.option("--json", "as_data", is_flag=True, help="Write everything as JSON, and nothing else.")
def command(
    bench: Path,
    table: Path | None,
    ladder: Path | None,
    exposed: str,
    steps_under_glass: str,
    half_scores: str,
    halfway: str,
    amend: str,
    as_data: bool,
) -> int:
    """Say which old eye scores stand above luck, which order is noise, what to test again first.

    TABLE has the columns product, score (2, or a range: 0-2), date, note. LADDER.csv has the columns score and minutes
    (4, or 4 min, 90 s): one line for each step the strips were held against. Without TABLE: what is on BENCH.

    Old scores are kept as typed, marked old, and never pooled with what is read. The same table twice changes nothing.
    """
    from fairpanel.jobs import old_scores as job

    if table is None and (ladder or exposed or steps_under_glass or half_scores or halfway or amend):
        raise click.UsageError(
            "Name the table these belong to: fairpanel old-scores BENCH TABLE.csv --ladder LADDER.csv"
        )
    if table is not None:
        new = job.take_in_old_scores(
            bench,
            table,
            ladder_path=ladder,
            exposed=exposed,
            steps_under_glass=steps_under_glass,
            half_scores=half_scores,
            halfway=halfway,
            amend=amend,
        )
        if not new:
            click.echo("Nothing new: these scores are on the bench already.", err=True)
    tables = [t for t in job.load_old_tables(bench) if table is None or t.name == table.name]
    if as_data:
        click.echo(json.dumps(job.as_json(tables), ensure_ascii=False, indent=1, allow_nan=False))
    elif tables:
        from fairpanel.commands.old_score_tables import print_old_tables

        print_old_tables(tables)
    else:
        click.echo(
            f"No old scores on {bench} yet: fairpanel old-scores {bench} TABLE.csv --ladder LADDER.csv --exposed 4min"
        )
    return 0 if tables else 3
