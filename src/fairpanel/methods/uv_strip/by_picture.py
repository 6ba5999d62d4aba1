"""Naming strips on their picture: what lies in it, what is asked of one strip, and the rows that the answer makes."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping, Sequence

import numpy as np

from fairpanel.methods.columns import CellError, Column, Fault, columns_of, duration, one_of
from fairpanel.methods.contract import ByPicture, Found
from fairpanel.methods.uv_strip.lying_strips import Lying, lying_strips
from fairpanel.methods.uv_strip.row import PRODUCT_ROLES, ROLES, STEP_ROLES, Row
from fairpanel.picture.finding_mat import MirroredPicture
from fairpanel.picture.patch_edges import find_patches
from fairpanel.picture.upright import Upright

#: A strip with fewer patches than this is not taken for a step strip.
LEAST_STEPS = 4

#: What may differ from patch to patch of a strip besides role and time.
_EACH = ("relative_light", "place_x_mm", "place_y_mm")

_OTHER_HALF = tuple(role for role in ROLES if role not in STEP_ROLES)


# ---- what lies in the picture ----------------------------------------------------------------------------------


def look(picture: Upright) -> list[Found]:
    """The strips of a picture that no row need name; mirrored pictures show none.

    Parameters
    ----------
    picture : Upright
    """
    try:
        lying = lying_strips(picture)
    except MirroredPicture:
        return []
    steps = _steps_among(lying)
    return [_found(picture, one, one is steps) for one in lying]


def _steps_among(lying: Sequence[Lying]) -> Lying | None:
    whole = [one for one in lying if one.whole]
    for one in whole:
        if one.cell is not None and one.cell.kind == "steps":
            return one
    longest = max(whole, key=lambda one: one.strip.patches, default=None)
    return longest if longest is not None and longest.strip.patches >= LEAST_STEPS else None


def _found(picture: Upright, one: Lying, steps: bool) -> Found:
    outline = np.asarray(one.strip.outline, float)
    # A strip of one tone is outlined by what surely is paper: nothing divides it later.
    if one.cell is None and one.whole and not steps and one.distinct == 1:
        outline = _sure(picture, outline)
    patches = one.strip.patches if steps else one.distinct
    place = one.cell.name if one.cell else place_of(outline)
    return Found("steps" if steps else one.name, outline, patches, steps, one.whole, place)


def _sure(picture: Upright, outline: np.ndarray) -> np.ndarray:
    try:
        return np.asarray(find_patches(picture, outline, 1).sure[0], float)
    except ValueError:
        return outline


def place_of(outline: np.ndarray) -> str:
    """An outline as the table's column "box" writes it.

    Parameters
    ----------
    outline : (4, 2) array
        Corners in order around. [px]

    >>> place_of(np.array([[1, 2], [11, 2], [11, 7.25], [1, 7.25]]))
    '1 2 11 2 11 7.2 1 7.2'
    """
    return " ".join(f"{x:.1f}".removesuffix(".0") for x in np.asarray(outline, float).ravel())


# ---- what is asked ---------------------------------------------------------------------------------------------

_FILLED = ("picture", "box")  # by the picture itself
_FIRST = ("strip", "role", "seconds", "other half", "product", "plate", "paper_sheet", "run")


def _asked() -> tuple[Column, ...]:
    own = {c.name: c for c in columns_of(Row) if c.name not in _FILLED}
    own["seconds"] = dataclasses.replace(
        own["seconds"],
        help="the exposure of the strip, or of each of its patches along it: 0, 8 s, 15 s or 0, 1, 2, 4 min",
    )
    for name in _EACH:
        help = f"{own[name].help}; of each patch along the strip, apart by semicolons, where they differ"
        own[name] = dataclasses.replace(own[name], help=help)
    own["other half"] = Column(
        "other half", one_of, "", False, _OTHER_HALF, "what lay over the other half, where a plate was coated by half",
        "glass only", "", True, False,
    )  # fmt: skip
    own["strip"] = dataclasses.replace(own["strip"], help="a name for the strip")
    return tuple(own[n] for n in _FIRST) + tuple(c for n, c in own.items() if n not in _FIRST)


# ---- from answers to rows --------------------------------------------------------------------------------------


def rows(answers: Mapping[str, str]) -> tuple[list[dict[str, str]], list[Fault]]:
    """Cells of the rows that the answers about one strip make, one for each patch; or what is wrong with them.

    Parameters
    ----------
    answers : mapping of field to text
        Fields as in `asked`; "picture" and "box" are filled by the picture.
    """
    times, fault = _times_or_fault(answers.get("seconds", ""))
    role, half = one_of(answers.get("role", "")), one_of(answers.get("other half", ""))
    if half and len(times) == 1:
        times = times * 2
    roles = [role, half] if half else [role] * len(times)
    faults = [fault] if fault else []
    if half and role in STEP_ROLES:
        faults.append(Fault(None, "other half", "a step strip has no other half; leave it empty"))
    elif half and not fault and len(times) != 2:
        faults.append(
            Fault(None, "other half", f"the strip has {len(times)} exposures; with two halves write one, or one each")
        )
    each = {name: _shared_out(answers.get(name, ""), len(times)) for name in _EACH}
    faults += [
        Fault(
            None, name, f"holds another number of values than the strip has patches ({len(times)}); write one, or each"
        )
        for name, values in each.items()
        if len(values) != len(times) and not fault
    ]
    if faults:
        return [], faults
    made = [_cells(answers, r, t) for r, t in zip(roles, times, strict=True)]
    return [one | {name: values[k] for name, values in each.items()} for k, one in enumerate(made)], []


def _shared_out(cell: str, n: int) -> list[str]:
    """A value for each patch: one for all, or as many as were written."""
    values = [v.strip() for v in cell.split(";")]
    return values * n if len(values) == 1 else values


def _cells(answers: Mapping[str, str], role: str, time: str) -> dict[str, str]:
    cells = {c.name: answers.get(c.name, "") for c in columns_of(Row)} | {"role": role, "seconds": time}
    if role and role not in PRODUCT_ROLES:
        cells |= {"product": "", "kind": ""}
    return cells


def _times_or_fault(cell: str) -> tuple[list[str], Fault | None]:
    try:
        return times(cell), None
    except CellError as problem:
        return [], Fault(None, "seconds", str(problem))


_ITEM = re.compile(r"\s*((?:\d+:[0-5]\d)|(?:\d+(?:[.,]\d+)?|[.,]\d+))\s*([^\W\d_]*)\.?\s*")


def times(cell: str) -> list[str]:
    """Lengths of time along a strip, each as text; a unit at the end holds for all that have none.

    >>> times("0, 1, 2 min"), times("90"), times("0 8 15"), times("1 min 30 s"), times("0; 0,5; 1 min")
    (['0 min', '1 min', '2 min'], ['90'], ['0', '8', '15'], ['1 min 30 s'], ['0 min', '0,5 min', '1 min'])

    Raises
    ------
    CellError
        It cannot be told which times are meant.
    """
    packed = " ".join(cell.split())
    if not packed:
        return [""]
    if not re.search(r"[;\s,]", packed) or _is_one(packed):
        return [packed]
    parts = [p.strip() for p in re.split(_between(packed), packed)]
    found = [_ITEM.fullmatch(p) for p in parts]
    if not all(found):
        raise CellError(f"“{cell}” are no times; write them apart by commas: 0, 8 s, 15 s or 0, 1, 2, 4 min")
    return _with_units([(m[1], m[2]) for m in found if m], cell)


def _between(packed: str) -> str:
    """What stands between the times: a comma may also be the decimal sign."""
    if ";" in packed:
        return ";"
    if ", " in packed:
        return r",\s+"
    return "," if packed.count(",") > 1 and " " not in packed else r"\s+(?=[\d.])"


def _is_one(packed: str) -> bool:
    try:
        duration(packed)
    except CellError:
        return False
    return True


def _with_units(items: list[tuple[str, str]], cell: str) -> list[str]:
    bare = [
        i for i, (value, unit) in enumerate(items) if not unit and float(value.replace(",", ".").replace(":", "")) != 0
    ]
    unit = items[-1][1]
    if bare and unit and any(u for _, u in items[:-1]):
        raise CellError(f"“{cell}” has times with and without a unit; write the unit with each, or once at the end")
    return [f"{value} {own or unit}".strip() for value, own in items]


# ---- and back --------------------------------------------------------------------------------------------------


def answers_of(own: Sequence[Row]) -> dict[str, str]:
    """The answers that these rows of one strip were made from, as far as they can be told."""
    first = own[0]
    said = {c.name: _as_text(getattr(first, c.name)) for c in columns_of(Row)}
    said["other half"] = own[1].role if len(own) == 2 and own[1].role != first.role else ""
    for name in _EACH:
        values = [_as_text(getattr(r, name)) for r in own]
        said[name] = values[0] if len(set(values)) == 1 else "; ".join(values)
    same = said["other half"] and own[0].seconds == own[1].seconds
    said["seconds"] = ", ".join(_as_text(r.seconds) for r in (own[:1] if same else own))
    for r in own:
        for name in ("product", "kind"):
            said[name] = said[name] or _as_text(getattr(r, name))
    return said


def _as_text(value: object) -> str:
    return "" if value is None else f"{value:.10g}" if isinstance(value, float) else str(value)


BY_PICTURE = ByPicture(look=look, asked=_asked(), rows=rows, answers_of=answers_of, place_of=place_of)
