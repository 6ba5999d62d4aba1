"""The little of Markdown that procedures are written in, as HTML with everything else escaped.

Headings, paragraphs, numbered and dashed lists, **strong**, *emphasis* and `code`; no links, pictures or raw HTML.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from markupsafe import Markup, escape

_ITEM = re.compile(r"(?:(\d+)\.|[-*])\s+(.*)")
_SPANS = (
    (re.compile(r"`([^`]+)`"), r"<code>\1</code>"),
    (re.compile(r"\*\*([^*]+)\*\*"), r"<strong>\1</strong>"),
    (re.compile(r"\*([^*]+)\*"), r"<em>\1</em>"),
)


def html_of(text: str, *, top: int = 3) -> Markup:
    """Markdown as HTML.

    Parameters
    ----------
    text : str
    top : int
        Level its highest heading gets; deeper ones follow.

    Examples
    --------
    >>> str(html_of("Read *this*: <b>"))
    '<p>Read <em>this</em>: &lt;b&gt;</p>'
    """
    return Markup("\n").join(_block(block, top) for block in _blocks(text))


def section(text: str, heading: str) -> str:
    """What stands under a heading, up to the next of its level or above; empty where there is no such heading.

    >>> section("# A\\n\\n## What it means\\n\\nThis.\\n\\n## Sources\\n\\nThat.", "What it means")
    'This.'
    """
    lines = text.splitlines()
    for i, line in enumerate(lines):
        level = len(line) - len(line.lstrip("#"))
        if level and line[level:].strip().casefold() == heading.casefold():
            rest = lines[i + 1 :]
            ends = (j for j, other in enumerate(rest) if re.match(rf"#{{1,{level}}}\s", other))
            return "\n".join(rest[: next(ends, len(rest))]).strip()
    return ""


def _blocks(text: str) -> Iterator[str]:
    """Paragraphs, headings and whole lists; a heading is a block of its own even without an empty line after it."""
    for block in re.split(r"\n\s*\n", text.strip()):
        while block.lstrip().startswith("#"):
            heading, _, block = block.lstrip().partition("\n")
            yield heading
        if block.strip():
            yield block.strip("\n")


def _block(block: str, top: int) -> Markup:
    level = len(block) - len(block.lstrip("#"))
    if level:
        tag = f"h{min(top - 1 + level, 6)}"
        return Markup(f"<{tag}>{{}}</{tag}>").format(_spans(block[level:].strip()))
    if _ITEM.match(block.lstrip()):
        return _list(block)
    return Markup("<p>{}</p>").format(_spans(" ".join(block.split())))


def _list(block: str) -> Markup:
    items: list[str] = []
    numbered = bool(re.match(r"\s*\d+\.", block))
    for line in block.splitlines():
        found = _ITEM.match(line)
        if found:
            items.append(found[2])
        else:
            items[-1:] = [f"{items[-1]} {line.strip()}" if items else line.strip()]
    tag = "ol" if numbered else "ul"
    inner = Markup("").join(Markup("<li>{}</li>").format(_spans(item)) for item in items)
    return Markup(f"<{tag}>{{}}</{tag}>").format(inner)


def _spans(text: str) -> Markup:
    found = str(escape(text))
    for pattern, instead in _SPANS:
        found = pattern.sub(instead, found)
    return Markup(found)
