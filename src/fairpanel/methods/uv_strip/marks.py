"""One picture at a time: what each patch looks like, in density, with its unevenness and what is wrong with it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from fairpanel.methods.contract import Entered, Mark, Outline
from fairpanel.methods.uv_strip import tone
from fairpanel.picture.finding_mat import greys_in, mat_in
from fairpanel.picture.focus import edge_blur
from fairpanel.picture.light import Light
from fairpanel.picture.loose_light import LooseLight, over_strips
from fairpanel.picture.sampling import Blocks, blocks, side_lengths, trimmed
from fairpanel.picture.tone_curve import ToneCurve, fit_tone_curve, straight
from fairpanel.picture.upright import Upright
from fairpanel.picture.white import CellLight, ground_around, light_in_cell, mat_light

#: Border left out, as a share of a patch's shorter side: side light, card penumbra, the outline's own error.
BORDER = 0.18
#: Blocks across the width of a strip.
BLOCKS_ACROSS = 9
#: Light that seems even is known no better than this. [ln]
EVEN_ERROR = 0.004
#: The ground changes by so many of its usual unevennesses from spot to spot without any shadow.
GRAINY = 4.0
#: Least light that is told from none. [1]
DARKEST = 1e-5


@dataclass(frozen=True)
class _Lighting:
    """Light and tone curve of a picture, with the white samples they came from."""

    light: Light
    curve: ToneCurve
    places: np.ndarray
    white: np.ndarray
    brightest: np.ndarray
    at_top: np.ndarray

    @cached_property
    def rest(self) -> np.ndarray:
        """(n,) what the white samples are over the light, in green; on a loose ground, over its own smooth surface.
        [ln]"""
        if isinstance(self.light, LooseLight):
            return self.light.sharp
        return (np.log(np.maximum(self.white, 1e-6)) - self.light.at(self.places))[:, 1]

    @cached_property
    def usual_rest(self) -> float:
        """How uneven a loose ground is anyhow, from spot to spot. [ln]"""
        if not isinstance(self.light, LooseLight) or not len(self.rest):
            return 0.0
        return 1.4826 * float(np.median(np.abs(_neighbourly(self.places, self.rest))))


def measure(picture: Upright, outlines: Sequence[Outline], entered: Sequence[Entered]) -> list[Mark]:
    """Density and unevenness of every outlined patch of one picture.

    Parameters
    ----------
    picture : Upright
    outlines : sequence of Outline
        Wholly inside the picture.
    entered : sequence of Entered
        The rows of this picture.

    Returns
    -------
    list of Mark
        In the order of the outlines.
    """
    if not outlines:
        return []
    width = strip_width(outlines)
    patches = [_blocks_of(picture, o.polygon, width) for o in outlines]
    lit = _lighting(picture, outlines, patches, width)
    return [Mark(o.row_id, *_body(picture, o.polygon, b, lit, width)) for o, b in zip(outlines, patches, strict=True)]


def strip_width(outlines: Sequence[Outline]) -> float:
    """Typical width of the strips of a picture: the median of the patches' widths. [px]"""
    return float(np.median([side_lengths(o.polygon)[1] for o in outlines]))


def _blocks_of(picture: Upright, polygon: np.ndarray, width: float) -> Blocks:
    long, wide = side_lengths(polygon)
    border = BORDER * min(long, wide)
    inner = trimmed(polygon, along=min(border / long, 0.3), across=min(border / wide, 0.3))
    return blocks(picture, inner, side=max(width / BLOCKS_ACROSS, 2.0))


def _lighting(picture: Upright, outlines: Sequence[Outline], patches: Sequence[Blocks], width: float) -> _Lighting:
    found = mat_in(picture)
    lightest = max(DARKEST, *(float(np.median(b.light[..., 1])) for b in patches))
    if found is not None:
        model, places, white = mat_light(picture)
        brightest = _brightest(white)
        curve = _tone_curve(picture, brightest)
        return _Lighting(model, curve, places, white, brightest, _at_top(picture, white))
    ground = ground_around(picture, [o.polygon for o in outlines], width=width, lightest=lightest)
    model = over_strips(patches, ground, width=width, diagonal=float(np.hypot(picture.width, picture.height)))
    if ground is None:
        return _Lighting(model, straight(), np.zeros((0, 2)), np.zeros((0, 3)), np.full(3, lightest), np.zeros(0, bool))
    brightest = _brightest(ground.light) if ground.white else np.full(3, lightest)
    return _Lighting(model, straight(), ground.places, ground.light, brightest, _at_top(picture, ground.light))


def _brightest(white: np.ndarray) -> np.ndarray:
    """(3,) level of the best lit white; a picture in which nothing gives light still gets one."""
    return np.maximum(np.quantile(white, 0.98, axis=0), DARKEST)


