"""Two products side by side: what may be said of their difference, and the sentence that says it.

The difference stands on the shown scale, because people ask "how many points more". Each product's own interval is
lopsided there, and the two share errors (a picture, a sheet, a run); both are kept by joining the intervals' arms:

    low  = d - sqrt(a1^2 - 2 r a1 b2 + b2^2),   high = d + sqrt(a2^2 - 2 r a2 b1 + b1^2)

with d the difference, a1 and a2 the lower and upper arm of the first product, b1 and b2 those of the second, r the
correlation of their errors. Where both are symmetric this is the law of propagation of uncertainty with its
covariance term (JCGM 100:2008, 5.2.2, equation 16).

Source
------
Recovering variance estimates from limits: G. Y. Zou and A. Donner, Statist. Med. 27, 1693 (2008); with correlation:
G. Y. Zou, Psychol. Methods 12, 399 (2007). Both from memory. Widening by the greatest t of all pairs: J. W. Tukey's
method in its form for unequal variances and correlations, estimated by `estimate.max_t`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from fairpanel.findings.rules import interval, number, on_shown_scale
from fairpanel.measured import Measured, combined, covariance_matrix
from fairpanel.methods.contract import Method, Quantity, Result

DIFFERENT, NOT_TOLD_APART, NOT_RECKONED = "different", "not_told_apart", "not_reckoned"

#: What each kind is called. "Equal within the declared margin" takes its place here once margins are declared.
KINDS = {
    DIFFERENT: "Different",
    NOT_TOLD_APART: "Not told apart",
    NOT_RECKONED: "Not reckoned",
}

LEVEL = 0.95

#: Degrees of freedom beyond which Student's t is the normal distribution.
_MANY = 1e6


@dataclass(frozen=True)
class Difference:
    """First product less second, on the shown scale.

    Parameters
    ----------
    value : float
    low, high : float
        95 % interval of this pair alone.
    family_low, family_high : float
        Limits that hold for all pairs of the table together.
    correlation : float
        Of the errors of the two: 0 where they share none. [1]
    """

    value: float
    low: float
    high: float
    family_low: float
    family_high: float
    correlation: float


@dataclass(frozen=True)
class Pair:
    """What may be said of two products: one of KINDS, the sentence, and the difference where there is one."""

    kind: str
    sentence: str
    difference: Difference | None


def pair_of(first: Result, second: Result, method: Method, *, critical: Callable[[float], float], pairs: int) -> Pair:
    """What may be said of two products' difference.

    Different, where the limits that hold for all pairs together leave out zero; else not told apart. Where of one of
    them only a bound is known there is no difference to be reckoned.

    Parameters
    ----------
    first, second : Result
        Of one quantity of one method.
    method : Method
    critical : callable
        Of degrees of freedom: what the greatest |t| among all pairs stays below in 95 % of cases.
    pairs : int
        How many pairs that is.

    Raises
    ------
    ValueError
        The two are of different quantities.
    """
    if (first.method, first.quantity) != (second.method, second.quantity):
        raise ValueError(f"{first.quantity} and {second.quantity} cannot be compared.")
    quantity = method.quantity(first.quantity)
    difference = difference_of(first, second, quantity, critical=critical)
    if difference is None:
        return Pair(NOT_RECKONED, _say_not_reckoned(first, second, quantity), None)
    beyond = difference.family_low > 0 or difference.family_high < 0
    kind = DIFFERENT if beyond else NOT_TOLD_APART
    amount = method.words(first).amount
    say = _say_different if beyond else _say_not_told_apart
    return Pair(kind, say(first.product, second.product, difference, quantity, amount, pairs), difference)


def difference_of(
    first: Result, second: Result, quantity: Quantity, *, critical: Callable[[float], float]
) -> Difference | None:
    """First less second on the shown scale, or None where one of them has no value or no two limits."""
    if first.measured is None or second.measured is None or None in (first.low, first.high, second.low, second.high):
        return None
    dof = min(combined([first.measured, second.measured], [1.0, -1.0]).dof, _MANY)
    r = correlation_of(first.measured, second.measured)
    value = float(quantity.shown(first.measured.value)) - float(quantity.shown(second.measured.value))
    alone = _joined(_arms(first, quantity, _two_sided(dof)), _arms(second, quantity, _two_sided(dof)), r)
    family = max(critical(dof), _two_sided(dof))  # many comparisons never tell more than one alone
    together = _joined(_arms(first, quantity, family), _arms(second, quantity, family), r)
    return Difference(value, value - alone[0], value + alone[1], value - together[0], value + together[1], r)


def correlation_of(first: Measured, second: Measured) -> float:
    """Correlation of two numbers' errors, by what they share. [1]"""
    c = covariance_matrix([first, second])
    both = math.sqrt(c[0, 0] * c[1, 1])
    return max(-1.0, min(1.0, float(c[0, 1]) / both)) if both > 0 else 0.0


