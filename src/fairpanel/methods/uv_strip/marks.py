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
from fairpanel.picture import light as lighting
from fairpanel.picture.finding_mat import greys_in, mat_in
from fairpanel.picture.focus import edge_blur
from fairpanel.picture.light import Light
from fairpanel.picture.sampling import Blocks, blocks, side_lengths, trimmed
from fairpanel.picture.tone_curve import ToneCurve, fit_tone_curve, straight
from fairpanel.picture.upright import Upright
from fairpanel.picture.white import CellLight, light_around, light_in_cell, mat_light

#: Border left out, as a share of a patch's shorter side: side light, card penumbra, the outline's own error.
BORDER = 0.18
#: Blocks across the width of a strip.
BLOCKS_ACROSS = 9
#: Light that seems even is known no better than this. [ln]
EVEN_ERROR = 0.004
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
        """(n,) what the white samples are over the light, in green. [ln]"""
        return (np.log(np.maximum(self.white, 1e-6)) - self.light.at(self.places))[:, 1]


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
    around = light_around(picture, [o.polygon for o in outlines], width=width, lightest=lightest)
    if around is not None:
        model, places, white = around
        return _Lighting(model, straight(), places, white, _brightest(white), _at_top(picture, white))
    model = _from_patches(patches, picture)
    nothing = np.zeros((0, 2))
    return _Lighting(model, straight(), nothing, np.zeros((0, 3)), np.full(3, lightest), np.zeros(0, bool))


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


def _from_patches(patches: Sequence[Blocks], picture: Upright) -> Light:
    usable = [b for b in patches if b.light.min() > 1e-3]
    if len(usable) < 6:
        return lighting.even()
    places = np.concatenate([b.places.reshape(-1, 2) for b in usable])
    log = np.concatenate([np.log(b.light).reshape(-1, 3) for b in usable])
    patch = np.concatenate([np.full(b.light[..., 0].size, i) for i, b in enumerate(usable)])
    return lighting.from_patches(places, log, patch, unit=float(np.hypot(picture.width, picture.height)) / 3)


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
    local = {"error": cell.error, "step": cell.step} if cell else _local_light(lit, near)
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


def _local_light(lit: _Lighting, near: np.ndarray) -> dict[str, float]:
    """How well the light around one patch is known. [ln]"""
    if not len(near):
        return {"error": max(lit.light.left_over, EVEN_ERROR), "step": 0.0}
    rest = _neighbourly(lit.places[near], lit.rest[near])
    rms = float(np.sqrt(np.mean(np.clip(rest, -0.3, 0.3) ** 2)))
    return {"error": rms / math.sqrt(6), "step": float(np.ptp(rest))}


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