def _at_top(picture: Upright, white: np.ndarray) -> np.ndarray:
    """(n,) whether a white sample has a channel as light as the picture can show, to within a code of 256."""
    own = white @ np.linalg.inv(picture.transfer.matrix).T
    table = picture.transfer.table
    return (own > table[-1 - max(1, len(table) // 256)]).any(axis=1)


def _tone_curve(picture: Upright, brightest: np.ndarray) -> ToneCurve:
    greys = [g for g in greys_in(picture) if g.clipped < 0.05]
    if len(greys) < 8:
        return straight()
    grey = np.log(np.maximum([g.light[1] for g in greys], 1e-5) / brightest[1])
    white = np.log(np.maximum([g.paper[1] for g in greys], 1e-5) / brightest[1])
    return fit_tone_curve(grey, white, np.array([g.grey.level for g in greys]))


def _body(
    picture: Upright, polygon: np.ndarray, b: Blocks, lit: _Lighting, width: float
) -> tuple[dict[str, Any], tuple[str, ...]]:
    brightest = np.log(lit.brightest)
    cell = _cell_light(picture, polygon)
    of_light = (cell or lit.light).at(np.concatenate([b.places.reshape(-1, 2), polygon]))
    white = of_light[:-4].reshape(b.light.shape) - (brightest if lit.light.source == "white" else 0.0)
    recorded = np.log(np.maximum(b.light, DARKEST)) - brightest
    density = (lit.curve.straightened(white) - lit.curve.straightened(recorded)) / math.log(10)
    body: dict[str, Any] = dict(tone.patch_tone(density))
    near = _near(polygon, lit.places, width)
    local = {"error": cell.error, "step": cell.step} if cell else _local_light(lit, near, b)
    blur = edge_blur(picture, polygon)
    body |= {
        "area": b.pixels / width**2,
        "pixels": b.pixels,
        "low_share": b.low_share.tolist(),
        "high_share": b.high_share.tolist(),
        "white_at_top": float(lit.at_top[near].mean()) if len(near) else 0.0,
        "light_from": lit.light.source,
        "light_error": local["error"],
        "light_step": local["step"],
        "light_slope": float(np.ptp(of_light[-4:, 1])),
        "white": float(lit.brightest[1]),
        "blur": blur / width if blur is not None else None,
        "width": width,
        "grey_misfit": lit.curve.misfit,
        "polygon": np.round(polygon, 2).tolist(),
        "facts": {
            k: picture.facts.get(k) for k in ("grey", "palette", "cmyk", "alpha", "auto_mode", "lossy", "format")
        },
    }
    return body, _flags(body)


def _cell_light(picture: Upright, polygon: np.ndarray) -> CellLight | None:
    """Light of the mat's cell that a patch lies in; None where it lies in none."""
    mat = mat_in(picture)
    if mat is None:
        return None
    x, y = mat.to_mm(polygon.mean(axis=0))
    for cell in mat.layout.cells:
        if cell.x <= x <= cell.x + cell.width and cell.y <= y <= cell.y + cell.height:
            return light_in_cell(picture, cell)
    return None


def _near(polygon: np.ndarray, places: np.ndarray, width: float) -> np.ndarray:
    """Which samples of white lie around a patch."""
    far = np.hypot(*(places - polygon.mean(axis=0)).T)
    near = np.flatnonzero(far < 0.5 * max(side_lengths(polygon)) + 0.6 * width)
    return near if len(near) >= 4 else np.argsort(far)[:6]


def _local_light(lit: _Lighting, near: np.ndarray, b: Blocks) -> dict[str, float]:
    """How well the light around one patch is known, and the sharpest change of it, beyond what the ground shows
    anyhow. [ln]"""
    rest = _neighbourly(lit.places[near], lit.rest[near]) if len(near) else np.zeros(1)
    step = float(np.ptp(rest))
    if isinstance(lit.light, LooseLight):
        error = math.hypot(lit.light.error(b.places.reshape(-1, 2)), EVEN_ERROR)
        return {"error": error, "step": max(step - GRAINY * lit.usual_rest, 0.0)}
    rms = float(np.sqrt(np.mean(np.clip(rest, -0.3, 0.3) ** 2)))
    return {"error": rms / math.sqrt(6), "step": step}


def _neighbourly(places: np.ndarray, values: np.ndarray) -> np.ndarray:
    """(n,) median of each value and its four nearest: a shadow's edge stays, the ground's grain and a speck do not."""
    apart = ((places[:, None] - places[None]) ** 2).sum(axis=-1)
    nearest = np.argsort(apart, axis=1)[:, :5]
    return np.median(values[nearest], axis=1)


def _flags(body: dict[str, Any]) -> tuple[str, ...]:
    """Flags that one patch of one picture shows by itself."""
    facts = body["facts"]
    checks = {
        "clipped": max(*body["low_share"][1:], *body["high_share"]) > 0.02
        or body["low_share"][0] > 0.3
        or body["white_at_top"] > 0.1,
        "out of focus": body["blur"] is not None and body["blur"] > 0.03,
        "uneven light left": body["light_error"] > 0.012 or body["light_slope"] > 0.35,
        "shadow edge": body["light_step"] > 0.12,
        "glare": body["lighter_out"] > 0.04,
        "stained": body["darker_out"] > 0.08,
        "few pixels": body["pixels"] < 300,
        "very dark": body["white"] < 0.1,
        "no colour": bool(facts["grey"]),
        "colours converted": bool(facts["cmyk"]),
        "few colours": bool(facts["palette"]),
        "see-through picture": facts["alpha"] == "varying",
        "altered by an automatic mode": bool(facts["auto_mode"]),
        "tone curve off": body["grey_misfit"] > 0.12,
    }
    return tuple(name for name, seen in checks.items() if seen)