def _two_sided(dof: float) -> float:
    from scipy.special import stdtrit  # slow to import: most who import the words of pairs need no numbers

    return float(stdtrit(min(dof, _MANY), 0.5 + LEVEL / 2))


def _arms(result: Result, quantity: Quantity, t: float) -> tuple[float, float]:
    """How far a result's interval reaches down and up on the shown scale, were it drawn at `t`.

    The result's own interval was drawn at Student's t of its own degrees of freedom.
    """
    assert result.measured is not None and result.low is not None and result.high is not None
    value, wider = result.measured.value, t / _two_sided(result.measured.dof)
    ends = (value - (value - result.low) * wider, value + (result.high - value) * wider)
    low, high = sorted(float(quantity.shown(x)) for x in ends)
    middle = float(quantity.shown(value))
    return max(middle - low, 0.0), max(high - middle, 0.0)


def _joined(a: tuple[float, float], b: tuple[float, float], r: float) -> tuple[float, float]:
    """How far the interval of a difference reaches down and up."""
    down = math.sqrt(max(a[0] ** 2 - 2 * r * a[0] * b[1] + b[1] ** 2, 0.0))
    up = math.sqrt(max(a[1] ** 2 - 2 * r * a[1] * b[0] + b[0] ** 2, 0.0))
    return down, up


# ---- words -----------------------------------------------------------------------------------------------------


def points(quantity: Quantity) -> str:
    """Unit of a difference: per cent differ by points."""
    return "points" if quantity.unit == "%" else quantity.unit


def _size(x: float, quantity: Quantity) -> str:
    return f"{number(x, quantity)} {points(quantity)}".strip()


def _say_different(a: str, b: str, d: Difference, q: Quantity, amount: str, pairs: int) -> str:
    more, less, sign = (a, b, 1.0) if d.value > 0 else (b, a, -1.0)
    ends = sorted((sign * d.low, sign * d.high))
    family = sorted((sign * d.family_low, sign * d.family_high))
    return (
        f"{more} and {less} are different: {more} reads {_size(sign * d.value, q)} higher "
        f"({_range(ends, q)}){_of(amount)}.{_family_words(family, q, pairs)}"
    )


def _say_not_told_apart(a: str, b: str, d: Difference, q: Quantity, amount: str, pairs: int) -> str:
    most = max(abs(d.family_low), abs(d.family_high))
    return (
        f"{a} and {b} are not told apart: {a} less {b} is {_size(d.value, q)} ({_range((d.low, d.high), q)})"
        f"{_of(amount)}.{_family_words((d.family_low, d.family_high), q, pairs)} They may be equal; they may differ by "
        f"up to {_size(most, q)}."
    )


def _of(amount: str) -> str:
    return f", {amount}" if amount else ""


def _range(ends: tuple[float, float] | list[float], q: Quantity) -> str:
    return f"{number(ends[0], q)} to {number(ends[1], q)}"


def _family_words(ends: tuple[float, float] | list[float], q: Quantity, pairs: int) -> str:
    return f" With all {pairs:,} pairs looked at together: {_range(ends, q)}." if pairs > 1 else ""


def _say_not_reckoned(first: Result, second: Result, q: Quantity) -> str:
    s = [on_shown_scale(r, q) for r in (first, second)]
    told = "; ".join(
        f"{r.product}: {interval(x, q) if x.value is not None or x.low is not None or x.high is not None else 'open'}"
        for r, x in zip((first, second), s, strict=True)
    )
    apart = any(
        upper is not None and lower is not None and upper < lower
        for upper, lower in ((s[0].high, s[1].low), (s[1].high, s[0].low))
    )
    tail = " Their intervals do not meet." if apart else ""
    return f"No difference can be reckoned, since one of the two has only a bound. {told}.{tail}"
