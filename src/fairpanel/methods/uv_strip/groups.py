"""Which strips are read with which steps, and what may set them apart: lamp, paper, sheet, run, lot, glass, picture."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from fairpanel.methods.contract import Refusal
from fairpanel.methods.uv_strip import starting_values as taken
from fairpanel.methods.uv_strip.calibration import Offset, Patch
from fairpanel.methods.uv_strip.colours import Colours, colours_of
from fairpanel.methods.uv_strip.doses import Dose, dose_of
from fairpanel.methods.uv_strip.noise import Noise, fit_noise
from fairpanel.methods.uv_strip.strips import Spot, Steps, Strip, by_picture, choose_steps

#: The channel read: wide-space red, where Prussian blue shows most.
RED = 0


@dataclass(frozen=True)
class Group:
    """Strips of one picture that are read against the same steps.

    Parameters
    ----------
    picture : str
    steps : Steps
    film : tuple of Strip
        Strips with a product.
    controls : tuple of Strip
        Strips that lay under glass only.
    elsewhere : mapping
        By the name of a strip, what sets it apart from the steps.
    noises : mapping
        Noise of the paper by picture.
    places_given : bool
        Some rows of the table give the light at their place.
    steps_role : str
        Role of the steps, as the table says or as is assumed for once.
    restless : float
        How far lamp and paper wander, against the starting values. [1]
    """

    picture: str
    steps: Steps
    film: tuple[Strip, ...] = ()
    controls: tuple[Strip, ...] = ()
    elsewhere: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    noises: Mapping[str, Noise] = field(default_factory=dict)
    places_given: bool = False
    steps_role: str = "step"
    restless: float = 1.0

    @property
    def key(self) -> str:
        """Names what shares one curve."""
        return f"{self.picture} < {self.steps.key}"

    @cached_property
    def colours(self) -> Colours | None:
        """How the colours of exposed paper go together in this picture, from its own steps."""
        return None if "picture" in self.steps.elsewhere else colours_of(self.steps)

    @property
    def noise(self) -> Noise:
        """Noise of the steps' paper."""
        return self.noises[self.steps.strips[0].picture]

    def steps_for(self, strip: Strip) -> Steps:
        """The steps, with what sets them apart from one strip."""
        return replace(self.steps, elsewhere=self.elsewhere.get(strip.name, ()))

    def offsets_of(self, strip: Strip) -> dict[str, Offset]:
        """Offsets of ln(dose) for what sets a strip apart from its steps; strips that share the cause share them."""
        offsets = {}
        for column, spread in (("paper_lot", taken.LOT), ("paper_sheet", taken.SHEET), ("run", taken.RUN)):
            if column in self.elsewhere.get(strip.name, ()):
                name = f"{column} {strip.first(column)}"
                offsets[name] = Offset(0.0, spread, column.replace("_", " "), name)
        return offsets

    def offsets_of_steps(self, steps: Strip) -> dict[str, Offset]:
        """Offsets of ln(dose) of a step strip: its own lamp and paper, and glass where none lay over it."""
        name = f"steps {steps.picture}:{steps.name}"
        spread = self.restless * math.hypot(taken.LAMP, 0.5 * taken.PAPER)
        offsets = {name: Offset(0.0, spread, "lamp", name)}
        if self.steps_role == "step no glass":
            offsets["no glass"] = Offset(-taken.GLASS, 3 * taken.GLASS_SPREAD, "steps without glass", "glass")
        elif self.steps_role == "step unknown":
            half = -taken.GLASS / 2
            spread = math.hypot(half, taken.GLASS_SPREAD)
            offsets["unknown glass"] = Offset(half, spread, "steps' glass not known", "glass")
        return offsets

    def patch(self, spot: Spot, strip: Strip, offsets: Sequence[str]) -> Patch:
        """A patch of the table as the fit sees it."""
        d: Dose = dose_of(spot.row, places_given=self.places_given)
        body = spot.mark.body
        steps = strip.is_steps
        return Patch(
            body["density"][RED],
            body["area"],
            d.ln,
            d.timing,
            exposure=spot.id if steps else f"{strip.picture}:{strip.name}:{spot.row.seconds}",
            strip=strip.name,
            shared=0.0 if steps else math.hypot(d.shared, self.restless * math.hypot(taken.LAMP, taken.PAPER)),
            offsets=tuple(offsets),
            extra=self._extra(body, strip),
            place=self.restless * taken.PAPER_WITHIN,
        )

    def _extra(self, body: Mapping[str, Any], strip: Strip) -> float:
        """Standard uncertainty of a patch's density beyond the paper's noise."""
        extra = body["light_error"] / math.log(10)
        if strip.is_steps:
            return extra
        first = self.steps.strips[0]
        if strip.picture != first.picture:
            lossy = body["facts"]["lossy"] or first.spots[0].mark.body["facts"]["lossy"]
            extra = math.hypot(extra, taken.OTHER_PHOTO if lossy else taken.OTHER_SCAN)
        if "paper_sheet" in self.elsewhere.get(strip.name, ()):
            extra = math.hypot(extra, taken.SHEET_RANGE)
        if self.colours is not None:
            extra = math.hypot(extra, self.colours.doubt(body["density"]))
        return extra


def groups_of(strips: Sequence[Strip], *, places_given: bool) -> tuple[list[Group], list[Refusal]]:
    """All strips with a product or under glass only, by picture and by the steps they are to be read against.

    Parameters
    ----------
    strips : sequence of Strip
        Of the whole campaign.
    places_given : bool

    Returns
    -------
    groups, refusals
        Refused are strips with a product for which there are no steps at all.
    """
    steps = [s for s in strips if s.is_steps]
    noises = {picture: noise_of(inside) for picture, inside in by_picture(strips).items()}
    together: dict[tuple[str, str], Group] = {}
    refusals = []
    for s in strips:
        if s.is_steps or not (s.film or s.glass):
            continue
        chosen = choose_steps(s, steps)
        if chosen is None:
            if s.film:
                refusals.append(Refusal(s.picture, s.name, *_NO_STEPS))
            continue
        role = chosen.strips[0].spots[0].row.role
        new = Group(s.picture, chosen, noises=noises, places_given=places_given, steps_role=role)
        g = together.get((s.picture, chosen.key), new)
        together[s.picture, chosen.key] = replace(
            g,
            film=(*g.film, s) if s.film else g.film,
            controls=g.controls if s.film else (*g.controls, s),
            elsewhere={**g.elsewhere, s.name: chosen.elsewhere},
        )
    return list(together.values()), refusals


_NO_STEPS = (
    "there is no step strip to read it against",
    "Lay a step strip, cut from the same paper sheet and exposed under glass in the same run, into the same picture, "
    "and write its steps into the table with the role “step”.",
)


def noise_of(strips: Sequence[Strip]) -> Noise:
    """Noise of the paper in one picture; from steps and glass-only patches where there are enough, since film may be
    uneven by itself."""
    plain = [s.mark.body for strip in strips for s in strip.spots if not s.row.is_product]
    return fit_noise(plain if len(plain) >= 4 else [s.mark.body for strip in strips for s in strip.spots], RED)
