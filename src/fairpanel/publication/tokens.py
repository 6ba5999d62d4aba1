"""Colours, sizes and the plain page that the published page and the bench page share."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.resources import files

from fairpanel.publication.drawing import DARK, DAYLIGHT


@cache
def tokens() -> str:
    """The style sheet that names them; charts use the same colours."""
    text = files("fairpanel.publication").joinpath("templates", "tokens.css").read_text(encoding="utf-8")
    return text.replace("/*daylight*/", _rule(DAYLIGHT)).replace("/*dark*/", _rule(DARK))


def _rule(colours: Mapping[str, str]) -> str:
    return ";".join(f"--{name}:{colour}" for name, colour in colours.items())
