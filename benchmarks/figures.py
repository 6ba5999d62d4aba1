"""Figures of merit of made campaigns, each with its standard error between campaigns."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks.made_and_read import ProductSeen, Seen, StripSeen
from fairpanel.findings.rules import SHOWN

BANDS = ((0, 10), (10, 30), (30, 60), (60, 90), (90, 98))
LEVEL_Z = 1.96


@dataclass(frozen=True)
class Figure:
    """A number, its standard error, and how many strips, products or campaigns it comes from."""

    value: float
    error: float
    n: int


def strips_of(
    campaigns: Sequence[Seen], *, undoubted: bool = False, band: tuple[float, float] = (-100, 101)
) -> list[list[StripSeen]]:
    """Strips that were read, campaign by campaign, with their true blocking in a band."""
    return [
        [s for s in c.strips if not s.refused and band[0] <= s.true < band[1] and not (undoubted and s.doubts)]
        for c in campaigns
    ]


def figure(groups: Sequence[Sequence], of: Callable[[list], float], count: int | None = None) -> Figure:
    """A statistic of all items with its standard error by leaving out one campaign after another (jackknife)."""
    filled = [list(g) for g in groups if len(g)]
    items = [x for g in filled for x in g]
    if not items:
        return Figure(np.nan, np.nan, 0)
    value = of(items)
    k = len(filled)
    if k < 3:
        return Figure(value, np.nan, len(items) if count is None else count)
    out = [of([x for j, g in enumerate(filled) if j != i for x in g]) for i in range(k)]
    error = float(np.sqrt((k - 1) / k * np.sum((np.array(out) - np.mean(out)) ** 2)))
    return Figure(value, error, len(items) if count is None else count)


def errors(strips: Sequence[StripSeen | ProductSeen]) -> np.ndarray:
    """Read minus true where there is a value. [points]"""
    return np.array([s.value - s.true for s in strips if s.value is not None])


def rmse(strips: Sequence[StripSeen | ProductSeen]) -> float:
    """Root mean square error. [points]"""
    e = errors(strips)
    return float(np.sqrt(np.mean(e**2))) if len(e) else np.nan


def bias(strips: Sequence[StripSeen | ProductSeen]) -> float:
    """Mean error. [points]"""
    e = errors(strips)
    return float(e.mean()) if len(e) else np.nan


def covered(strips: Sequence[StripSeen | ProductSeen]) -> float:
    """Share whose truth lies in the stated interval; an open side covers everything beyond. [%]"""
    hit = [(s.low is None or s.low <= s.true) and (s.high is None or s.true <= s.high) for s in strips]
    return 100 * float(np.mean(hit)) if hit else np.nan


def width_ratio(strips: Sequence[StripSeen]) -> float:
    """Median width of the closed intervals over 3.92 RMSE: 1 where they are just as wide as they should be. [1]"""
    widths = [s.high - s.low for s in strips if s.high is not None and s.low is not None]
    return float(np.median(widths) / (2 * LEVEL_Z * rmse(strips))) if len(widths) > 3 else np.nan


def width(strips: Sequence[StripSeen]) -> float:
    """Median width of the closed intervals. [points]"""
    widths = [s.high - s.low for s in strips if s.high is not None and s.low is not None]
    return float(np.median(widths)) if widths else np.nan


def share(test: Callable[[StripSeen], bool]) -> Callable[[Sequence[StripSeen]], float]:
    """Share of items of which something holds. [%]"""
    return lambda items: 100 * float(np.mean([test(x) for x in items]))


def refused(s: StripSeen) -> bool:
    """Not read, though wholly in the picture."""
    return s.refused and not s.cut_off


def far_off(s: StripSeen) -> bool:
    """Off by more than 10 points without a doubt; a bound counts by the known end it sets wrongly."""
    if s.refused or s.doubts:
        return False
    if s.value is not None:
        return abs(s.value - s.true) > 10
    return (s.low is not None and s.low > s.true + 10) or (s.high is not None and s.high < s.true - 10)


def any_shown(c: Seen) -> bool:
    """At least one product of the campaign was shown."""
    return any(p.finding == SHOWN for p in c.products)


# ---- detection limits ------------------------------------------------------------------------------------------


def products_in(campaigns: Sequence[Seen]) -> list[ProductSeen]:
    """All products."""
    return [p for c in campaigns for p in c.products]


def strips_in(campaigns: Sequence[Seen]) -> list[StripSeen]:
    """All strips that were read."""
    return [s for group in strips_of(campaigns) for s in group]


def simulated_limits(items: Sequence[ProductSeen | StripSeen]) -> tuple[float, float]:
    """Decision and detection limit by their definition, from made products or strips of known blocking. [%]

    The decision limit is the 95th percentile of what is read where nothing blocks; the detection limit the least true
    value read above it in 95 % of cases. Both percentiles come from mean and standard deviation (normal errors), the
    spread between the two made levels in a straight line.
    """
    none = errors([x for x in items if abs(x.true) < 1e-9])
    weak = [x for x in items if abs(x.true) >= 1e-9]
    some = errors(weak)
    if len(none) < 10 or len(some) < 10:
        return np.nan, np.nan
    level = float(np.mean([x.true for x in weak]))
    decision = none.mean() + 1.645 * none.std(ddof=1)
    x = np.linspace(0, 4 * level, 4001)
    part = np.minimum(x / level, 2.0)
    mean = none.mean() + part * (some.mean() - none.mean())
    sd = none.std(ddof=1) + part * (some.std(ddof=1) - none.std(ddof=1))
    above = x + mean - 1.645 * np.maximum(sd, 0) > decision
    return float(decision), float(x[np.argmax(above)]) if above.any() else np.nan


def stated_limit(items: Sequence[ProductSeen | StripSeen]) -> float:
    """Median of the detection limits that were stated. [%]"""
    stated = [x.detection for x in items if x.detection is not None]
    return float(np.median(stated)) if stated else np.nan
