"""Blocking on its two scales, and the words for it."""

from __future__ import annotations

from typing import Any

import numpy as np

from fairpanel.methods.contract import Quantity, Result, Words
from fairpanel.methods.uv_strip import starting_values as taken


def blocked(ln_transmission: Any) -> Any:
    """Blocked UV from ln(transmission). [%]

    >>> round(float(blocked(np.log(0.84))), 6)
    16.0
    """
    return 100 * (1 - np.exp(ln_transmission))


def ln_transmission(blocked_percent: Any) -> Any:
    """The way back; -inf at 100 %."""
    with np.errstate(divide="ignore"):
        return np.log(1 - np.asarray(blocked_percent, float) / 100)


def film_spread(ln_t: float) -> float:
    """Standard deviation between plates of a product: film mass moves absorbance in proportion (Beer-Lambert)."""
    return taken.FILM * abs(ln_t)


BLOCKED = Quantity(
    "blocked",
    "%",
    scale="log",
    better="higher",
    decimals=1,
    shown=blocked,
    natural=ln_transmission,
    blank=0.0,
    between=film_spread,
    ends=(None, 100.0),
)


#: Stands on everything that is published of these numbers.
STATEMENT = (
    "Measured on glass, for paint. Says nothing about skin or sunscreen. Weighted as this paper sees the named lamp, "
    "not as sunlight, an eye or a UV meter would weigh it."
)


def words(result: Result) -> Words:
    """Noun phrases for sentences about blocking."""
    return Words(
        does="blocks UV",
        amount="of the lamp's paper-weighted UV",
        none_found="no blocking found",
        conditions="paper-weighted, this lamp, through the plate's own kind of glass; measured for paint, never skin",
    )
