"""Results of products from readings, for any method: replicates, shared errors, limits that hold together.

Specimens are the replicates; several readings of one specimen are averaged first. How much specimens of a product
differ is a standard deviation the quantity starts from, times a factor that the campaign's own replicates estimate,
plus an excess common to all specimens (what the method's own error components leave out).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import stdtrit

from fairpanel.estimate.max_t import greatest_t
from fairpanel.measured import Component, Measured, combined, covariance_matrix
from fairpanel.methods.contract import Context, Method, Quantity, Reading, Result

LEVEL = 0.95

#: Firmness, in degrees of freedom, with which the starting spread between specimens is held.
BETWEEN_DOF = 8.0

_FACTORS = np.geomspace(0.25, 4.0, 25)
_EXCESS = np.concatenate([[0.0], np.geomspace(0.15, 6.0, 20)])


def results(readings: Sequence[Reading], method: Method, context: Context) -> list[Result]:
    """One result for each product and quantity.

    Parameters
    ----------
    readings : sequence of Reading
    method : Method
    context : Context

    Returns
    -------
    list of Result
        Products in order of first mention.
    """
    found: list[Result] = []
    for quantity in method.quantities:
        own = [i for i, r in enumerate(readings) if r.quantity == quantity.name]
        by_product: dict[str, list[int]] = defaultdict(list)
        for i in own:
            by_product[readings[i].product].append(i)
        spread = between_specimens([[readings[i] for i in rows] for rows in by_product.values()], quantity)
        single = [
            _result(name, rows, [readings[i] for i in rows], method, quantity, spread)
            for name, rows in by_product.items()
        ]
        found += _together(single, quantity, context)
    return found


# ---- between specimens -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Between:
    """Spread between specimens: `factor` times the quantity's own start, and `excess` added; with its dof."""

    factor: float
    excess: float
    dof: float

    def sd(self, quantity: Quantity, value: float) -> float:
        """Standard deviation between specimens of a product, on the natural scale."""
        return math.hypot(self.factor * quantity.between(value), self.excess)


def between_specimens(products: Sequence[Sequence[Reading]], quantity: Quantity) -> Between:
    """How much specimens of one product differ, from all products with replicates together.

    A grid of factors and excesses, weighted by the likelihood of the replicates' deviations and by a prior around the
    start (factor 1, no excess) that is worth `BETWEEN_DOF` degrees of freedom. Restricted likelihood: each product's
    own mean costs one degree of freedom. A product with a specimen that stands apart tells nothing of the others.
    """
    samples = [s for s in (_specimens(p) for p in products) if len(s) > 1 and not _one_apart(s, quantity)]
    if not samples:
        return Between(1.0, 0.0, BETWEEN_DOF)  # nothing of this campaign's own: the starting values stand
    values = [np.array([m.value for m in s]) for s in samples]
    own = [_variances(s) for s in samples]
    typical = float(np.sqrt(np.median(np.concatenate(own))))
    factor, excess = np.meshgrid(_FACTORS, _EXCESS * typical, indexing="ij")
    score = -0.25 * BETWEEN_DOF * np.log(factor) ** 2 - 0.5 * (excess / (0.7 * typical)) ** 2
    for x, v in zip(values, own, strict=True):
        start = quantity.between(float(np.average(x, weights=1 / v)))
        total = v[:, None, None] + (factor * start) ** 2 + excess**2
        w = 1 / total
        mean = (w * x[:, None, None]).sum(axis=0) / w.sum(axis=0)
        misfit = (w * (x[:, None, None] - mean) ** 2).sum(axis=0)
        score = score - 0.5 * (np.log(total).sum(axis=0) + np.log(w.sum(axis=0)) + misfit)
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    free = sum(len(x) - 1 for x in values)
    return Between(
        float(np.sqrt((weight * factor**2).sum())), float(np.sqrt((weight * excess**2).sum())), BETWEEN_DOF + free
    )


def _variances(specimens: Sequence[Measured]) -> np.ndarray:
    """Variances of what specimens do not share; shared errors cannot make them differ."""
    c = covariance_matrix(specimens)
    shared = (c.sum() - np.trace(c)) / max(len(c) * (len(c) - 1), 1)
    return np.maximum(np.diag(c) - max(shared, 0.0), 1e-12)


def _specimens(readings: Sequence[Reading]) -> list[Measured]:
    by_specimen: dict[str, list[Measured]] = defaultdict(list)
    for r in readings:
        if not r.bounded:
            by_specimen[r.specimen].append(r.measured)
    return [combined(m, [1 / len(m)] * len(m)) if len(m) > 1 else m[0] for m in by_specimen.values()]


