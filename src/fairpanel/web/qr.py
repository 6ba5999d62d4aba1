"""A code for a phone's camera, as the outline of its dark squares in one path of a drawing."""

from __future__ import annotations

from dataclasses import dataclass

#: Empty squares around a code (ISO/IEC 18004).
QUIET = 4


@dataclass(frozen=True)
class Code:
    """A code: squares along a side with the quiet zone, and the path of the dark ones, one unit each."""

    side: int
    path: str


def code_of(text: str) -> Code:
    """The code of a text."""
    from fairpanel.mat.code import modules

    rows = modules(text).tolist()
    squares = [f"M{x + QUIET} {y + QUIET}h1v1h-1z" for y, row in enumerate(rows) for x, dark in enumerate(row) if dark]
    return Code(len(rows) + 2 * QUIET, "".join(squares))
