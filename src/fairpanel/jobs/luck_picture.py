"""From judged old scores to the picture of them: what luck alone gives, and which scores stand above it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence

from fairpanel.methods.uv_strip.ladder.judging import ABOVE, IF_GLASS, WITHIN, Judged, JudgedScore, Range, percent
from fairpanel.methods.uv_strip.ladder.luck import Luck
from fairpanel.methods.uv_strip.ladder.rungs import YES, blocked_at
from fairpanel.methods.uv_strip.ladder.words import VERDICTS, how_lain, range_in_words
from fairpanel.publication.luck import LuckAlone, LuckPicture, OnLadder, Verdict, chances_of_best

_MEANS = {
    ABOVE: "Higher than luck alone takes the best of all these strips.",
    IF_GLASS: "Luck alone gets as far if the steps lay without glass, and nobody knows whether they did.",
    WITHIN: "Luck alone may have given these. They do not show that there is something, nor that there is nothing.",
}


def luck_picture(judged: Judged, *, called: Callable[[str], str] = str, left_out: Collection[str] = ()) -> LuckPicture:
    """The picture of one table of old scores.

    Parameters
    ----------
    judged : Judged
    called : callable
        Gives the name under which a product may be shown.
    left_out : collection of str
        Products that are not shown. Luck had their strips to choose from all the same.
    """
    ladder = judged.ladder
    grade_seconds = ladder.grade_seconds if ladder.glass == YES else ()
    amounts = [f"{blocked_at(s, exposed_s=ladder.exposed_s):.0f} %".replace("-", "−") for s in grade_seconds]
    shown = [j for j in judged.scores if j.scored.product not in left_out]
    return LuckPicture(
        tuple((f"{score:g}", amounts[i] if amounts else "") for i, score in enumerate(ladder.grades)),
        tuple(_luck(one, judged) for one in judged.luck),
        tuple(
            Verdict(heading, _MEANS[verdict], verdict != ABOVE, tuple(_placed(j, called) for j in own))
            for verdict, heading in VERDICTS.items()
            if (own := sorted((j for j in shown if j.verdict == verdict), key=_order))
        ),
        len(judged.scores),
        tuple((called(a.product), a.reason) for a in judged.again if a.product not in left_out),
    )


def says_of(ranges: Sequence[Range]) -> tuple[str, ...]:
    """What a score says of the amount, once for each way the steps may have lain.

    >>> says_of([Range(True, None, 37.5, None, 54.6, 1.0), Range(False, None, 20.0, None, 45.9, 1.0)])
    ('at most 55 % blocked, had the steps lain under glass', 'at most 46 % without')
    """
    said = [range_in_words(r.low, r.high) for r in ranges]
    if len(said) == 1:
        return (f"{said[0]} blocked",)
    first, second = (how_lain(r.under_glass) for r in ranges)
    return f"{said[0]} blocked, had the steps lain {first}", f"{said[1]} {second.removesuffix(' glass')}"


def _luck(one: Luck, judged: Judged) -> LuckAlone:
    best = chances_of_best([float(c) for c in one.reached])
    return LuckAlone(
        how_lain(one.under_glass),
        best,
        tuple(percent(c) for c in best),
        judged.ladder.grades.index(one.seldom_above) + 1,
        f"typically {one.typical:g}, seldom better than {one.seldom_above:g}",
    )


def _placed(j: JudgedScore, called: Callable[[str], str]) -> OnLadder:
    s = j.scored
    return OnLadder(called(s.product), s.score, s.date, s.first, s.last, says_of(j.ranges))


def _order(j: JudgedScore) -> tuple[int, int, str]:
    """The higher first; those scored alike by name."""
    return -j.scored.first, -j.scored.last, j.scored.product.casefold()
