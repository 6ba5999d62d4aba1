"""What is never published: sunscreens serve as method controls, and say nothing about vehicles."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

_KINDS = re.compile(r"sun(screen|cream|block|lotion)|\bspf\b")


def is_method_control(kind: str | None) -> bool:
    """Whether a product of this kind is a method control only.

    >>> [is_method_control(k) for k in ("Sun screen", "sunscreen, SPF 50", "paste wax", "sealant sold for sun", None)]
    [True, True, False, False, False]
    """
    text = (kind or "").casefold()
    return bool(_KINDS.search(re.sub(r"[^\w]+", "", text)) or _KINDS.search(text))


@dataclass(frozen=True)
class Withheld:
    """Products that are not published, and the strips that lay under them, as (picture, strip)."""

    products: frozenset[str]
    strips: frozenset[tuple[str, str]]


def withheld(rows: Iterable[tuple[str | None, str | None, str | None, str | None]]) -> Withheld:
    """What is left out of a publication.

    Parameters
    ----------
    rows : iterable of (product, kind, picture, strip)
        One row that calls a product a sunscreen is enough.
    """
    rows = list(rows)
    products = frozenset(product for product, kind, _, _ in rows if product and is_method_control(kind))
    strips = frozenset((picture or "", strip or "") for product, _, picture, strip in rows if product in products)
    return Withheld(products, strips)
