"""The figures as one plain table, and beside each goal whether it holds. Words, no colour."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from benchmarks import figures as f
from benchmarks.figures import BANDS, figure, strips_of
from benchmarks.goals import Goal, goals
from benchmarks.made_and_read import Seen


def print_all(seen: Sequence[Seen], *, all_goals: bool = True) -> None:
    """Everything, to standard output; goals that were not measured only if all are wanted."""
    good = [c for c in seen if not c.error]
    _print_suites(good)
    _print_bands(good)
    _print_half(good)
    _print_known(good)
    _print_goals([g for g in goals(good) if all_goals or g.figure.n])
    for c in seen:
        if c.error:
            print(f"ended in an error: {c.suite} number {c.number}: {c.error}")
    print(f"campaigns that ended in an error: {sum(bool(c.error) for c in seen)} of {len(seen)}")


def by_suite(seen: Sequence[Seen], *kinds: str) -> dict[str, list[Seen]]:
    """Campaigns of some kinds by suite, in the order of the suites."""
    suites: dict[str, list[Seen]] = {}
    for c in seen:
        if c.kind in kinds:
            suites.setdefault(c.suite, []).append(c)
    return suites


def _number(x: float, decimals: int = 2) -> str:
    return "-" if not math.isfinite(x) else f"{x:.{decimals}f}"


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    return "".join(c.ljust(w) if i == 0 else c.rjust(w) for i, (c, w) in enumerate(zip(cells, widths, strict=True)))


# ---- suites ----------------------------------------------------------------------------------------------------

_SUITE_HEAD = ("suite", "campaigns", "strips", "refused %", "bound %", "doubt %", "bias", "RMSE", "RMSE >60",
               "covers %", "± %", "width/3.92RMSE")  # fmt: skip
_SUITE_WIDTHS = (24, 10, 8, 10, 9, 9, 8, 7, 10, 10, 7, 16)


def _print_suites(seen: Sequence[Seen]) -> None:
    print("\nSTRIPS. Errors in points of blocked; covers: truth inside the stated 95 % interval; ±: standard error\n"
          "between campaigns; bound: only one end known, these count for coverage and not for errors")  # fmt: skip
    print(_line(_SUITE_HEAD, _SUITE_WIDTHS))
    for suite, own in by_suite(seen, "strips", "half", "sheets").items():
        everything = [s for c in own for s in c.strips]
        groups = strips_of(own)
        strips = [s for g in groups for s in g]
        if not everything:
            continue
        cover = figure(groups, f.covered)
        above = [s for s in strips if s.true > 60]
        cells = [
            suite,
            str(len(own)),
            str(len(everything)),
            _number(f.share(f.refused)(everything), 1),
            _number(f.share(lambda s: s.value is None)(strips) if strips else math.nan, 1),
            _number(f.share(lambda s: bool(s.doubts))(strips) if strips else math.nan, 1),
            _number(f.bias(strips)),
            _number(f.rmse(strips)),
            _number(f.rmse(above)),
            _number(cover.value, 1),
            _number(cover.error, 1),
            _number(f.width_ratio(strips)),
        ]
        print(_line(cells, _SUITE_WIDTHS))


def _print_bands(seen: Sequence[Seen]) -> None:
    names = [f"{low}-{high}" for low, high in BANDS]
    print("\nSTRIPS BY BAND OF TRUE BLOCKING (%): RMSE, coverage %, median width / 3.92 RMSE")
    print(" " * 24 + "".join(part.center(35) for part in ("RMSE", "covers %", "width/3.92RMSE")))
    print(" " * 24 + "".join(n.rjust(7) for _ in range(3) for n in names))
    for suite, own in by_suite(seen, "strips", "half", "sheets").items():
        banded = [[s for g in strips_of(own, band=b) for s in g] for b in BANDS]
        cells = [
            *(_number(f.rmse(b)) for b in banded),
            *(_number(f.covered(b), 0) for b in banded),
            *(_number(f.width_ratio(b)) for b in banded),
        ]
        print(suite.ljust(24) + "".join(c.rjust(7) for c in cells))


def _print_half(seen: Sequence[Seen]) -> None:
    print("\nHALF PLATES against the same strips in the same pictures without glass-only rows; three sheets by product")
    for suite, own in by_suite(seen, "half").items():
        both = [s for g in strips_of(own) for s in g if s.value is not None and s.single is not None]
        if not both:
            continue
        alone = math.sqrt(sum((s.single - s.true) ** 2 for s in both) / len(both))
        print(f"{suite.ljust(24)} RMSE {f.rmse(both):5.2f} with, {alone:5.2f} without ({len(both)} strips)")
    for suite, own in by_suite(seen, "sheets").items():
        groups = [list(c.products) for c in own]
        r, cover = figure(groups, f.rmse), figure(groups, f.covered)
        print(f"{suite.ljust(24)} RMSE {r.value:5.2f} ± {_number(r.error)}, bias {figure(groups, f.bias).value:5.2f}, "
              f"covers {cover.value:.1f} % ± {_number(cover.error, 1)} ({r.n} products)")  # fmt: skip


def _print_known(seen: Sequence[Seen]) -> None:
    print("\nFINDINGS on products of known blocking")
    for suite, own in by_suite(seen, "inert").items():
        any_ = sum(f.any_shown(c) for c in own)
        each = [p.finding == "shown" for c in own for p in c.products]
        print(
            f"{suite.ljust(24)} inert called shown: {any_} of {len(own)} campaigns, {sum(each)} of {len(each)} products"
        )
    for suite, own in by_suite(seen, "at").items():
        shown = [p.finding == "shown" for c in own for p in c.products]
        limits = sorted(c.notes["limit"] for c in own)
        print(f"{suite.ljust(24)} at twice the stated detection limit ({limits[0]:.1f} to {limits[-1]:.1f} %): "
              f"{sum(shown)} of {len(shown)} products shown")  # fmt: skip
    _print_limits(seen)


def _print_limits(seen: Sequence[Seen]) -> None:
    print("\nDETECTION LIMITS in % blocked: stated (median) and simulated, whole made pictures read with nothing and\n"
          "with a little on the plates (percentiles from mean and spread, normal errors)")  # fmt: skip
    for suite, own in by_suite(seen, "limit").items():
        for words, of in (("products", f.products_in), ("single strips", f.strips_in)):
            items = of(own)
            decision, detection = f.simulated_limits(items)
            print(f"{suite.ljust(24)} {words.ljust(14)} stated {_number(f.stated_limit(items)).rjust(6)}   "
                  f"simulated {_number(detection).rjust(6)}   (decision limit simulated {_number(decision)}; "
                  f"{len(items)} {words})")  # fmt: skip


# ---- goals -----------------------------------------------------------------------------------------------------


def _print_goals(lines: Sequence[Goal]) -> None:
    print(
        "\nGOALS. ± is one standard error; “near” says that the goal lies within two of them, so luck may decide;\n"
        "“few” that less than three campaigns were read"
    )
    widths = (74, 9, 8, 8, 14, 14, 16, 16)
    print(_line(("", "figure", "±", "n", "must", "stretch", "must", "stretch"), widths))
    for g in lines:
        cells = [
            g.name,
            _number(g.figure.value),
            _number(g.figure.error),
            str(g.figure.n),
            g.told(g.must),
            g.told(g.stretch),
            g.verdict(g.must),
            g.verdict(g.stretch),
        ]
        print(_line(cells, widths))
    read = [g for g in lines if g.figure.n and math.isfinite(g.figure.value)]
    for which, bound in (("must", lambda g: g.must), ("stretch", lambda g: g.stretch)):
        _count(which, read, bound)


def _count(which: str, lines: Sequence[Goal], bound: Callable[[Goal], tuple[float, float] | None]) -> None:
    asked = [g for g in lines if bound(g) is not None]
    held = sum(g.holds(bound(g)) for g in asked)
    print(f"{which}: {held} of {len(asked)} hold")
