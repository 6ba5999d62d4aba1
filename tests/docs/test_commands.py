"""Every command and option that the docs name exists."""

import re

import click
import pytest
from the_pages import PAGES, ROOT, mentioned_commands, text_of, typed_commands

from fairpanel.commands import COMMANDS, group


def command_of(name: str, words: list[str]) -> click.Command | None:
    """The command that the words begin with; None where they only ask the program itself."""
    if words[0].startswith("-"):
        return None
    assert words[0] in COMMANDS, f"{name}: there is no command “{words[0]}”; mend that page"
    found = group.get_command(click.Context(group), words[0])
    assert found is not None
    return found


def options_of(command: click.Command) -> set[str]:
    """All spellings of its options."""
    own = {o for p in command.params for o in (*p.opts, *p.secondary_opts) if o.startswith("-")}
    return own | {"--help", "-h"}


@pytest.mark.parametrize("name", PAGES)
def test_commands_to_type_are_understood(name):
    """Whole command lines: right options, nothing required left out, nothing too much."""
    for words in typed_commands(name):
        command = command_of(name, words)
        if command is None or "BENCH" in words:
            continue
        args = words[1 : words.index(">")] if ">" in words else words[1:]
        try:
            command.make_context(words[0], list(args))
        except click.UsageError as problem:
            pytest.fail(f"{name}: “fairpanel {' '.join(words)}” is not understood: {problem.message} Mend that page.")


@pytest.mark.parametrize("name", PAGES)
def test_commands_in_running_text_exist_with_their_options(name):
    """Those between backticks may leave out arguments."""
    for words in mentioned_commands(name):
        command = command_of(name, words)
        if command is not None:
            strange = {w for w in words[1:] if w.startswith("--")} - options_of(command)
            assert not strange, f"{name}: `fairpanel {words[0]}` has no option {', '.join(strange)}; mend that page"


@pytest.mark.parametrize("name", PAGES)
def test_options_named_alone_belong_to_some_command(name):
    """`--strips` between backticks."""
    known = set().union(*(options_of(group.get_command(click.Context(group), c)) for c in COMMANDS))
    alone = set(re.findall(r"`(--[a-z-]+)[^`]*`", text_of(name)))
    assert alone <= known, f"{name}: no command has {', '.join(alone - known)}; mend that page"


@pytest.mark.parametrize("name", PAGES)
def test_targets_of_make_exist(name):
    """`make TARGET` in text and blocks."""
    made = set(re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text(), re.M))
    named = set(re.findall(r"(?:`|^ {4,})make ([a-z-]+)", text_of(name), re.M))
    assert named <= made, f"{name}: the Makefile has no {', '.join(named - made)}; mend that page"


def test_every_command_is_told_of_in_the_readme():
    """And in the changes of the first version."""
    for page in ("README.md", "CHANGELOG.md"):
        missing = [c for c in COMMANDS if not re.search(rf"\b{c}\b", text_of(page))]
        assert not missing, f"{page} says nothing of {', '.join(missing)}; add a line"


def test_the_runner_of_checks_exists():
    """CONTRIBUTING.md and README.md name .ci/run; it runs make test."""
    assert "make test" in (ROOT / ".ci" / "run").read_text()
