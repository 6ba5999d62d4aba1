"""`fairpanel open`."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("open")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("."))
@click.option("--port", type=click.IntRange(0, 65535), default=None, help="Port to listen on; a free one if not given.")
@click.option("--no-browser", is_flag=True, help="Do not open the browser; only say where the page is.")
def command(folder: Path, port: int | None, no_browser: bool) -> None:
    """Open the bench in FOLDER as a page in the browser; a new bench is made where there is none.

    FOLDER may be new, empty or a bench; it is the present folder if not given. The page is served by this command, to
    this computer alone, and works without any network. Everything is saved as it is done: to end, close the page and
    press Ctrl+C here.
    """
    from fairpanel.web.serving import serve

    serve(folder, port=port, browser=not no_browser, say=click.echo)
