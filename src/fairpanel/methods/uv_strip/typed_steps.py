"""Exposures of a step strip as they are typed on one line: `0,1,2,3,4min`."""

from __future__ import annotations

import re
from itertools import pairwise

from fairpanel.methods.columns import CellError, duration

#: A curve needs three steps; nobody cuts more than this from one strip.
FEWEST, MOST = 3, 60

_BETWEEN = re.compile(r"(?<=[\d.,:])\s+(?=[^\W\d])")
_UNIT = re.compile(r"[^\W\d_]+\.?$")


def typed_steps(text: str) -> tuple[float, ...]:
    """Exposures of the steps along a strip, in seconds.

    Separated by commas, semicolons or blanks; with semicolons or blanks a comma is a decimal comma. A step without a
    unit has that of the next step that names one; where none does, seconds.

    Parameters
    ----------
    text : str

    Raises
    ------
    CellError
        No list of times, fewer than three, or neither rising nor falling all along.

    Examples
    --------
    >>> typed_steps("0,1,2,3,4min")
    (0.0, 60.0, 120.0, 180.0, 240.0)
    >>> typed_steps("0;0,5;1 min"), typed_steps("120 60 0 s")
    ((0.0, 30.0, 60.0), (120.0, 60.0, 0.0))
    """
    seconds = tuple(duration(part) for part in _with_units(_parts(text), text))
    if len(seconds) < FEWEST:
        raise CellError(
            f"“{text}” names {len(seconds)} steps; a curve needs at least {FEWEST}. Write the exposure of every step, "
            "the unexposed one too: 0,1,2,3,4min"
        )
    if len(seconds) > MOST:
        raise CellError(f"“{text[:40]} ...” names {len(seconds)} steps; at most {MOST} can be read from one strip")
    _refuse_disorder(seconds, text)
    return seconds


def _parts(text: str) -> list[str]:
    """The steps one by one, each with its own unit or none."""
    packed = _BETWEEN.sub("", text.strip().replace("\u00a0", " "))
    if ";" in packed:
        parts = packed.split(";")
    elif re.search(r",\s", packed) or not re.search(r"\s", packed):
        parts = packed.split(",")
    else:
        parts = packed.split()
    parts = [part.strip() for part in parts]
    if not parts or not all(parts):
        raise CellError(f"“{text}” has an empty place in its list of steps; write them like 0,1,2,3,4min")
    return parts


def _with_units(parts: list[str], text: str) -> list[str]:
    """The steps, each with a unit: its own or that of the next one that has any."""
    unit, whole = "", []
    for part in reversed(parts):
        own = _UNIT.search(part)
        if own:
            unit = own[0]
        elif ":" not in part:
            if not unit and any(_UNIT.search(other) for other in parts):
                raise CellError(
                    f"“{part}” in “{text}” has no unit, but steps before it have one. Write the unit once, at the end: "
                    "0,1,2,3,4min"
                )
            part += unit
        whole.append(part)
    return whole[::-1]


def _refuse_disorder(seconds: tuple[float, ...], text: str) -> None:
    falls = seconds[-1] < seconds[0]
    for before, after in pairwise(seconds):
        if after == before or (after < before) != falls:
            raise CellError(
                f"the steps in “{text}” neither rise nor fall all along: {before:g} s is followed by {after:g} s. "
                "Write them in the order in which they lie on the strip; with a decimal comma separate them by "
                "semicolons: 0;0,5;1 min"
            )
