"""Which exposure separates weak products, from the paper's own curve."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from fairpanel.methods.uv_strip import curve
from fairpanel.methods.uv_strip import starting_values as taken
from fairpanel.methods.uv_strip.calibration import Calibration
from fairpanel.methods.uv_strip.judging_strips import WASTE, waste_of

#: The useful exposure of products that are not known, in half-way times: simulated, see docs/reading.md.
USEFUL = 1.4


@dataclass(frozen=True)
class Advice:
    """What the curve says of an exposure.

    Parameters
    ----------
    halfway_seconds : float
        Exposure that brings the paper half-way from its lightest to its darkest.
    useful_seconds : float
        Exposure that serves products of which nothing is known.
    exposed_seconds : float or None
    waste : float or None
        Error of a product that blocks next to nothing, at the exposure, against the best exposure's. [1]
    verdict : {"too long", "too short", "serves", None}
    """

    halfway_seconds: float
    useful_seconds: float
    exposed_seconds: float | None = None
    waste: float | None = None
    verdict: str | None = None


def advice_on(c: Calibration, exposed_seconds: float | None, *, area: float) -> Advice:
    """Whether an exposure can separate weak products.

    Parameters
    ----------
    c : Calibration
    exposed_seconds : float or None
    area : float
        Of the patches exposed so, in the unit of the marks.
    """
    halfway = math.exp(curve.halfway(c.paper))
    advice = Advice(halfway, USEFUL * halfway)
    if exposed_seconds is None:
        return advice
    ln_dose = math.log(exposed_seconds)
    patch = replace(c.patches[0], area=area, ln_dose=ln_dose, shared=math.hypot(taken.LAMP, taken.PAPER), extra=0.0)
    waste = waste_of(c, patch)
    verdict = "serves"
    if waste > WASTE:
        verdict = "too long" if ln_dose > math.log(halfway) else "too short"
    return Advice(halfway, USEFUL * halfway, exposed_seconds, waste, verdict)
