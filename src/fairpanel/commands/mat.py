"""`fairpanel mat`."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("mat")
@click.argument("out", type=click.Path(path_type=Path, dir_okay=False), required=False, metavar="OUT.pdf")
@click.option(
    "--paper",
    type=click.Choice(["A4", "letter"], case_sensitive=False),
    default="A4",
    show_default=True,
    help="Size of the page.",
)
@click.option("--code", default="", metavar="TEXT", help="Print TEXT as a QR code into its frame.")
@click.option(
    "--layout",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="OUT.json",
    help="Write where everything lies, in millimetres, as JSON.",
)
def command(out: Path | None, paper: str, code: str, layout: Path | None) -> None:
    """Write the mat as a page to print: OUT.pdf.

    Print it at 100 % on plain matt white paper and measure the check line: it is 100 mm. Lay the strips into the cells
    A1 to A6 and B1 to B6, each with its start at the arrow, and the step strip into its own cell below. Then photograph
    the whole page, or scan it. In the table, write the cell's name into the column box.
    """
    from fairpanel.jobs import printing

    if out is None and layout is None:
        raise click.UsageError("Say where to write it: fairpanel mat OUT.pdf, or fairpanel mat --layout OUT.json")
    if out is not None:
        printing.write_mat(out, page=paper, code=code)
        click.echo(f"Wrote {out}, {paper}. Print it at 100 %, not fitted to the page; the check line is 100 mm.")
    if layout is not None:
        printing.write_layout(layout, page=paper)
        click.echo(f"Wrote {layout}: millimetres, origin top left of the page, y down.")
