"""Where a film lets more light through and where less: transmission over a patch, edge to middle, as a map.

A patch's density over small blocks, averaged over areas along and across it, goes through the curve the strip was read
from; the map is held to the strip's own number, so that what all its areas share (curve, lamp, paper) stays out of
their differences. What is left is the paper's own unevenness: it is taken from the patches of the same picture that
lay under no film. An area is called different only where it stands further from its patch's mean than the farthest area
of another such patch would, at a level of 95 %, in units of the noise the reader expects there (`noise`), and further
than that noise alone would take one of so many areas.

The edge of a patch is left out, as it is for the number: side light and the card's penumbra lie there.

Source
------
Prediction limit for one further value of a normal sample: G. J. Hahn and W. Q. Meeker, Statistical Intervals (1991),
from memory. Limits for all areas at once: Z. Sidak, JASA 62, 626 (1967), from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fairpanel.methods.contract import Chart, Entered, Mark, Reading
from fairpanel.methods.uv_strip.marks import BLOCKS_ACROSS, BORDER
from fairpanel.methods.uv_strip.noise import Noise, fit_noise
from fairpanel.methods.uv_strip.results import blocked
from fairpanel.methods.uv_strip.strips import Strip, strips_of
from fairpanel.picture.sampling import blocks, side_lengths, trimmed
from fairpanel.picture.upright import Upright

#: Areas along and across a patch; fewer where it has fewer blocks.
ALONG, ACROSS = 6, 3

#: Level at which no area of an even film is called different.
LEVEL = 0.95

#: Patches without film that must be there, and how dark one must be to tell of the paper: above no exposure. [density]
LEAST_PATCHES, EXPOSED = 3, 0.1

#: Blocks further than this many robust standard deviations from the patch's trend (scratch, pencil) count as just so
#: far; and what the trend itself leaves over. [1], [density]
OUTLYING, SMOOTH = 4.0, 0.0015

#: Size of a map, and the ends of its shades.
WIDTH, LOWEST, HIGHEST = 262, 60, 180
PALE, DEEP = 0.06, 0.5


@dataclass(frozen=True)
class AreaMap:
    """Transmission over one patch.

    Parameters
    ----------
    blocked : (across, along) array
        Blocked by area, the strip's first row to the left; nan where the patch is beyond the curve. [%]
    differs : (across, along) array of bool
        Further from the mean than patches without film are uneven.
    mean : float
        Of the strip, as it was read. [%]
    explained : float
        Distance from the mean that an area reaches without any film; nan where no patch of the picture tells. [points]
    """

    blocked: np.ndarray
    differs: np.ndarray
    mean: float
    explained: float


def maps(
    picture: Upright, marks: Sequence[Mark], entered: Sequence[Entered], readings: Sequence[Reading]
) -> list[Chart]:
    """A map over every strip of one picture that has a number.

    Parameters
    ----------
    picture : Upright
    marks : sequence of Mark
        Of this picture.
    entered : sequence of Entered
        Their rows.
    readings : sequence of Reading
        Of this picture.
    """
    strips = strips_of(marks, entered)
    paper = paper_of(picture, strips)
    by_strip = {r.strip: r for r in readings if not r.bounded and "curve" in r.detail}
    return [
        _chart(by_strip[s.name], s, area_map(picture, s, by_strip[s.name], paper))
        for s in strips
        if s.film and s.name in by_strip
    ]


@dataclass(frozen=True)
class Paper:
    """How uneven the paper of a picture is.

    Parameters
    ----------
    noise : Noise
        Of patches without film.
    factor : float
        How much further than the noise says some area of those patches stands from its patch's mean: what is left of
        uneven light, light from the side, and coating that varies slowly. [1]
    """

    noise: Noise
    factor: float

    def reach(self, density: float, area: float, areas: int) -> float:
        """Farthest that an area's mean comes to lie from its patch's mean without any film. [density]"""
        from scipy.special import ndtri  # slow to import

        own = float(self.noise.variance(density, area / areas) - self.noise.variance(density, area))
        alone = float(ndtri(1 - (1 - LEVEL ** (1 / areas)) / 2))
        return self.factor * alone * math.sqrt(max(own, 0.0))


def paper_of(picture: Upright, strips: Sequence[Strip]) -> Paper | None:
    """How uneven the paper of a picture is, from its patches without film; None where too few tell."""
    bare = [p.mark.body for s in strips for p in s.spots if not p.row.is_product]
    if not bare:
        return None
    alone = Paper(fit_noise(bare), 1.0)
    exposed = [b for b in bare if b["density"][0] > alone.noise.d0 + EXPOSED]
    if len(exposed) < LEAST_PATCHES:
        return None
    return replace(alone, factor=max(1.0, _next_one([_farthest(picture, b, alone) for b in exposed])))


def _next_one(farthest: Sequence[float]) -> float:
    """What the next patch like these stays below with probability LEVEL, their logarithms being normal."""
    from scipy.special import stdtrit  # slow to import

    logs, n = np.log(np.maximum(farthest, 0.05)), len(farthest)
    return float(np.exp(logs.mean() + stdtrit(n - 1, LEVEL) * logs.std(ddof=1) * math.sqrt(1 + 1 / n)))


def _farthest(picture: Upright, body: Mapping[str, Any], paper: Paper) -> float:
    """How far the farthest area of a patch lies from its mean, as a multiple of what the noise says. [1]"""
    areas = _over_areas(_density(picture, body))
    middle = float(body["density"][0])
    reach = paper.reach(middle, float(body["area"]), areas.size)
    return float(np.abs(areas - middle).max()) / reach if areas.size > 1 and reach > 0 else 0.0


def area_map(picture: Upright, strip: Strip, reading: Reading, paper: Paper | None) -> AreaMap:
    """Transmission over the first film patch of a strip.

    Parameters
    ----------
    picture : Upright
    strip : Strip
    reading : Reading
        Of this strip, with a value and its curve.
    paper : Paper or None
    """
    spot = strip.film[0]
    density = _over_areas(_density(picture, spot.mark.body))
    middle = float(spot.mark.body["density"][0])
    ln_t = reading.measured.value + _ln_dose(reading, density) - _ln_dose(reading, np.array(middle))
    area = float(spot.mark.body["area"])
    least = paper.reach(middle, area, density.size) if paper and density.size > 1 else math.nan
    reach = _ln_dose(reading, np.array([middle - least, middle + least]))
    transmission = math.exp(reading.measured.value)
    found = AreaMap(
        np.asarray(blocked(ln_t)).T,
        (np.abs(density - middle) > least).T,
        float(blocked(reading.measured.value)),
        100 * transmission * float(reach[1] - reach[0]) / 2,
    )
    return _turned(found) if _lies_backwards(strip) else found


# ---- density over a patch --------------------------------------------------------------------------------------


def _density(picture: Upright, body: Mapping[str, Any]) -> np.ndarray:
    """(rows, columns) red density of a patch's blocks; rows run along the strip.

    The light over a patch is even but for a slope, which the mark has seen and taken out: what the mark says of mean
    and slope is kept, the picture gives what is beyond.
    """
    polygon = np.array(body["polygon"])
    long, wide = side_lengths(polygon)
    border = BORDER * min(long, wide)
    inner = trimmed(polygon, along=min(border / long, 0.3), across=min(border / wide, 0.3))
    light = blocks(picture, inner, side=max(body["width"] / BLOCKS_ACROSS, 2.0)).light[..., 0]
    raw = -np.log10(np.maximum(light, 1e-5))
    v, u = np.meshgrid(_places(raw.shape[0]), _places(raw.shape[1]), indexing="ij")
    design = np.stack([np.ones(raw.size), v.ravel(), u.ravel()], axis=1)
    trend = np.linalg.lstsq(design, raw.ravel(), rcond=None)[0]
    rest = (raw.ravel() - design @ trend).reshape(raw.shape)
    far = OUTLYING * 1.4826 * float(np.median(np.abs(rest))) + SMOOTH
    along, across = body["slope"]
    return body["density"][0] + along * v + across * u + np.clip(rest, -far, far)


def _places(count: int) -> np.ndarray:
    return np.linspace(-0.5, 0.5, count)


def _over_areas(density: np.ndarray) -> np.ndarray:
    """Means over at most (ALONG, ACROSS) areas."""
    rows = np.array_split(np.arange(density.shape[0]), min(ALONG, density.shape[0]))
    columns = np.array_split(np.arange(density.shape[1]), min(ACROSS, density.shape[1]))
    return np.array([[density[np.ix_(r, c)].mean() for c in columns] for r in rows])


def _ln_dose(reading: Reading, density: np.ndarray) -> np.ndarray:
    """The strip's curve read backwards; nan beyond its ends."""
    curve = reading.detail["curve"]
    rising = np.maximum.accumulate(np.array(curve["densities"], float))
    along = np.linspace(curve["from"], curve["to"], len(rising))
    return np.asarray(np.interp(density, rising, along, left=np.nan, right=np.nan))


