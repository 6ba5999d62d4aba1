"""What a row says of the exposure: dose, what is uncertain about it, and whether it is comparable with its steps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fairpanel.methods.uv_strip import starting_values as taken
from fairpanel.methods.uv_strip.row import Row


@dataclass(frozen=True)
class Dose:
    """ln of seconds in full light, and its own standard uncertainties. [ln]

    `timing` belongs to the patch; `shared` to all patches of the strip (place, warm-up); lamp and paper are left out.
    """

    ln: float
    timing: float
    shared: float
    warm: float


def dose_of(row: Row, *, places_given: bool) -> Dose:
    """Dose of one patch.

    Parameters
    ----------
    row : Row
    places_given : bool
        Other rows give their relative light, so a row that does not lies at an unknown place.
    """
    if row.seconds <= 0:
        return Dose(-math.inf, 0.0, 0.0, 1.0)
    warm, warm_doubt = _warmth(row)
    place = taken.PLACE_UNKNOWN if places_given and row.relative_light is None else taken.PLACE
    return Dose(
        math.log(row.seconds * (row.relative_light or 1.0) * warm),
        taken.TIMING_S / max(row.seconds, 2 * taken.TIMING_S),
        math.hypot(place, warm_doubt),
        warm,
    )


def _warmth(row: Row) -> tuple[float, float]:
    """Share of the lamp's full light during the exposure, and its standard uncertainty relative to it.

    Exponential approach with the starting time constant (common practice: 15 minutes of warm-up, no source).
    """
    if row.lamp_on_s is None:
        return 1.0, 0.0
    tau, t0, t1 = taken.WARM_UP_S, row.lamp_on_s, row.lamp_on_s + row.seconds
    missing = tau / row.seconds * (math.exp(-t0 / tau) - math.exp(-t1 / tau))
    return 1 - missing, taken.WARM_UP_DOUBT * missing


def places_given(rows: Sequence[Row]) -> bool:
    """Some row gives the relative light at its place."""
    return any(r.relative_light is not None for r in rows)
