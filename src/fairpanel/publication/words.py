"""The words of the page that belong to no method: what findings and limits mean, days, counts."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from fairpanel.findings.rules import AT_LEAST, AT_MOST, NOT_DETECTED, NOT_READ, SHOWN, UNDECIDED

#: One line under each heading.
MEANS = {
    SHOWN: "Stands above nothing, by the limits that hold for all products here together.",
    AT_LEAST: "More than can be measured like this: only a lower bound is given.",
    UNDECIDED: "There may be something; these plates cannot tell.",
    AT_MOST: "Less than can be measured like this: only an upper bound is given.",
    NOT_DETECTED: "At or below the smallest amount we call real. This does not prove that there is nothing: the upper "
    "bound says how much there may be.",
    NOT_READ: "Nothing could be read; what was refused, and why, stands further down.",
}

HOW_TO_READ = (
    "Products stand by what can be said of them and then by name: this is no ranking. Where two intervals overlap, the "
    "products may well be equal."
)

LIMITS = (
    (
        "Value and interval",
        "The dot is the value. The thick bar is the 95 % interval: in the long run 19 of 20 such bars hold the true "
        "value. The thin line holds for all products of the page at once; a product counts as shown only where it "
        "stays clear of nothing. An arrow: it goes on from there.",
    ),
    (
        "The smallest amount we call real",
        "95 of 100 tests of a plate without any effect would read below it (the decision limit). What reads at or "
        "below it may be luck.",
    ),
    (
        "The smallest we would rarely miss",
        "Were this the true amount, 95 of 100 such tests would read above the smallest amount we call real (the "
        "detection limit).",
    ),
    (
        "Plates",
        "Independently prepared plates are the replicates. One plate read several times does not count as more. A "
        "product with one plate is preliminary.",
    ),
    (
        "Doubts and advice",
        "A doubt says that a number may be wrong, and why; the number stays in the result. Advice says what would make "
        "the next test sharper.",
    ),
)

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


def day(d: date) -> str:
    """“3 March 2026”."""
    return f"{d.day} {_MONTHS[d.month - 1]} {d.year}"


def days(span: Sequence[date]) -> str:
    """First and last day, without saying anything twice.

    >>> days([date(2026, 2, 2), date(2026, 6, 11)])
    '2 February to 11 June 2026'
    """
    first, last = span[0], span[-1]
    if first == last:
        return day(first)
    start = day(first)
    if first.year == last.year:
        start = f"{first.day}" if first.month == last.month else f"{first.day} {_MONTHS[first.month - 1]}"
    return f"{start} to {day(last)}"


def listed(names: Sequence[str]) -> str:
    """“A, B and C”."""
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)


def count(n: int, one: str, many: str = "") -> str:
    """“1 plate”, “3 plates”."""
    return f"{n} {one if n == 1 else many or one + 's'}"