def _lies_backwards(strip: Strip) -> bool:
    """Whether the strip's picture is turned round, so that its first row's patch lies to the left."""
    polygons = np.array([s.mark.body["polygon"] for s in strip.spots])
    forward = polygons[0, 2:].mean(axis=0) - polygons[0, :2].mean(axis=0)
    place = polygons.mean(axis=1) @ forward
    return bool(place[-1] < place[0])


def _turned(found: AreaMap) -> AreaMap:
    return AreaMap(found.blocked[::-1, ::-1], found.differs[::-1, ::-1], found.mean, found.explained)


# ---- drawn -----------------------------------------------------------------------------------------------------


def words_of(found: AreaMap) -> str:
    """What a map shows, in words."""
    if not np.isfinite(found.blocked).any():
        return "The patch lies beyond the steps: no map can be drawn of it."
    low, high = (_number(f(found.blocked)) for f in (np.nanmin, np.nanmax))
    told = f"Mean {_number(found.mean)} %, lowest area {low} %, highest {high} %."
    if not math.isfinite(found.explained):
        return (
            f"{told} How even the paper is cannot be told in this picture, so the differences may be the paper's own."
        )
    more = "Framed areas differ by more, be it film or light from the side" if found.differs.any() else _NO_MORE
    return f"{told} {more}: without film the paper alone reaches about {found.explained:.1f} points from the mean."


