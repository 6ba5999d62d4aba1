"""The fitted curve with its steps, and where each strip lies on it: as data kept with a reading, and as a chart."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from fairpanel.methods.contract import Chart, Reading, Result
from fairpanel.methods.uv_strip import curve
from fairpanel.methods.uv_strip.calibration import Calibration, Patch
from fairpanel.methods.uv_strip.strips import Steps

#: Points along a curve that are kept; drawn through smoothly.
POINTS = 40

#: Size of the plot, and what a label beside it takes. [px]
WIDTH, HEIGHT, LABEL = 262, 230, 13.0

INK, QUIET, LINE, BLUE = "currentColor", "var(--quiet)", "var(--line)", "var(--blue)"


# ---- kept with each reading ------------------------------------------------------------------------------------


def drawn_curve(c: Calibration, steps: Steps) -> dict[str, Any]:
    """What is needed to draw a curve and its steps.

    Some 400 characters, kept with every reading that was read against it, so that each explains itself when others are
    left out.

    Returns
    -------
    mapping of plain data
        "strips" (picture, strip) of the step strips; "role" of their patches; "steps" (dose in s, density), "from" and
        "to" the ends of the curve in ln(dose in s), "densities" evenly along it.
    """
    found = [p for p in c.patches if any(n.startswith("steps ") for n in p.offsets)]
    doses = [p.ln_dose for p in found if math.isfinite(p.ln_dose)]
    low, high = min(doses) - 1.0, max(doses) + 0.5
    return {
        "strips": [[s.picture, s.name] for s in steps.strips],
        "role": steps.strips[0].spots[0].row.role,
        "steps": points(found),
        "from": round(low, 4),
        "to": round(high, 4),
        "densities": np.round(curve.density(c.paper, np.linspace(low, high, POINTS)), 4).tolist(),
    }


def points(patches: Sequence[Patch]) -> list[list[float]]:
    """Dose [s] and density of patches."""
    return [[float(f"{math.exp(p.ln_dose):.5g}"), round(p.density, 4)] for p in patches]


# ---- drawn -----------------------------------------------------------------------------------------------------


def charts(readings: Sequence[Reading], results: Sequence[Result]) -> list[Chart]:
    """One chart for each picture and the steps it was read against.

    Parameters
    ----------
    readings : sequence of Reading
        Those that are shown; no others appear.
    results : sequence of Result
        Not needed.
    """
    together: dict[tuple[str, str], list[Reading]] = {}
    for r in readings:
        if "curve" in r.detail:
            together.setdefault((r.picture, r.detail["steps"]), []).append(r)
    return [_chart(group) for group in together.values()]


def _chart(group: Sequence[Reading]) -> Chart:
    drawn = group[0].detail["curve"]
    names = ", ".join(strip for _, strip in drawn["strips"])
    return Chart(
        f"Step strip {names}",
        f"Squares: the steps, {_ROLES[drawn['role']]}. Line: the curve fitted to them and to the glass-only patches "
        "(diamonds). Labelled dots: the strips, each at the light that would have made it as dark under glass alone.",
        _spec(drawn, group),
        tuple((picture, strip) for picture, strip in drawn["strips"]),
        tuple((r.strip, r.product) for r in group),
    )


_ROLES = {
    "step": "under glass only",
    "step no glass": "without glass",
    "step unknown": "under glass or not: not known",
}


def _spec(drawn: Mapping[str, Any], group: Sequence[Reading]) -> dict[str, Any]:
    x = _Across(drawn, group)
    spots = [_place(r) for r in group]
    span = max(drawn["densities"]) - min(min(drawn["densities"]), 0.0)
    height = max(HEIGHT, LABEL * (len(spots) + 1))
    heights = spread_out([s["density"] for s in spots], span * 1.08 * LABEL / height)
    labels = [{**s, "label_at": h, "x": x.at(s["dose"])} for s, h in zip(spots, heights, strict=True)]
    along = np.linspace(drawn["from"], drawn["to"], POINTS).tolist()
    line = [{"x": v, "density": d} for v, d in zip(along, drawn["densities"], strict=True) if v >= x.low]
    steps = [{"x": x.at(s), "density": d} for s, d in drawn["steps"]]
    glass = [{"x": x.at(s), "density": d} for r in group for s, d in r.detail["glass_points"]]
    return {
        "width": WIDTH,
        "height": height,
        "background": None,
        "layer": [
            _layer(line, {"type": "line", "color": INK, "strokeWidth": 1.5, "interpolate": "monotone"}, x),
            _layer(labels, {"type": "rule", "color": LINE}, x, x2={"value": WIDTH + 4}, y2={"field": "label_at"}),
            _layer(steps, {"type": "point", "shape": "square", "size": 42, "filled": True, "color": INK}, x),
            _layer(labels, {"type": "point", "shape": "circle", "size": 46, "filled": True, "color": BLUE}, x),
            _layer(glass, {"type": "point", "shape": "diamond", "size": 90, "color": INK, "strokeWidth": 0.75}, x),
            {
                "data": {"values": labels},
                "mark": {"type": "text", "align": "left", "baseline": "middle", "fontSize": 11, "color": INK},
                "encoding": {
                    "x": {"value": WIDTH + 8},
                    "y": {"field": "label_at", "type": "quantitative"},
                    "text": {"field": "strip"},
                },
            },
        ],
        "config": _CONFIG,
    }


def _layer(values: list[dict[str, Any]], mark: dict[str, Any], x: _Across, **more: Any) -> dict[str, Any]:
    return {
        "data": {"values": values},
        "mark": {"opacity": 1, **mark},
        "encoding": {"x": x.encoding, "y": _DENSITY, **more},
    }


_DENSITY = {
    "field": "density",
    "type": "quantitative",
    "title": "density: how dark the blue is",
    "scale": {"zero": False, "nice": False, "padding": 6},
    "axis": {"tickCount": 5},
}

_CONFIG = {
    "font": "system-ui, sans-serif",
    "view": {"stroke": None},
    "axis": {
        "labelColor": INK,
        "titleColor": INK,
        "domainColor": QUIET,
        "tickColor": QUIET,
        "gridColor": LINE,
        "labelFontSize": 11,
        "titleFontSize": 11,
        "titleFontWeight": "normal",
        "titlePadding": 6,
    },
    "axisX": {"grid": False},
}


def _place(r: Reading) -> dict[str, Any]:
    """Where a strip lies: its first patch, by the transmission read from all of them."""
    dose, density = r.detail["film_points"][0]
    return {"strip": r.strip, "dose": dose * math.exp(min(r.measured.value, 3.0)), "density": density}


class _Across:
    """Doses on a logarithmic scale, with a place at its left for no dose at all."""

    def __init__(self, drawn: Mapping[str, Any], group: Sequence[Reading]) -> None:
        doses = [s for s, _ in drawn["steps"]] + [_place(r)["dose"] for r in group]
        known = [math.log(s) for s in doses if s > 0]
        self.low, self.high = max(min(known) - 0.7, drawn["from"]), max(drawn["to"], max(known) + 0.1)
        self.none = self.low - 0.5 if min(doses) <= 0 else self.low
        ticks = [t for e in range(-1, 5) for t in (10.0**e, 3 * 10.0**e) if self.low <= math.log(t) <= self.high]
        values = ([self.none] if self.none < self.low else []) + [math.log(t) for t in ticks]
        self.encoding = {
            "field": "x",
            "type": "quantitative",
            "title": "light under glass alone, in seconds",
            "scale": {"domain": [self.none, self.high], "nice": False},
            "axis": {
                "values": values,
                "labelExpr": f"datum.value < {self.low - 0.01} ? '0' : format(exp(datum.value), '.3~r')",
            },
        }

    def at(self, seconds: float) -> float:
        """Place of a dose on the axis."""
        return max(math.log(seconds), self.low) if seconds > 0 else self.none


def spread_out(wanted: Sequence[float], apart: float) -> list[float]:
    """Places for labels as near as may be to the wanted ones, at least `apart` from each other, in the same order.

    Examples
    --------
    >>> spread_out([0.0, 5.0, 0.0], 1.0)
    [-0.5, 5.0, 0.5]
    """
    blocks: list[list[Any]] = []  # middle of a run of labels, and which they are
    for i in sorted(range(len(wanted)), key=lambda i: wanted[i]):
        blocks.append([wanted[i], [i]])
        while len(blocks) > 1 and blocks[-1][0] - blocks[-2][0] < apart * (len(blocks[-1][1]) + len(blocks[-2][1])) / 2:
            middle, own = blocks.pop()
            other, before = blocks.pop()
            together = before + own
            blocks.append([(middle * len(own) + other * len(before)) / len(together), together])
    places = [0.0] * len(wanted)
    for middle, own in blocks:
        for k, i in enumerate(own):
            places[i] = middle + (k - (len(own) - 1) / 2) * apart
    return places
