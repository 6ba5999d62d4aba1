"""Help: short, whole, and at once. Nothing heavy is loaded to give it."""

from __future__ import annotations

import subprocess
import sys

import pytest

from fairpanel.commands import COMMANDS

#: What takes long to load. None of it may be needed to say how a command is used.
HEAVY = ("numpy", "scipy", "cv2", "PIL", "pi_heif", "sqlalchemy", "alembic", "reportlab", "vl_convert", "jinja2",
         "zxingcpp", "rich", "starlette", "uvicorn", "fairpanel.methods", "fairpanel.storage")  # fmt: skip

_RUN = f"""
import sys
from fairpanel.commands import main
try:
    main()
except SystemExit as ended:
    code = ended.code
print(*(name for name in {HEAVY!r} if name in sys.modules), file=sys.stderr)
sys.exit(code)
"""


def test_every_command_is_listed_with_a_line(fairpanel):
    """The twelve commands, the order of a first day, and the exit codes."""
    done = fairpanel("--help")
    assert (done.code, done.err) == (0, "")
    assert set(COMMANDS) == {"open", "look", "new", "take-in", "mat", "read", "results", "old-scores", "publish",
                             "check", "rehearse", "demo"}  # fmt: skip
    for name, line in COMMANDS.items():
        assert name in done.out and line in done.out
    for words in ("take-in --example", "Exit codes", "0 done", "2 wrong table or usage", "3 nothing could be read"):
        assert words in done.out.replace("\n  ", " ")
    assert len(done.out.splitlines()) <= 40


@pytest.mark.parametrize("words", [["--help"], ["-h"], ["--version"], *([name, "--help"] for name in COMMANDS)])
def test_help_loads_nothing_heavy(words):
    """In a process of its own, also for each command."""
    done = subprocess.run([sys.executable, "-c", _RUN, *words], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr.strip()) == (0, "")
    assert done.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_a_command_fits_a_screen(fairpanel, name):
    """What it does, its arguments and options; a line no wider than a terminal."""
    done = fairpanel(name, "--help")
    lines = done.out.splitlines()
    assert done.code == 0 and lines[0].startswith(f"Usage: fairpanel {name}")
    assert 6 <= len(lines) <= 50 and max(map(len, lines)) <= 100


def test_a_command_that_is_not_there(fairpanel):
    """Exit code 2, with the one that may have been meant."""
    done = fairpanel("takein", "bench")
    assert done.code == 2 and done.out == "" and "Did you mean “take-in”" in done.err
    assert fairpanel("--loud").code == 2
