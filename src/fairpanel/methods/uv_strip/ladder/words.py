"""Old scores in words: the same on the terminal, on a page and in a file."""

from __future__ import annotations

import numpy as np

from fairpanel.methods.uv_strip.ladder.eye import Eye
from fairpanel.methods.uv_strip.ladder.judging import ABOVE, ALONE, IF_GLASS, NOISE, STANDS, WITHIN, percent
from fairpanel.methods.uv_strip.ladder.luck import Luck
from fairpanel.methods.uv_strip.ladder.rungs import Ladder

#: Said wherever old scores are shown.
STATEMENT = (
    "Old scores, given by eye beside a ladder of steps. A score is a range of blocked UV, not a number; old scores are "
    "never pooled with what is read from pictures."
)

#: Headings of the verdicts on scores, in the order in which they are shown.
VERDICTS = {ABOVE: "Above luck", IF_GLASS: "Above luck only if the steps lay under glass", WITHIN: "Within luck"}

#: Headings of the verdicts on order.
ORDERS = {
    STANDS: "Order that stands",
    ALONE: "Order that stands only for a pair named before the scores were seen",
    NOISE: "Order that is noise",
}


def how_lain(under_glass: bool) -> str:
    """How the steps are taken to have lain."""
    return "under glass" if under_glass else "without glass"


def ladder_in_words(ladder: Ladder) -> str:
    """The ladder and how it was used, on one line.

    >>> ladder_in_words(Ladder((0, 1, 2), (120, 60, 0), 120, "yes", half_scores=False))
    '0 = 2 min, 1 = 1 min, 2 = 0 min; no half scores; strips exposed 2 min; steps under glass: yes'
    """
    rungs = ", ".join(f"{s:g} = {t / 60:g} min" for s, t in zip(ladder.scores, ladder.seconds, strict=True))
    half = "with half scores" if ladder.half_scores else "no half scores"
    return f"{rungs}; {half}; strips exposed {ladder.exposed_s / 60:g} min; steps under glass: {ladder.glass}"


def luck_in_words(luck: Luck, ladder: Ladder) -> str:
    """What the best of as many strips gets where nothing blocks anything."""
    reached = [
        f"{s:g} or better in {percent(c)} of tables"
        for s, c in zip(ladder.grades, luck.reached, strict=True)
        if 0.01 <= c <= 0.99
    ]
    tail = f" ({'; '.join(reached)})" if reached else ""
    strips = "one strip under a product that blocks nothing" if luck.strips == 1 else (
        f"of {luck.strips} strips under products that block nothing the best"
    )  # fmt: skip
    return (
        f"Luck alone, steps {how_lain(luck.under_glass)}: {strips} typically scores {luck.typical:g}, "
        f"seldom better than {luck.seldom_above:g}{tail}."
    )


def range_in_words(low: float | None, high: float | None) -> str:
    """A range of blocked UV.

    >>> range_in_words(None, 34.6), range_in_words(59.5, 86.8), range_in_words(90.5, None)
    ('at most 35 %', '60 to 87 %', 'at least 90 %')
    """
    if low is None and high is None:
        return "anything"
    if low is None:
        return f"at most {high:.0f} %"
    return f"at least {low:.0f} %" if high is None else f"{low:.0f} to {high:.0f} %"


def assumed_in_words(eye: Eye) -> str:
    """What was taken for paper, bench and eye, on one line."""
    return (
        f"paper half-way at {eye.halfway_s:.0f} s under glass; dose of a strip uncertain by {100 * eye.dose:.0f} %, "
        f"the eye by {100 * eye.eye:.0f} % of the paper's range; glass takes {100 * (1 - np.exp(eye.ln_glass)):.0f} %. "
        "Estimates, no published source."
    )
