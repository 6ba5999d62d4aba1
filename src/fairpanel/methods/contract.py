"""What a test method is: the stages it provides and the plain data that pass between them.

    rows and pictures -> outlines -> marks -> readings -> results

A method provides `METHOD = Method(...)`. Storage, commands, pages and publication know only this page. Methods never
import each other.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fairpanel.measured import Measured

# ---- what passes between the stages ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Entered:
    """A row as the tester entered it, with its id on the bench and its line in the table it came from."""

    id: str
    row: Any
    line: int = 0


@dataclass(frozen=True, slots=True)
class Outline:
    """Where in a picture one row's specimen lies.

    Parameters
    ----------
    row_id : str
        The row it belongs to.
    polygon : (n, 2) array
        Corners in pixels of the upright picture: x to the right, y down, (0, 0) the centre of the first pixel.
        For a patch: start left, start right, end right, end left, seen along the strip from its start.
    how : {"found", "given", "moved"}
    """

    row_id: str
    polygon: np.ndarray
    how: str


@dataclass(frozen=True, slots=True)
class Mark:
    """What was measured inside one outline. `body` is plain data, so that it can be stored and compared."""

    row_id: str
    body: Mapping[str, Any]
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Refusal:
    """Something that could not be read: why, and what to do."""

    picture: str
    strip: str
    reason: str
    what_to_do: str


@dataclass(frozen=True, slots=True)
class Reading:
    """One quantity of one specimen, from one picture or one typed row.

    Parameters
    ----------
    row_ids : tuple of str
        The rows it was read from.
    product, specimen, picture, strip : str
        As the tester named them; empty where not given.
    quantity : str
        Name of one of the method's quantities.
    measured : Measured
        On the quantity's natural scale.
    low, high : float or None
        95 % interval on the natural scale; None where that side is open.
    bounded : bool
        The interval is open on one side: there is a bound but no value.
    limits : (float, float) or None
        Decision and detection limit of this reading on the natural scale.
    detail : mapping
        Plain data the method shows of it: curve, areas, limits. A "remark" is printed beside the number.
    """

    row_ids: tuple[str, ...]
    product: str
    specimen: str
    picture: str
    strip: str
    quantity: str
    measured: Measured
    low: float | None
    high: float | None
    bounded: bool = False
    limits: tuple[float, float] | None = None
    flags: tuple[str, ...] = ()
    detail: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Result:
    """All readings of one product, by one method, of one quantity.

    `low` and `high` are the 95 % interval of the product on the natural scale, `family_low` and `family_high` the
    limits that hold for all products of the campaign together (max-t). `plates` counts independent specimens.
    `limits` are the decision and the detection limit on the natural scale.
    """

    product: str
    method: str
    quantity: str
    measured: Measured | None
    low: float | None
    high: float | None
    family_low: float | None
    family_high: float | None
    plates: int
    readings: tuple[int, ...]
    limits: tuple[float, float] | None = None
    flags: tuple[str, ...] = ()
    detail: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Context:
    """What results may look at besides their own readings.

    Parameters
    ----------
    seed : int
        For every random draw; stored with the result.
    others : mapping
        Results of the methods named in `needs`, by method name.
    """

    seed: int = 20260101
    others: Mapping[str, Sequence[Result]] = field(default_factory=dict)


# ---- what a method declares ------------------------------------------------------------------------------------


def _same(x: Any) -> Any:
    return x


def _none(_: float) -> float:
    return 0.0


@dataclass(frozen=True)
class Quantity:
    """Something a method reads.

    Parameters
    ----------
    name, unit : str
        As shown ("blocked", "%").
    scale : {"linear", "log", "ordinal", "life"}
        Scale of the errors.
    better : {"higher", "lower", "neither"}
    decimals : int
        As printed.
    shown, natural : callable
        From the natural scale (on which errors add) to the shown one, and back. Monotone; may be falling.
    blank : float
        Natural value of "nothing there".
    between : callable
        Standard deviation between specimens of a product to start from, on the natural scale, given the product's
        natural value. The campaign's own replicates then say how right it is.
    ends : (float or None, float or None)
        Lowest and highest value the scale can show, on the shown scale: a reading there is a bound.
    """

    name: str
    unit: str
    scale: str
    better: str
    decimals: int
    shown: Callable[[Any], Any] = _same
    natural: Callable[[Any], Any] = _same
    blank: float = 0.0
    between: Callable[[float], float] = _none
    ends: tuple[float | None, float | None] = (None, None)


@dataclass(frozen=True)
class Caution:
    """A hazardous step of the bench procedure and the caution shown before it can start.

    `before` names what on the bench page must wait until it was read: "coat" (entering a coated plate), and of a run
    "lamp" (lamp on), "expose" (exposure begins), "card" (card moved), "rinse", "sun" (exposure in the sun begins).
    """

    step: str
    text: str
    before: tuple[str, ...] = ()


@dataclass(frozen=True)
class Flag:
    """A quality flag: name, whether it casts doubt on the number or only gives advice, and one plain sentence."""

    name: str
    doubt: bool
    sentence: str


@dataclass(frozen=True)
class Words:
    """Noun phrases from which sentences are built, for one quantity.

    `does` and `does_not` finish "PRODUCT ..." ("blocks UV"), `amount` names the number ("of the lamp's paper-weighted
    UV"), `conditions` say under what it holds.
    """

    does: str
    amount: str
    none_found: str
    conditions: str


@dataclass(frozen=True)
class Crop:
    """What a publication shows of one strip.

    Parameters
    ----------
    pixels : (h, w, 3) uint8 array
        sRGB codes; straightened, the start of the strip to the left.
    words : str
        What is seen, from left to right; also stands in its place where it cannot be seen.
    """

    pixels: np.ndarray
    words: str


@dataclass(frozen=True)
class Chart:
    """A chart a method shows of its readings, and all that page and publication say with it.

    Parameters
    ----------
    title : str
        Which calibration or comparison it is, without names of picture files.
    words : str
        A sentence or two that stand under it, and in its place where it cannot be seen.
    spec : mapping
        Vega-Lite, as plain data that names no address. Colours "currentColor", "var(--quiet)", "var(--line)" and
        "var(--blue)" follow the page, in daylight and dark.
    strips : tuple of (picture, strip)
        Strips of paper whose crops stand with it (its step strips), named as in the table.
    key : tuple of (label, meaning)
        What short labels in the chart stand for.
    """

    title: str
    words: str
    spec: Mapping[str, Any]
    strips: tuple[tuple[str, str], ...] = ()
    key: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Found:
    """A specimen that lies in a picture, whether or not a row says anything of it.

    Parameters
    ----------
    name : str
        Proposed for it.
    outline : (4, 2) array
        As in `Outline`.
    patches : int
        How many can be told apart along it.
    steps : bool
        It looks like the one that the others are read against.
    whole : bool
        The frame does not cut it.
    place : str
        Where it lies, as a row says it.
    """

    name: str
    outline: np.ndarray
    patches: int
    steps: bool
    whole: bool
    place: str


@dataclass(frozen=True)
class ByPicture:
    """How specimens are named on their picture instead of in a table.

    Parameters
    ----------
    look : callable
        `(picture) -> sequence of Found`.
    asked : tuple of columns.Column
        What is asked of one specimen, in the order of the form. The answers are text.
    rows : callable
        `(answers) -> (cells, faults)`: cells of the rows that the answers make, as a table would hold them. Besides
        what is asked the answers hold the picture's name and the place, under the columns they have in a row.
    answers_of : callable
        `(rows of one specimen) -> answers`, to fill the form again.
    place_of : callable
        `(outline) -> str`: an outline given by hand as a row says it.
    picture, place, specimen : str
        Columns of a row that name the picture, the place in it, and the specimen.
    """

    look: Callable[..., Sequence[Found]]
    asked: tuple[Any, ...]
    rows: Callable[..., tuple[list[dict[str, str]], list[Any]]]
    answers_of: Callable[..., dict[str, str]]
    place_of: Callable[[np.ndarray], str]
    picture: str = "picture"
    place: str = "box"
    specimen: str = "strip"


@dataclass(frozen=True)
class Method:
    """A test method: everything the rest of the house needs to know of it.

    Parameters
    ----------
    name : str
        As written in the table's `method` column.
    title : str
        As shown.
    version : int
        Raised when numbers change.
    quantities : tuple of Quantity
    Row : type
        Frozen dataclass made with `columns.column`, with `check(rows) -> faults` and `upgrade(body, version) -> body`.
    readings : callable
        `(marks, entered) -> (readings, refusals)`; sees the whole campaign.
    find, measure : callable or None
        `find(picture, entered) -> (outlines, refusals)` and `measure(picture, outlines, entered) -> marks`; absent for
        typed figures. `picture` is a `fairpanel.picture.upright.Upright`.
    results : callable or None
        `(readings, method, context) -> results`; None for the house's own.
    needs : tuple of str
        Methods whose results it wants, through `Context.others`.
    words : callable
        `(result) -> Words`.
    specimen_of : callable
        `(row) -> str`, the independent specimen a row is about; replicates are counted by it.
    flags : tuple of Flag
    cautions : tuple of Caution
    procedure : str
        The bench procedure as a page of plain text (Markdown).
    statement : str
        What every page and file with its numbers must say of them.
    crops : callable or None
        `(picture, marks, entered) -> {strip: Crop}` for one picture; one scale and one stretch of tones for all strips
        of all pictures.
    crops_words : str
        A sentence that says what scale and stretch that is.
    crop_words : callable or None
        `(entered) -> str`, what the crop of one strip shows, by its rows alone: the words of its `Crop` before the
        picture is opened.
    charts : callable or None
        `(readings, results) -> sequence of Chart`, for the readings that are shown.
    maps : callable or None
        `(picture, marks, entered, readings) -> sequence of Chart` for one picture: how a quantity changes over each
        strip, its legend in the quantity's unit; says which differences exceed the noise.
    details : callable or None
        `(reading) -> plain data` added to the reading's entry in the data file.
    by_picture : ByPicture or None
        How its specimens are named on their picture; None where rows come from tables and forms alone.
    """

    name: str
    title: str
    version: int
    quantities: tuple[Quantity, ...]
    Row: type
    readings: Callable[..., tuple[list[Reading], list[Refusal]]]
    words: Callable[[Result], Words]
    find: Callable[..., tuple[list[Outline], list[Refusal]]] | None = None
    measure: Callable[..., list[Mark]] | None = None
    results: Callable[..., list[Result]] | None = None
    needs: tuple[str, ...] = ()
    flags: tuple[Flag, ...] = ()
    cautions: tuple[Caution, ...] = ()
    procedure: str = ""
    statement: str = ""
    crops: Callable[..., dict[str, Crop]] | None = None
    crops_words: str = ""
    crop_words: Callable[..., str] | None = None
    charts: Callable[..., Sequence[Chart]] | None = None
    maps: Callable[..., Sequence[Chart]] | None = None
    details: Callable[..., dict[str, Any]] | None = None
    by_picture: ByPicture | None = None

    def quantity(self, name: str) -> Quantity:
        """The quantity of that name.

        Raises
        ------
        KeyError
            The method has no such quantity.
        """
        for q in self.quantities:
            if q.name == name:
                return q
        raise KeyError(name)