# ---- one product -----------------------------------------------------------------------------------------------


def _result(
    product: str, rows: Sequence[int], readings: Sequence[Reading], method: Method, quantity: Quantity, spread: Between
) -> Result:
    specimens = _specimens(readings)
    plates = len({r.specimen for r in readings})
    open_readings = [r for r in readings if r.bounded]
    flags = tuple(dict.fromkeys(f for r in readings for f in r.flags))
    if plates == 1:
        flags = (*flags, "no replicate")
    if _one_apart(specimens, quantity):
        flags = (*flags, "plates disagree")
    if not specimens or len(open_readings) * 2 > len(readings):
        low, high = _bound(open_readings)
        return Result(product, method.name, quantity.name, None, low, high, low, high, plates, tuple(rows), flags=flags)
    variance = np.array([m.variance for m in specimens])
    middle = float(np.average([m.value for m in specimens], weights=1 / variance))
    sd, dof = _between_of(specimens, spread.sd(quantity, middle), spread.dof)
    weight = 1 / (variance + sd**2)
    weight = weight / weight.sum()
    mean = combined(specimens, weight)
    if sd > 0:
        size = sd * float(np.sqrt((weight**2).sum()))
        mean = mean.with_component(Component("between specimens", size, "", dof))
    mean = Measured(mean.value, mean.components, flags)
    low, high = _interval(mean, readings, sd, specimens)
    return Result(
        product, method.name, quantity.name, mean, low, high, low, high, plates, tuple(rows),
        _limits(mean, readings, quantity, spread, weight), flags,
        {"between_sd": sd, "specimens": [m.value for m in specimens]},
    )  # fmt: skip


def _between_of(specimens: Sequence[Measured], pooled: float, pooled_dof: float) -> tuple[float, float]:
    """Standard deviation between the specimens of one product, and its degrees of freedom.

    Products differ in how alike their specimens come out: the campaign's common spread counts for `BETWEEN_DOF` degrees
    of freedom, the product's own scatter beyond its readings for one less than its specimens.
    """
    n = len(specimens)
    if n < 2:
        return pooled, pooled_dof
    value, variance = np.array([m.value for m in specimens]), _variances(specimens)
    own = max(float(value.var(ddof=1) - variance.mean()), 0.0)
    return math.sqrt((BETWEEN_DOF * pooled**2 + (n - 1) * own) / (BETWEEN_DOF + n - 1)), BETWEEN_DOF + n - 1


#: Standard deviations by which one specimen must stand apart from the others; chance does so once in 10 000 or so.
APART = 4.0


def _one_apart(specimens: Sequence[Measured], quantity: Quantity) -> bool:
    """Whether one specimen differs from the product's others by more than its reading and the starting spread explain.

    Three specimens at least: of two nobody can say which is the odd one. The starting spread is used, not the
    campaign's own, which the odd one would widen.
    """
    if len(specimens) < 3:
        return False
    value, variance = np.array([m.value for m in specimens]), _variances(specimens)
    for i in range(len(specimens)):
        others = np.arange(len(specimens)) != i
        spread = quantity.between(float(np.median(value[others])))
        weight = 1 / (variance[others] + spread**2)
        middle = float(np.average(value[others], weights=weight))
        if abs(value[i] - middle) > APART * math.sqrt(variance[i] + spread**2 + 1 / weight.sum()):
            return True
    return False


def _bound(readings: Sequence[Reading]) -> tuple[float | None, float | None]:
    """The bound that all open readings of a product allow: the weakest of them."""
    lows = [r.low for r in readings]
    highs = [r.high for r in readings]
    low = None if any(x is None for x in lows) else min(x for x in lows if x is not None)
    high = None if any(x is None for x in highs) else max(x for x in highs if x is not None)
    return low, high


def _interval(
    mean: Measured, readings: Sequence[Reading], between: float, specimens: Sequence[Measured]
) -> tuple[float, float]:
    """95 % interval; as lopsided as the readings' own."""
    reach = float(stdtrit(min(mean.dof, 1e6), 0.5 + LEVEL / 2)) * mean.standard_uncertainty
    down, up = _lopsided(readings)
    return mean.value - reach * down, mean.value + reach * up


