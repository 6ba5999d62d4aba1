"""The old scores of one table, judged together: which stand above luck, which order is noise, what to test again."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fairpanel.methods.uv_strip.ladder.eye import TRIED, Eye, chances_by_glass, glasses, interval
from fairpanel.methods.uv_strip.ladder.luck import RARE, Luck, best_by_luck, order_by_luck
from fairpanel.methods.uv_strip.ladder.rungs import Ladder, nominal_interval

ABOVE, IF_GLASS, WITHIN = "above luck", "above luck if the steps lay under glass", "within luck"
STANDS, ALONE, NOISE = "stands", "stands for a pair named beforehand", "noise"

#: Standard uncertainty of a new reading: one strip with steps in its picture at the useful exposure. Estimate. [points]
NEW_READING = 1.5


@dataclass(frozen=True)
class Scored:
    """One old score, as grades of the ladder; `first` blocks less."""

    product: str
    score: str
    first: int
    last: int
    date: str = ""
    note: str = ""
    line: int = 0


@dataclass(frozen=True)
class Range:
    """What one score says, with the steps under glass or not.

    Parameters
    ----------
    under_glass : bool
    nominal_low, nominal_high : float or None
        By itself: to half-way to the neighbouring grades. [%]
    low, high : float or None
        95 %, with the spread of eye, paper, place, lamp and glass. None: open on that side. [%]
    by_luck : float
        Chance that the best of as many strips under products that block nothing is scored as high. [1]
    """

    under_glass: bool
    nominal_low: float | None
    nominal_high: float | None
    low: float | None
    high: float | None
    by_luck: float


@dataclass(frozen=True)
class JudgedScore:
    """One old score with what it says, each way the steps may have lain, and whether it stands above luck."""

    scored: Scored
    ranges: tuple[Range, ...]
    verdict: str


@dataclass(frozen=True)
class Order:
    """Two scores of which one was given to products said to block more than those of the other.

    Parameters
    ----------
    higher, lower : str
        The scores.
    pairs : int
        Pairs of different products that have them.
    pair_by_luck, any_by_luck : float
        Chance that a given pair of alike products comes out this far apart, and that any pair of as many alike products
        as the table has does. [1]
    verdict : str
    """

    higher: str
    lower: str
    pairs: int
    pair_by_luck: float
    any_by_luck: float
    verdict: str


@dataclass(frozen=True)
class Again:
    """A product to test again.

    Parameters
    ----------
    open_points, new_points : float
        Effective width of what its old scores leave open, and of what one new reading would. [points]
    noisy_orders : int
        Products from which its old score sets it apart by no more than noise.
    reason : str
    """

    product: str
    open_points: float
    new_points: float
    noisy_orders: int
    reason: str


@dataclass(frozen=True)
class Judged:
    """All that may be said of the old scores of one table."""

    ladder: Ladder
    eye: Eye
    luck: tuple[Luck, ...]
    scores: tuple[JudgedScore, ...]
    orders: tuple[Order, ...]
    again: tuple[Again, ...]


def judge(scores: Sequence[Scored], ladder: Ladder, eye: Eye | None = None) -> Judged:
    """Judge the scores given with one ladder, at one exposure.

    Parameters
    ----------
    scores : sequence of n Scored
        In the table's order, which is kept.
    ladder : Ladder
    eye : Eye or None
        What is assumed; the starting values, with the paper's half-way exposure as the ladder gives it, if None.

    Raises
    ------
    ValueError
        No scores.
    """
    if not scores:
        raise ValueError("there are no scores to judge")
    eye = (eye or Eye()).told(ladder)
    chances = {g: chances_by_glass(ladder, TRIED, under_glass=g, eye=eye) for g in ladder.readings}
    luck = tuple(best_by_luck(ladder, c[:, 0], strips=len(scores), under_glass=g, eye=eye) for g, c in chances.items())
    judged = tuple(_judged(s, ladder, eye, chances, luck) for s in scores)
    orders = _orders(scores, ladder, eye, chances)
    return Judged(ladder, eye, luck, judged, orders, _again(judged, orders, eye, chances))


def _judged(s: Scored, ladder: Ladder, eye: Eye, chances: dict[bool, np.ndarray], luck: Sequence[Luck]) -> JudgedScore:
    ranges = []
    for one in luck:
        under = one.under_glass
        passes = 1.0 if under else math.exp(eye.ln_glass)
        mixed = _over_glasses(chances[under], eye, under_glass=under)
        ranges.append(
            Range(
                under,
                *nominal_interval(ladder, s.first, s.last, passes=passes),
                *interval(mixed, s.first, s.last),
                float(one.reached[s.first]),
            )
        )
    stand = [r.by_luck < RARE for r in ranges]
    return JudgedScore(s, tuple(ranges), ABOVE if all(stand) else IF_GLASS if any(stand) else WITHIN)


def _over_glasses(chances: np.ndarray, eye: Eye, *, under_glass: bool) -> np.ndarray:
    """(b, k) chances, the kinds of glass weighed."""
    _, weights = glasses(eye, under_glass=under_glass)
    return np.einsum("m,mbk->bk", weights, chances)


# ---- order -----------------------------------------------------------------------------------------------------


def _orders(scores: Sequence[Scored], ladder: Ladder, eye: Eye, chances: dict[bool, np.ndarray]) -> tuple[Order, ...]:
    """Every two scores that say one product blocks more; ranges that overlap say nothing."""
    products: dict[tuple[int, int], list[str]] = defaultdict(list)
    printed: dict[tuple[int, int], str] = {}
    for s in scores:
        products[s.first, s.last].append(s.product)
        printed.setdefault((s.first, s.last), s.score)
    orders = []
    for high in sorted(products, reverse=True):
        for low in sorted(products, reverse=True):
            pairs = sum(a != b for a in products[high] for b in products[low])
            if high[0] <= low[1] or not pairs:
                continue
            pair, of_all = (
                max(order_by_luck(c, high[0], low[1], strips=n, under_glass=g, eye=eye) for g, c in chances.items())
                for n in (2, max(len(scores), 2))
            )
            verdict = STANDS if of_all < RARE else ALONE if pair < RARE else NOISE
            orders.append(Order(printed[high], printed[low], pairs, pair, of_all, verdict))
    return tuple(orders)


# ---- what to test again ------------------------------------------------------------------------------------------


def _again(
    judged: Sequence[JudgedScore], orders: Sequence[Order], eye: Eye, chances: dict[bool, np.ndarray]
) -> tuple[Again, ...]:
    """Products by how much a new reading would tell.

    First those said to block more than nothing where luck does as well, for there a reader may be misled; then those
    whose place among the others is noise; then the rest. Within these, by how many times one new reading narrows what
    is open.
    """
    noise = {(o.higher, o.lower) for o in orders if o.verdict != STANDS}
    by_product: dict[str, list[JudgedScore]] = defaultdict(list)
    for j in judged:
        by_product[j.scored.product].append(j)
    new = _width_of_normal(NEW_READING)
    ranked = []
    for product, own in by_product.items():
        others = [j for j in judged if j.scored.product != product]
        doubted = _noisy(own, others, noise)
        claimed = [j for j in own if j.verdict != ABOVE and j.scored.first > 0]
        left = max(_left_open(own, eye, chances), new)
        group = 0 if claimed else 1 if doubted else 2
        ranked.append(
            (
                (group, -left),
                Again(
                    product,
                    left,
                    new,
                    doubted,
                    _reason(own, claimed, strips=len(judged), doubted=doubted, left=left, new=new),
                ),
            )
        )
    return tuple(again for _, again in sorted(ranked, key=lambda x: x[0]))


def _noisy(own: Sequence[JudgedScore], others: Sequence[JudgedScore], noise: set[tuple[str, str]]) -> int:
    """Products from which only noise sets this one apart, in some pair of their scores."""
    return len(
        {
            o.scored.product
            for j in own
            for o in others
            if {(j.scored.score, o.scored.score), (o.scored.score, j.scored.score)} & noise
        }
    )


def _left_open(own: Sequence[JudgedScore], eye: Eye, chances: dict[bool, np.ndarray]) -> float:
    """Effective width of what the scores of a product leave open between 0 and 100 %, every value counting alike.

    exp of the entropy of the likelihood: of a flat one it is its width. It serves the ranking alone. [points]
    """
    likelihood = np.zeros(len(TRIED))
    for under, c in chances.items():
        mixed = _over_glasses(c, eye, under_glass=under)
        each = [mixed[:, j.scored.first : j.scored.last + 1].sum(axis=1) for j in own]
        likelihood += np.prod(each, axis=0)
    share = likelihood / likelihood.sum()
    step = TRIED[1] - TRIED[0]
    return float(step * np.exp(-np.sum(share[share > 0] * np.log(share[share > 0]))))


def _width_of_normal(sd: float) -> float:
    """The same width of a normal distribution: exp of its entropy."""
    return sd * math.sqrt(2 * math.pi * math.e)


def _reason(
    own: Sequence[JudgedScore], claimed: Sequence[JudgedScore], *, strips: int, doubted: int, left: float, new: float
) -> str:
    parts = []
    if claimed:
        j = min(claimed, key=lambda j: max(r.by_luck for r in j.ranges))
        chance = max(r.by_luck for r in j.ranges)
        parts.append(
            f"scored {j.scored.score}; luck alone takes the best of {strips} as far in {percent(chance)} of tables"
        )
    else:
        given = list(dict.fromkeys(j.scored.score for j in own))
        above = all(j.verdict == ABOVE for j in own)
        parts.append(f"scored {' and '.join(given)}, {'above luck' if above else 'which claims nothing'}")
    if doubted:
        what = "product" if doubted == 1 else "products"
        parts.append(f"its order against {doubted} {what} is noise")
    parts.append(f"one new reading narrows about {left:.0f} points to about {new:.0f}")
    return "; ".join(parts)


def percent(chance: float) -> str:
    """A chance in whole percent, never 0 or 100 where it is neither.

    >>> percent(0.34), percent(0.002), percent(0.9999)
    ('34 %', 'under 1 %', 'over 99 %')
    """
    if chance < 0.01:
        return "under 1 %"
    return "over 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"