_NO_MORE = "No area differs by more than the paper does"


def _number(x: float) -> str:
    return f"{x:.1f}".replace("-", "−")


def _chart(reading: Reading, strip: Strip, found: AreaMap) -> Chart:
    seconds = f"{strip.film[0].row.seconds:g}"
    of = f"{reading.product}, strip {strip.name}, {seconds}\N{NO-BREAK SPACE}s"
    return Chart(
        of,
        f"{words_of(found)} The first row's end of the strip is to the left; the edge of the patch is left out.",
        _spec(found, side_lengths(np.array(strip.film[0].mark.body["polygon"]))),
        ((reading.picture, strip.name),),
    )


def _spec(found: AreaMap, sides: tuple[float, float]) -> dict[str, Any]:
    across, along = found.blocked.shape
    values = [
        {
            "x": int(j),
            "y": int(i),
            "blocked": round(float(b), 2),
            "told": _number(b),
            "differs": bool(found.differs[i, j]),
        }
        for (i, j), b in np.ndenumerate(found.blocked)
        if math.isfinite(b)
    ]
    ends = [float(b) for b in np.round(found.blocked[np.isfinite(found.blocked)], 2)] or [found.mean]
    room = found.explained if math.isfinite(found.explained) else 0.0
    domain = [round(min([*ends, found.mean - room]), 1), round(max([*ends, found.mean + room]), 1)]
    place = {
        "x": {"field": "x", "type": "ordinal", "axis": None, "scale": {"domain": list(range(along)), "padding": 0.03}},
        "y": {"field": "y", "type": "ordinal", "axis": None, "scale": {"domain": list(range(across)), "padding": 0.03}},
    }
    shade = {
        "field": "blocked",
        "type": "quantitative",
        "scale": {"domain": domain, "range": [PALE, DEEP]},
        "legend": {"title": "% blocked", "values": [domain[0], round(sum(domain) / 2, 1), domain[1]]},
    }
    return {
        "width": WIDTH,
        "height": float(np.clip(round(WIDTH * sides[1] / sides[0]), LOWEST, HIGHEST)),
        "background": None,
        "data": {"values": values},
        "layer": [
            {"mark": {"type": "rect", "color": "var(--blue)"}, "encoding": {**place, "opacity": shade}},
            {
                "transform": [{"filter": "datum.differs"}],
                "mark": {"type": "rect", "fill": None, "stroke": "currentColor", "strokeWidth": 1.5, "opacity": 1},
                "encoding": place,
            },
            {
                "mark": {"type": "text", "fontSize": 11, "color": "currentColor", "opacity": 1},
                "encoding": {**place, "text": {"field": "told"}},
            },
        ],
        "config": {
            "font": "system-ui, sans-serif",
            "view": {"stroke": None},
            "legend": {
                "labelColor": "currentColor",
                "titleColor": "currentColor",
                "symbolType": "square",
                "symbolSize": 160,
                "symbolFillColor": "var(--blue)",
                "symbolStrokeWidth": 0,
                "labelFontSize": 11,
                "titleFontSize": 11,
                "titleFontWeight": "normal",
            },
        },
    }
