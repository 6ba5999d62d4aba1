"""Old eye scores beside what luck alone gives: one picture for the published page and for the bench page.

A row is a score, a column a place on the ladder. What luck alone reaches is shaded through all rows; a score in the
shade says nothing about its product. The template `luck.html` draws it, sharp at any width and without script.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise


@dataclass(frozen=True)
class LuckAlone:
    """What the best of all strips gets where nothing blocks anything, steps having lain one way.

    Parameters
    ----------
    lain : str
        How the steps are taken to have lain ("under glass").
    best : tuple of float
        Chance, for each column, that the best strip is scored just there. They add to 1. [1]
    chances : tuple of str
        The same in words ("34 %").
    reaches : int
        Columns that luck reaches, from the first: the best strip stays among them in 95 of 100 tables.
    says : str
        Typical and seldom exceeded score, in short.
    """

    lain: str
    best: tuple[float, ...]
    chances: tuple[str, ...]
    reaches: int
    says: str


@dataclass(frozen=True)
class OnLadder:
    """One old score in its place.

    Parameters
    ----------
    product, score, date : str
        As typed.
    first, last : int
        Columns of its lower and upper end; alike unless the score is a range.
    says : tuple of str
        What it says of the amount, once for each way the steps may have lain.
    """

    product: str
    score: str
    date: str
    first: int
    last: int
    says: tuple[str, ...]


@dataclass(frozen=True)
class Verdict:
    """Scores of which the same may be said.

    Parameters
    ----------
    heading, means : str
    hollow : bool
        Drawn as rings: luck alone may have given them.
    scores : tuple of OnLadder
    """

    heading: str
    means: str
    hollow: bool
    scores: tuple[OnLadder, ...]


@dataclass(frozen=True)
class LuckPicture:
    """The whole picture.

    Parameters
    ----------
    columns : tuple of (score, amount)
        Places on the ladder, from nothing blocked to all; the amount is empty where it depends on how the steps lay.
    luck : tuple of LuckAlone
        One, or two where it is not known how the steps lay.
    verdicts : tuple of Verdict
    strips : int
        Scores the best of which luck is asked for.
    again : tuple of (product, reason)
        What to test again, the most useful first.
    """

    columns: tuple[tuple[str, str], ...]
    luck: tuple[LuckAlone, ...]
    verdicts: tuple[Verdict, ...]
    strips: int
    again: tuple[tuple[str, str], ...] = ()

    def left(self, column: int) -> float:
        """Left edge of a column, or the right edge of the one before it. [% of the width]

        >>> LuckPicture((("0", ""), ("1", ""), ("2", ""), ("3", "")), (), (), 3).left(1)
        25.0
        """
        return round(100 * column / len(self.columns), 3)

    def middle(self, column: int) -> float:
        """Middle of a column. [% of the width]"""
        return round(100 * (column + 0.5) / len(self.columns), 3)

    @property
    def width(self) -> float:
        """Width of a column. [% of the whole]"""
        return round(100 / len(self.columns), 3)

    @property
    def shades(self) -> tuple[tuple[float, float], ...]:
        """From where to where each depth of shade goes; the second only where it is not known how the steps lay. [%]"""
        ends = sorted({0, *(one.reaches for one in self.luck)})
        return tuple((self.left(a), round(self.left(b) - self.left(a), 3)) for a, b in pairwise(ends))

    def told(self, one: LuckAlone) -> str:
        """What the columns of luck alone show, for those who do not see them."""
        at = [f"{score} in {chance}" for (score, _), chance in zip(self.columns, one.chances, strict=True)]
        return f"Luck alone, steps {one.lain}: of all tables the best strip is scored {', '.join(at)}"

    @property
    def sentence(self) -> str:
        """What the shade says, for somebody who sees the picture for the first time."""
        if len(self.luck) == 2 and len(self.shades) == 2:
            how = (
                "Dark shade: so far whether the steps lay under glass or not. Light shade: only one of the two, and it "
                "is not known which. "
            )
        else:
            how = ""
        best = "one strip" if self.strips == 1 else f"the best of {self.strips} strips"
        return (
            f"Shaded: how far luck alone gets. Were there nothing on any plate, {best} would still be scored in the "
            f"shade in 19 of 20 tables like this one. {how}A score in the shade says nothing about its product; a "
            "range of scores counts by its lower end."
        )


def chances_of_best(reached: Sequence[float]) -> tuple[float, ...]:
    """Chance that the best strip stands just at each place, from the chance that it stands there or higher. [1]

    >>> [round(c, 6) for c in chances_of_best([1.0, 0.75, 0.25, 0.0])]
    [0.25, 0.5, 0.25, 0.0]
    """
    return tuple(a - b for a, b in zip(reached, [*reached[1:], 0.0], strict=True))
