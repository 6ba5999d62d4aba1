"""Commands: they parse, call a job and show. Modules of commands are imported only when used."""

from __future__ import annotations

import importlib
import os
import sys

import click

#: Command and the one line that says what it does, in the order of a tester's first day.
COMMANDS = {
    "open": "Open the bench page: the whole job in the browser.",
    "look": "Read the strips in one picture; no bench, no table needed.",
    "new": "Make a bench: the folder that holds everything you own here.",
    "mat": "Print the mat on which strips are laid to be photographed.",
    "take-in": "Take in a table of what was done, with its pictures.",
    "read": "Read every picture on the bench.",
    "results": "Show what was last read: numbers, findings, refusals.",
    "old-scores": "Say which scores from an eye ladder stand above luck.",
    "publish": "Write a page that can be published, with its data.",
    "rehearse": "Try a plan on made pictures before spending panels.",
    "check": "Check that the bench is whole.",
    "demo": "Make, read and publish an invented campaign.",
}


class _Lazy(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        module = importlib.import_module(f"fairpanel.commands.{name.replace('-', '_')}")
        return module.command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def resolve_command(self, ctx: click.Context, args: list[str]):
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            import difflib

            near = difflib.get_close_matches(args[0], COMMANDS, 1)
            hint = f" Did you mean “{near[0]}”?" if near else ""
            raise click.UsageError(f"There is no command “{args[0]}”.{hint} `fairpanel --help` lists them.")
        return super().resolve_command(ctx, args)


@click.group(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="fairpanel", prog_name="fairpanel")
def group() -> None:
    """UV strips to numbers that can be defended: how much UV a film blocks, with its interval.

    `fairpanel open my-bench` does everything in the browser. By commands: `fairpanel mat mat.pdf` and print it;
    `fairpanel new my-bench`; `fairpanel take-in --example > table.csv`, fill it in; `fairpanel take-in my-bench
    table.csv`; `fairpanel read my-bench`; `fairpanel results my-bench`; `fairpanel publish my-bench page`.

    Exit codes: 0 done (even if some strips were refused), 2 wrong table or usage, 3 nothing could be read.
    """


#: Pictures are spread over the cores already. Threads of linear algebra inside each of them only wait for one another:
#: on two cores a picture of loose strips took 28 s with them and 2.6 s without. Read when numpy is first loaded.
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


def main() -> None:
    """Run a command; errors the tester can do something about are told in their words."""
    for name in _ONE_THREAD:
        os.environ.setdefault(name, "1")
    try:
        status = group.main(standalone_mode=False)
    except click.UsageError as problem:
        problem.show()
        sys.exit(2)
    except click.exceptions.Exit as done:
        sys.exit(done.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped. What was read stays read; the same command goes on from there.", err=True)
        sys.exit(130)
    except click.ClickException as problem:
        problem.show()
        sys.exit(2)
    except Exception as problem:
        if not _expected(problem):
            raise
        click.echo(f"Error: {problem}", err=True)
        sys.exit(2)
    sys.exit(status if isinstance(status, int) else 0)


def _expected(problem: Exception) -> bool:
    """Errors with a message meant for the tester."""
    from fairpanel.files.picture_headers import PictureError
    from fairpanel.files.tables import TableFaults
    from fairpanel.storage.errors import BenchError

    return isinstance(problem, BenchError | TableFaults | PictureError)
