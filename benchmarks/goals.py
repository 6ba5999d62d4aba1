"""Every goal for the reading of strips, with the figure it is held against.

Floors ("must") and bars ("stretch") are those the project set itself from a study of what can be reached.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks import figures as f
from benchmarks.figures import BANDS, Figure, figure, strips_of
from benchmarks.made_and_read import Seen, StripSeen
from fairpanel.rehearsal.suites import FAULTLESS

Bound = tuple[float, float]


@dataclass(frozen=True)
class Goal:
    """One line: what is asked, what was found; `must` and `stretch` are ranges, ends included."""

    name: str
    figure: Figure
    must: Bound | None
    stretch: Bound | None

    def holds(self, bound: Bound | None) -> bool:
        """Whether the figure lies in the range."""
        return bound is not None and bound[0] <= self.figure.value <= bound[1]

    def verdict(self, bound: Bound | None) -> str:
        """“holds”, “fails”, with “near” where chance may decide and “few” where nobody can say; else nothing."""
        value, error = self.figure.value, self.figure.error
        if bound is None:
            return ""
        if not self.figure.n or not math.isfinite(value):
            return "not measured"
        told = "holds" if self.holds(bound) else "fails"
        if not math.isfinite(error):
            return f"{told}, few"
        near = min(abs(value - b) for b in bound if math.isfinite(b)) < 2 * error
        return f"{told}, near" if near else told

    @staticmethod
    def told(bound: Bound | None) -> str:
        """A range in words."""
        if bound is None:
            return ""
        low, high = bound
        if not math.isfinite(low):
            return f"<= {high:g}"
        return f">= {low:g}" if not math.isfinite(high) else f"{low:g} to {high:g}"


def at_most(x: float) -> Bound:
    """A range open below."""
    return (-math.inf, x)


def at_least(x: float) -> Bound:
    """A range open above."""
    return (x, math.inf)


def goals(seen: Sequence[Seen]) -> list[Goal]:
    """All goals with what was found."""
    return [
        *_accuracy(seen),
        *_halves_and_sheets(seen),
        *_bias(seen),
        *_coverage(seen),
        *_widths(seen),
        *_refusals_and_doubts(seen),
        *_findings(seen),
        *_limits(seen),
    ]


def _of(seen: Sequence[Seen], *suites: str, kinds: Sequence[str] = ("strips", "half", "sheets")) -> list[Seen]:
    return [c for c in seen if c.suite in suites and c.kind in kinds]


def _faultless(seen: Sequence[Seen]) -> list[Seen]:
    return _of(seen, "mixed", *FAULTLESS)


# ---- errors ----------------------------------------------------------------------------------------------------


def _accuracy(seen: Sequence[Seen]) -> Iterator[Goal]:
    one_strip = {}
    for camera, times in (("scan", ((2.7, 2.2), (1.7, 1.4))), ("phone", ((3.4, 2.7), (2.0, 1.5)))):
        for exposure, (must, stretch) in zip(("4min", "useful"), times, strict=True):
            own = _of(seen, *(f"{camera}_{exposure}_{s}" for s in ("linear", "geometric")))
            one_strip[camera, exposure] = own
            words = "4 min" if exposure == "4min" else "1.4 half-way times"
            yield _rmse(f"{camera}, {words}, one strip, steps in the picture: RMSE", strips_of(own), must, stretch)
    for camera in ("scan", "phone"):
        own = one_strip[camera, "4min"] + one_strip[camera, "useful"]
        yield _rmse(f"{camera}, strips that block over 60 %: RMSE", strips_of(own, band=(60, 101)), 1.0, 0.7)
    for camera in ("scan", "phone"):
        own = _of(seen, f"{camera}_4min_geometric")
        yield _rmse(f"{camera}, over 90 %, geometric steps, 4 min: RMSE", strips_of(own, band=(90, 101)), 0.5, 0.3)
    for camera, must, stretch in (("scan", 1.6, 1.3), ("phone", 1.8, 1.4)):
        own = strips_of(_of(seen, f"{camera}_bracket"))
        yield _rmse(f"{camera}, bracket of 1 and 4 half-way times: RMSE", own, must, stretch)
    yield _rmse("scan, brushed paper, 4 min: RMSE", strips_of(_of(seen, "scan_brushed")), 7.5, 6.3)
    yield _rmse("hard phone photos, 4 min: RMSE", strips_of(_of(seen, "phone_hard")), 7.5, 5.7)


def _rmse(name: str, groups: Sequence[Sequence], must: float, stretch: float) -> Goal:
    return Goal(name, figure(groups, f.rmse), at_most(must), at_most(stretch))


def _halves_and_sheets(seen: Sequence[Seen]) -> Iterator[Goal]:
    for camera, must, stretch in (("scan", 0.7, 0.5), ("phone", 0.9, 0.65)):
        own = [list(c.products) for c in _of(seen, f"{camera}_three_sheets", kinds=("sheets",))]
        yield _rmse(f"{camera}, three half plates on three sheets, by product: RMSE", own, must, stretch)
    for suite in ("scan_half", "phone_half", "scan_half_4min", "phone_half_4min"):
        groups = [[s for s in g if s.value is not None and s.single is not None]
                  for g in strips_of(_of(seen, suite))]  # fmt: skip
        yield Goal(
            f"{suite}: RMSE over that without the glass-only rows", figure(groups, _paired), at_most(1), at_most(1)
        )


def _paired(strips: Sequence[StripSeen]) -> float:
    with_, without = (np.array([getattr(s, n) - s.true for s in strips]) for n in ("value", "single"))
    return float(np.sqrt((with_**2).mean() / (without**2).mean()))


def _bias(seen: Sequence[Seen]) -> Iterator[Goal]:
    yield Goal(
        "fault-free suites together: bias", figure(strips_of(_faultless(seen)), f.bias), (-0.6, 0.6), (-0.3, 0.3)
    )
    each = {c.suite for c in _faultless(seen)}
    found = {suite: figure(strips_of(_of(seen, suite)), f.bias) for suite in sorted(each)}
    if found:
        worst = max(found, key=lambda s: abs(np.nan_to_num(found[s].value)))
        yield Goal(f"the fault-free suite with the greatest bias ({worst})", found[worst], (-0.6, 0.6), (-0.3, 0.3))


# ---- intervals -------------------------------------------------------------------------------------------------


def _coverage(seen: Sequence[Seen]) -> Iterator[Goal]:
    plain = _faultless(seen)
    yield Goal("fault-free suites: coverage %", figure(strips_of(plain), f.covered), (90, 99), (93, 97))
    yield from _by_band("fault-free suites", plain, must=85)
    sheets = [list(c.products) for c in _of(seen, "scan_three_sheets", "phone_three_sheets", kinds=("sheets",))]
    yield Goal("three sheets, products: coverage %", figure(sheets, f.covered), (90, 99), (93, 97))
    broken = {
        "brushed paper": (("scan_brushed", "phone_brushed", "scan_brushed_useful"), 80, 90),
        "bench breaks assumptions": (("broken", "broken_useful"), 85, 92),
        "the same with half plates": (("broken_half",), 85, 92),
        "hard photos, no doubt": (("phone_hard", "phone_hard_useful"), 80, 90),
    }
    for words, (suites, must, stretch) in broken.items():
        own, clean = _of(seen, *suites), "doubt" in words
        yield Goal(
            f"{words}: coverage %",
            figure(strips_of(own, undoubted=clean), f.covered),
            at_least(must),
            at_least(stretch),
        )
        yield from _by_band(words, own, must=must, undoubted=clean)
    elsewhere = _of(seen, "steps_other_picture", "steps_other_sheet", "steps_other_run", "steps_elsewhere")
    yield Goal(
        "steps from elsewhere: coverage % of what is read", figure(strips_of(elsewhere), f.covered), at_least(90), None
    )
    doubted = figure(strips_of(elsewhere), f.share(lambda s: bool(s.doubts)))
    yield Goal("steps from elsewhere: read strips with a doubt %", doubted, at_least(99), None)
    glass = _of(seen, "steps_no_glass", "steps_unknown_glass")
    yield Goal(
        "steps without glass or not known: coverage %", figure(strips_of(glass), f.covered), at_least(85), at_least(90)
    )


def _by_band(words: str, own: Sequence[Seen], *, must: float, undoubted: bool = False) -> Iterator[Goal]:
    for low, high in BANDS:
        found = figure(strips_of(own, undoubted=undoubted, band=(low, high)), f.covered)
        yield Goal(f"{words}, {low} to {high} %: coverage %", found, at_least(min(must, 90)), at_least(90))


def _widths(seen: Sequence[Seen]) -> Iterator[Goal]:
    plain = _faultless(seen)
    for low, high in BANDS:
        yield Goal(f"fault-free, {low} to {high} %: median width / 3.92 RMSE, middle of the suites",
                   _middle_ratio(plain, (low, high)), at_most(1.5), at_most(1.2))  # fmt: skip
    for camera, reference in (("scan", 5.9), ("phone", 6.5)):
        own = _of(seen, f"{camera}_4min_linear", f"{camera}_4min_geometric")
        wide = figure(strips_of(own), f.width)
        yield Goal(
            f"{camera}, 4 min: median width of the interval, points",
            wide,
            at_most(1.5 * reference),
            at_most(1.2 * reference),
        )


def _middle_ratio(own: Sequence[Seen], band: tuple[float, float]) -> Figure:
    """The ratio is formed suite by suite, since suites of unequal error may not be thrown together; then the median."""
    suites: dict[str, list[StripSeen]] = {}
    for c in own:
        suites.setdefault(c.suite, []).extend(s for g in strips_of([c], band=band) for s in g)
    ratios = [r for s in suites.values() if len(s) >= 8 and math.isfinite(r := f.width_ratio(s))]
    if not ratios:
        return Figure(math.nan, math.nan, 0)
    error = 1.25 * np.std(ratios, ddof=1) / math.sqrt(len(ratios)) if len(ratios) > 2 else math.nan
    return Figure(float(np.median(ratios)), float(error), sum(len(s) for s in suites.values()))


# ---- refusals, doubts, findings, limits ------------------------------------------------------------------------


def _refusals_and_doubts(seen: Sequence[Seen]) -> Iterator[Goal]:
    plain, hard = _faultless(seen), _of(seen, "phone_hard", "phone_hard_useful")

    def of(campaigns: Sequence[Seen], test: Callable[[StripSeen], bool], read_only: bool = False) -> Figure:
        groups = strips_of(campaigns) if read_only else [list(c.strips) for c in campaigns]
        return figure(groups, f.share(test))

    yield Goal("fault-free suites: refused %", of(plain, f.refused), None, at_most(1))
    yield Goal("fault-free suites: strips with a doubt %", of(plain, lambda s: bool(s.doubts), True), None, at_most(10))
    yield Goal("fault-free suites: off by over 10 points without a doubt %", of(plain, f.far_off, True), None, None)
    loose = _of(seen, "scan_loose", "phone_loose")
    yield Goal("loose strips, wholly in the picture: refused %", of(loose, f.refused), None, at_most(1))
    cut = [[s for s in c.strips if s.cut_off] for c in _of(seen, "phone_loose_cut_off")]
    yield Goal(
        "loose strips half out of the picture: refused %",
        figure(cut, f.share(lambda s: s.refused)),
        at_least(100),
        None,
    )
    yield Goal("hard photos: refused %", of(hard, f.refused), None, at_most(10))
    yield Goal(
        "hard photos: off by over 10 points without a doubt %", of(hard, f.far_off, True), at_most(2), at_most(0.5)
    )


def _findings(seen: Sequence[Seen]) -> Iterator[Goal]:
    inert = [c for c in seen if c.kind == "inert"]
    found = figure([[c] for c in inert], f.share(f.any_shown))
    yield Goal("inert products: campaigns in which any is shown %", found, at_most(5), at_most(5))
    at = [list(c.products) for c in seen if c.kind == "at"]
    shown = figure(at, f.share(lambda p: p.finding == "shown"))
    yield Goal("products at twice their stated detection limit: shown %", shown, at_least(95), at_least(95))


def _limits(seen: Sequence[Seen]) -> Iterator[Goal]:
    reached = {
        "scan_4min_geometric": ("scan, 4 min", 16, 13.5),
        "scan_useful_geometric": ("scan, 1.4 half-way times", 9, 7.5),
        "scan_half": ("scan, half plates, 1.4 half-way times", 5.5, 4.5),
        "scan_three_sheets": ("scan, three half plates on three sheets", 3.2, 2.6),
    }
    for suite, (words, must, stretch) in reached.items():
        own = [c.products for c in _of(seen, suite, kinds=("limit",))]
        ratio = figure(own, lambda items: f.stated_limit(items) / f.simulated_limits(items)[1])
        yield Goal(f"{words}: detection limit, stated over simulated", ratio, (0.75, 1.25), (0.85, 1.15))
        limit = figure(own, lambda items: f.simulated_limits(items)[1])
        yield Goal(f"{words}: detection limit, simulated, %", limit, at_most(must), at_most(stretch))
