"""What a strip's picture shows from left to right, said by its rows alone."""

from __future__ import annotations

from collections.abc import Sequence

from fairpanel.methods.contract import Entered, Mark
from fairpanel.methods.uv_strip.crops import words_of
from fairpanel.methods.uv_strip.strips import Spot, Strip


def strip_words(entered: Sequence[Entered]) -> str:
    """The words that its `Crop` will have.

    Parameters
    ----------
    entered : sequence of Entered
        The rows of one strip, in the order of the table.
    """
    spots = tuple(Spot(e.id, e.row, Mark(e.id, {})) for e in entered)
    return words_of(Strip("", "", spots))
