"""The pages of the project, and what stands in them."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGES = {
    name: ROOT / name
    for name in (
        "README.md",
        "CHANGELOG.md",
        "CONTRIBUTING.md",
        "docs/first-hour.md",
        "docs/reading.md",
        "docs/terms.md",
        "src/fairpanel/methods/README.md",
        "src/fairpanel/methods/uv_strip/README.md",
    )
}


@cache
def text_of(name: str) -> str:
    """A page as written."""
    return PAGES[name].read_text(encoding="utf-8")


def table_under(name: str, heading: str) -> list[list[str]]:
    """Cells of the rows of the first table that begins with this heading cell, without its heading."""
    lines = iter(text_of(name).splitlines())
    for line in lines:
        if line.startswith(f"| {heading} |"):
            next(lines)
            break
    rows = []
    for line in lines:
        if not line.startswith("|"):
            break
        rows.append([cell.strip() for cell in line.strip("|").split("|")])
    return rows


def fenced(name: str, language: str) -> list[str]:
    """Contents of the fenced blocks in a language."""
    return re.findall(rf"^```{language}\n(.*?)^```", text_of(name), re.S | re.M)


def typed_commands(name: str) -> list[list[str]]:
    """Whole command lines of `fairpanel` in indented blocks: their words after the program, comments dropped."""
    blocks = re.sub(r"^```.*?^```", "", text_of(name), flags=re.S | re.M)
    lines = re.findall(r"^ {4,}(?:\$ )?fairpanel (.*)$", blocks, re.M)
    return [shlex.split(line, comments=True) for line in lines]


def mentioned_commands(name: str) -> Iterator[list[str]]:
    """`fairpanel ...` between backticks in running text, words after the program; line breaks do not matter."""
    for found in re.findall(r"`fairpanel\s+([^`]*)`", text_of(name)):
        yield shlex.split(" ".join(found.split()))
