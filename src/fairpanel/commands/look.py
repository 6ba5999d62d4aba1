"""`fairpanel look`."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("look")
@click.argument("picture", type=click.Path(path_type=Path))
@click.option("--steps", required=True, metavar="TIMES", help="Exposures along the step strip: 0,1,2,3,4min")
@click.option("--exposed", metavar="TIME", help="Exposure of the other strips: 4min. Then blocked % is given too.")
@click.option("--save", type=click.Path(path_type=Path), metavar="OUT.png", help="Draw what was found on a copy.")
@click.option("--json", "as_data", is_flag=True, help="Write what was read as JSON, and nothing else.")
def command(picture: Path, steps: str, exposed: str | None, save: Path | None, as_data: bool) -> int:
    """Read the strips in one PICTURE (scan or photo): no bench, no table, nothing kept.

    The longest strip with as many patches as --steps names is the step strip, whichever way round it lies; every other
    strip is read against it. Steps are those under glass, written in their order along the strip with a unit at the
    end: 0,1,2,3,4min or 0;0,5;1 min. Works on loose strips and on the printed mat.

    Exit codes: 0 read, 2 wrong usage or a picture that cannot be opened, 3 nothing could be read.
    """
    from fairpanel.methods.columns import CellError, duration
    from fairpanel.methods.uv_strip.typed_steps import typed_steps

    try:
        seconds = typed_steps(steps)
    except CellError as problem:
        raise click.BadParameter(str(problem), param_hint="--steps") from None
    try:
        exposed_seconds = None if exposed is None else duration(exposed)
    except CellError as problem:
        raise click.BadParameter(str(problem), param_hint="--exposed") from None
    if exposed_seconds is not None and exposed_seconds <= 0:
        raise click.BadParameter("must be longer than nothing; write 4min or 240", param_hint="--exposed")

    from fairpanel.jobs import looking

    seen = looking.look_at(picture, seconds, exposed_seconds, save)
    if as_data:
        click.echo(json.dumps(looking.as_json(seen), ensure_ascii=False, indent=1, allow_nan=False))
    else:
        from fairpanel.commands.look_tables import print_look

        print_look(seen, save)
    return 0 if seen.problem is None else 3
