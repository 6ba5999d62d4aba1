"""Charts to pictures of lines and letters (SVG) that follow daylight and dark by themselves."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

#: Colours a chart may name, in daylight and dark. The page's style sheet has the same.
DAYLIGHT = {"ink": "#1b1f23", "quiet": "#59616a", "line": "#d9dcdf", "blue": "#1f5f9e"}
DARK = {"ink": "#e6e8ea", "quiet": "#a4acb4", "line": "#3a4047", "blue": "#82b6e8"}


def svg_of(spec: Mapping[str, Any]) -> bytes:
    """A Vega-Lite chart as an SVG file.

    Parameters
    ----------
    spec : mapping
        Plain data; nothing is fetched, an address in it is an error.

    Raises
    ------
    ValueError
        The chart cannot be drawn.
    """
    import vl_convert

    drawn = vl_convert.vegalite_to_svg(dict(spec), allowed_base_urls=[])
    head, _, rest = drawn.partition(">")
    return f"{head}>{_style()}{rest}".encode()


def _style() -> str:
    day, dark = (_rule(colours) for colours in (DAYLIGHT, DARK))
    return f"<style>{day}@media (prefers-color-scheme:dark){{{dark}}}</style>"


def _rule(colours: Mapping[str, str]) -> str:
    named = ";".join(f"--{name}:{colour}" for name, colour in colours.items())
    return f"svg{{color:{colours['ink']};{named}}}"
