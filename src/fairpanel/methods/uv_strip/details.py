"""What the data file says of a strip beyond what every method's readings say."""

from __future__ import annotations

import math
from typing import Any

from fairpanel.methods.contract import Reading


def details(reading: Reading) -> dict[str, Any]:
    """Plate, transmission and standard uncertainty of one strip.

    Parameters
    ----------
    reading : Reading

    Returns
    -------
    mapping
        "plate" as in the table, empty where none was given; "transmission" a share; "standard_uncertainty" in points
        of blocked. The two numbers are None where the strip gives only a bound.

    Examples
    --------
    >>> from fairpanel.measured import Component, Measured
    >>> number = Measured(math.log(0.8), (Component("patch", 0.02),))
    >>> strip = Reading((), "Wax", "P1", "a.png", "S1", "blocked", number, -0.26, -0.18, detail={"plate": "P1"})
    >>> details(strip)
    {'plate': 'P1', 'transmission': 0.8, 'standard_uncertainty': 1.6}
    """
    transmission = None if reading.bounded else math.exp(reading.measured.value)
    points = None if transmission is None else 100 * transmission * reading.measured.standard_uncertainty
    return {
        "plate": reading.detail.get("plate", reading.specimen),
        "transmission": transmission,
        "standard_uncertainty": points,
    }
