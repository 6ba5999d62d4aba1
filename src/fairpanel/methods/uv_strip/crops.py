"""Strips as a publication shows them: straight, at one scale, their tones stretched alike."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fairpanel.methods.contract import Crop, Entered, Mark
from fairpanel.methods.uv_strip.strips import Strip, strips_of
from fairpanel.picture.colour import BT2020, SRGB, linear_to_srgb, to_xyz
from fairpanel.picture.sampling import side_lengths, straightened
from fairpanel.picture.upright import Upright

#: Width of a strip as shown. [px]
ACROSS = 108

#: Densities are drawn this many times as strong, so that weak differences can be seen. [1]
STRETCH = 1.5

#: No strip is shown longer than this many times its width.
LONGEST = 20.0

#: The unit, kept on the line of its number.
_S = "\N{NO-BREAK SPACE}s"

WORDS = (
    "Strips are shown straight and at one scale. White is the paper's white in each picture; every tone is drawn at "
    f"{STRETCH:g} times its density, alike on all strips, so that weak differences show. The numbers come from the "
    "pictures as taken."
)


def crops(picture: Upright, marks: Sequence[Mark], entered: Sequence[Entered]) -> dict[str, Crop]:
    """Every strip of one picture.

    Parameters
    ----------
    picture : Upright
    marks : sequence of Mark
        Of this picture.
    entered : sequence of Entered
        Their rows.

    Returns
    -------
    mapping of strip to Crop
        ACROSS pixels high; the patch of its first row to the left. One factor for each colour brings the white of the
        picture to full white: it is what the patches' densities were reckoned from, as the middle one of them has it.
    """
    strips = strips_of(marks, entered)
    if not strips:
        return {}
    scale = ACROSS / float(np.median([s.mark.body["width"] for strip in strips for s in strip.spots]))
    light = {strip.name: [_light(picture, s.mark, scale) for s in strip.spots] for strip in strips}
    white = _white(strips, light)
    return {s.name: Crop(_shown(_laid_out(s, light[s.name]) / white), words_of(s)) for s in strips}


def words_of(strip: Strip) -> str:
    """What lay over each patch and how long, from left to right: “product, glass only; 90 s each”."""
    names = {"step no glass": "without glass", "step": "", "step unknown": ""}
    roles = [names.get(s.row.role, s.row.role) for s in strip.spots]
    times = [f"{s.row.seconds:g}" for s in strip.spots]
    if len(set(roles)) == 1:
        return f"{roles[0]} {', '.join(times)}{_S}".strip()
    if len(set(times)) == 1:
        return f"{', '.join(roles)}; {times[0]}{_S}" + (" each" if len(times) > 1 else "")
    return ", ".join(f"{role} {time}{_S}" for role, time in zip(roles, times, strict=True))


def _light(picture: Upright, mark: Mark, scale: float) -> np.ndarray:
    """Wide-space light of one patch, (ACROSS, along, 3), its start to the left."""
    polygon = np.array(mark.body["polygon"])
    along = int(np.clip(round(side_lengths(polygon)[0] * scale), 2, LONGEST * ACROSS))
    codes = straightened(picture, polygon, height=along, width=ACROSS)
    return picture.transfer.linear(codes).transpose(1, 0, 2)


def _white(strips: Sequence[Strip], light: dict[str, list[np.ndarray]]) -> np.ndarray:
    """Light of the paper's white, (3,)."""
    found = [
        np.median(patch[ACROSS // 4 : -ACROSS // 4, patch.shape[1] // 4 : -(patch.shape[1] // 4) or None], axis=(0, 1))
        * 10 ** np.array(spot.mark.body["density"])
        for strip in strips
        for spot, patch in zip(strip.spots, light[strip.name], strict=True)
    ]
    return np.maximum(np.median(found, axis=0), 1e-4)


def _laid_out(strip: Strip, light: Sequence[np.ndarray]) -> np.ndarray:
    """Patches side by side as they lie on the strip, turned so that the first row's is to the left."""
    polygons = np.array([s.mark.body["polygon"] for s in strip.spots])
    forward = polygons[0, 2:].mean(axis=0) - polygons[0, :2].mean(axis=0)
    place = polygons.mean(axis=1) @ forward
    whole = np.concatenate([light[i] for i in np.argsort(place, kind="stable")], axis=1)
    return whole[::-1, ::-1] if place[-1] < place[0] else whole


def _shown(reflectance: np.ndarray) -> np.ndarray:
    """sRGB codes of wide-space reflectance, stretched."""
    own = np.clip(reflectance, 0.0, 1.0) ** STRETCH @ (np.linalg.inv(to_xyz(SRGB)) @ to_xyz(BT2020)).T
    return np.rint(255 * linear_to_srgb(np.clip(own, 0.0, 1.0))).astype(np.uint8)