def _lopsided(readings: Sequence[Reading]) -> tuple[float, float]:
    """Length of the readings' intervals on each side, against a symmetric one of the same standard uncertainty."""
    sides = [
        ((r.measured.value - r.low) / (1.96 * u), (r.high - r.measured.value) / (1.96 * u))
        for r in readings
        if r.low is not None and r.high is not None and (u := r.measured.standard_uncertainty) > 0
    ]
    if not sides:
        return 1.0, 1.0
    down, up = np.clip(np.mean(sides, axis=0), 0.5, 2.0)
    # averaging makes the distribution more symmetric
    pull = 1 / math.sqrt(len(sides))
    return 1 + (max(down, 0.9) - 1) * pull, 1 + (max(up, 0.9) - 1) * pull


#: One-sided 95 % of a normal distribution, for both errors of a limit.
ONE_SIDED = 1.645
#: Step of the grid on which limits are looked for. [natural scale]
FINE = 0.002


def _limits(
    mean: Measured, readings: Sequence[Reading], quantity: Quantity, spread: Between, weight: np.ndarray
) -> tuple[float, float] | None:
    """Decision and detection limit of the product's mean, on the natural scale.

    Decision: what a blank exceeds once in twenty times. Detection: the least true value that exceeds it all but once in
    twenty. The spread of the mean at other true values follows that of its readings there, where they tell
    (`spread_at`); specimens of a blank do not differ, those of an effect differ more as it grows.
    """
    way = 1.0 if quantity.shown(quantity.blank + 1e-3) >= quantity.shown(quantity.blank) else -1.0
    closed = [r for r in readings if not r.bounded and "spread_at" in r.detail]
    if not closed:
        u = mean.standard_uncertainty
        return quantity.blank + way * ONE_SIDED * u, quantity.blank + way * 2 * ONE_SIDED * u
    curves = [np.array(r.detail["spread_at"]) for r in closed]
    at = np.arange(0.0, _reach(curves, quantity, way), FINE) * way + quantity.blank
    of_blank = _reading_part(mean) * np.mean(
        [np.interp(at, *c) / np.interp(r.measured.value, *c) for r, c in zip(closed, curves, strict=True)], axis=0
    )
    between = np.array([spread.sd(quantity, x) for x in at]) * math.sqrt(float((weight**2).sum()))
    total = np.hypot(of_blank, between)
    decision = ONE_SIDED * total[0] * _stretch(closed, quantity)
    missed = np.abs(at - quantity.blank) - ONE_SIDED * total < decision
    first = int(np.argmin(missed))
    detection = quantity.blank + way * math.inf if missed[first] else float(at[first])
    return quantity.blank + way * decision, detection


def _reach(curves: Sequence[np.ndarray], quantity: Quantity, way: float) -> float:
    """How far from the blank the readings' spread is told. [natural scale]"""
    ends = [c[0].max() if way > 0 else c[0].min() for c in curves]
    return abs(float(np.mean(ends)) - quantity.blank)


def _reading_part(mean: Measured) -> float:
    """Standard uncertainty of a product's mean without what its specimens differ by."""
    between = sum(c.size**2 for c in mean.components if c.source == "between specimens")
    return math.sqrt(max(mean.variance - between, 1e-12))


def _stretch(readings: Sequence[Reading], quantity: Quantity) -> float:
    """How far the readings' own decision limits, exact on their curve, lie from those of a normal spread."""
    ratios = []
    for r in readings:
        normal = ONE_SIDED * float(np.interp(quantity.blank, *np.array(r.detail["spread_at"])))
        if r.limits is not None and math.isfinite(r.limits[0]) and normal > 0:
            ratios.append(abs(quantity.blank - r.limits[0]) / normal)
    return 1 + (float(np.mean(ratios)) - 1) / math.sqrt(len(ratios)) if ratios else 1.0


# ---- all products together -------------------------------------------------------------------------------------


def _together(single: Sequence[Result], quantity: Quantity, context: Context) -> list[Result]:
    """Limits that hold for all products at once (max-t), as lopsided as each product's own."""
    measured = [(i, r.measured) for i, r in enumerate(single) if r.measured is not None]
    found = list(single)
    if not measured:
        return found
    cov = covariance_matrix([m for _, m in measured])
    sd = np.sqrt(np.maximum(np.diag(cov), 1e-18))
    dof = np.array([min(m.dof, 1e6) for _, m in measured])
    greatest = greatest_t(cov / np.outer(sd, sd), two_sided=False, seed=context.seed)
    critical = greatest.critical(level=LEVEL, dof=np.round(dof, 1))
    for (i, m), c, d in zip(measured, critical, dof, strict=True):
        r = single[i]
        wider = float(c / stdtrit(d, 0.5 + LEVEL / 2))
        if r.low is not None and r.high is not None:
            low, high = m.value - (m.value - r.low) * wider, m.value + (r.high - m.value) * wider
            found[i] = replace(r, family_low=low, family_high=high)
    return found
