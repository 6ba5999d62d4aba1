"""Pictures for a video: what may stand side by side, and drawing it from the pictures as they were read."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fairpanel.files.pictures import clean_png, decode
from fairpanel.findings.rules import AT_LEAST, AT_MOST, HEADINGS, interval
from fairpanel.jobs.blinding import veil
from fairpanel.jobs.results import Board, Line, ProductSeen, Results
from fairpanel.jobs.take_in import upgraded
from fairpanel.methods.columns import columns_of
from fairpanel.methods.contract import Crop, Entered, Method
from fairpanel.publication.controls import is_method_control
from fairpanel.publication.still import MOST, CannotDraw, StillStrip, not_drawable, still
from fairpanel.publication.words import count, listed
from fairpanel.storage.bench import Bench
from fairpanel.storage.records import StoredRow

GLASS_ONLY, REFERENCE = "glass only", "reference"

#: A reference of this kind is offered first: viewers know what it is.
_BEST_KNOWN = "clear coat"

ONE_SCALE = "One scale for all; tones stretched alike on all, so that weak differences show."


@dataclass(frozen=True)
class Piece:
    """A strip that can stand in the picture.

    Parameters
    ----------
    id : str
        Of its first row: stands in addresses.
    strip : str
        As the table names it.
    name : str
        As it may be shown.
    line : Line or None
        Its product's result; None for glass only.
    times : tuple of float
        Its exposures, each once. [s]
    reference : bool
    """

    id: str
    strip: str
    name: str
    line: Line | None
    times: tuple[float, ...]
    reference: bool = False

    @property
    def words(self) -> str:
        """For choosing it."""
        return f"{self.name}, {_seconds(self.times)}" if self.times else self.name


@dataclass(frozen=True)
class Sheet:
    """One paper sheet in one picture, with the strips on it that may be shown.

    Parameters
    ----------
    id : str
        Of the first row of the product's own strip on it.
    name, picture : str
        As the tester calls the sheet and the picture's file.
    picture_id : str
    lamps : tuple of str
    own : Piece
    others, glass_only, references : tuple of Piece
        Further products, strips without a product, references.
    """

    id: str
    name: str
    picture: str
    picture_id: str
    lamps: tuple[str, ...]
    own: Piece
    others: tuple[Piece, ...]
    glass_only: tuple[Piece, ...]
    references: tuple[Piece, ...]

    @property
    def pieces(self) -> Mapping[str, Piece]:
        """All by their ids."""
        return {p.id: p for p in (self.own, *self.others, *self.glass_only, *self.references)}

    @property
    def suits(self) -> tuple[bool, bool]:
        """Whether a reference and glass only lie on it too."""
        return bool(self.references), bool(self.glass_only)


@dataclass(frozen=True)
class Offer:
    """What there is of one product for a picture.

    Parameters
    ----------
    board : Board
    line : Line
    sheets : tuple of Sheet
        Those with most to compare first.
    missing : str
        Why there is nothing to show, or what is missing from every sheet; empty where all is there.
    """

    board: Board
    line: Line
    sheets: tuple[Sheet, ...]
    missing: str


@dataclass(frozen=True)
class MadeStill:
    """The picture as PNG that holds pixels and nothing else, and what the tester should know of it."""

    png: bytes
    notes: tuple[str, ...]


def offer(results: Results, line_id: str) -> Offer:
    """What may stand beside a product: strips of the same paper sheet in the same picture.

    Method controls (sunscreens) are never offered.

    Raises
    ------
    NotOnBench, BenchError
    """
    seen = results.product(line_id)
    if _is_control(seen):
        return Offer(seen.board, seen.line, (), f"{seen.line.told.product} is a method control: it is not published.")
    if seen.line.method.crops is None:
        return Offer(seen.board, seen.line, (), f"“{seen.line.method.title}” has no pictures of strips.")
    column = _column(seen.line.method, "paper sheet")
    with Bench.open(results.folder) as bench:
        sheets = [
            _sheet(bench, seen, strip.picture_id, strip.rows, column)
            for strip in seen.strips
            if strip.picture_id and strip.rows and strip.rows[0].body.get(column)
        ]
    sheets.sort(key=lambda s: s.suits, reverse=True)
    return Offer(seen.board, seen.line, tuple(sheets), _missing(seen, sheets))


def _missing(seen: ProductSeen, sheets: Sequence[Sheet]) -> str:
    name = seen.line.told.product
    if not sheets:
        return (
            f"No strip under {name} has its paper sheet named in the table and was read from a picture. Strips are "
            "only shown side by side where they are known to come from one sheet: write the sheet into the table."
        )
    lacks = [
        what
        for what, there in (
            ("a strip under glass only", any(s.glass_only for s in sheets)),
            ("a reference", any(s.references for s in sheets)),
        )
        if not there
    ]
    if not lacks:
        return ""
    return (
        f"No paper sheet with {name} on it also has {' or '.join(lacks)}. What is there can be shown; strips of "
        "another sheet are never put beside it."
    )


def _sheet(bench: Bench, seen: ProductSeen, picture_id: str, rows: Sequence[StoredRow], column: str) -> Sheet:
    name, picture = str(rows[0].body[column]), rows[0].picture_name
    there: dict[str, list[StoredRow]] = {}
    for row in bench.rows_of_pictures([picture]):
        if row.picture_id == picture_id and row.method == seen.line.method.name and row.body.get(column) == name:
            there.setdefault(str(row.body.get("strip") or ""), []).append(row)
    own = _piece(rows, seen.line)
    table = seen.board.table_of(seen.line)
    lines = {line.stored: line for line in table.lines if line.shown is not None}
    pieces = [
        _piece(own_rows, lines.get(_product(own_rows)))
        for strip, own_rows in there.items()
        if strip != own.strip and _may_stand(own_rows, lines)
    ]
    references = [p for p in pieces if p.reference]
    references.sort(key=lambda p: not _well_known(there[p.strip]))
    return Sheet(
        own.id,
        name,
        picture,
        picture_id,
        tuple(dict.fromkeys(str(r.body["lamp"]) for rows_ in there.values() for r in rows_ if r.body.get("lamp"))),
        own,
        tuple(p for p in pieces if p.line and not p.reference),
        tuple(sorted((p for p in pieces if p.line is None), key=lambda p: p.times != own.times)),
        tuple(references),
    )


def _piece(rows: Sequence[StoredRow], line: Line | None) -> Piece:
    times = tuple(dict.fromkeys(float(r.body["seconds"]) for r in rows if r.body.get("seconds") is not None))
    return Piece(
        rows[0].id,
        str(rows[0].body.get("strip") or ""),
        line.told.product if line else "Glass only",
        line,
        times,
        any(r.body.get("role") == REFERENCE for r in rows),
    )


def _product(rows: Iterable[StoredRow]) -> str:
    return next((str(r.body["product"]) for r in rows if r.body.get("product")), "")


def _may_stand(rows: Sequence[StoredRow], lines: Mapping[str, Line]) -> bool:
    product = _product(rows)
    if product:
        return product in lines and not any(is_method_control(r.body.get("kind")) for r in rows)
    return all(r.body.get("role") == GLASS_ONLY for r in rows)


def _well_known(rows: Iterable[StoredRow]) -> bool:
    return any(_BEST_KNOWN in f"{r.body.get('kind')} {r.body.get('product')}".casefold() for r in rows)


def _is_control(seen: ProductSeen) -> bool:
    kinds = [r.body.get("kind") for strip in seen.strips for r in strip.rows]
    return any(is_method_control(k) for k in [*kinds, *(s.reading.detail.get("kind") for s in seen.strips)])


def _column(method: Method, noun: str) -> str:
    """Name of the method's column that names such a thing; empty where it has none."""
    return next((c.name for c in columns_of(method.Row) if c.noun == noun), "")


# ---- drawing ---------------------------------------------------------------------------------------------------


def draw_still(
    results: Results, line_id: str, *, sheet_id: str, with_ids: Sequence[str] = (), title: str = ""
) -> MadeStill:
    """Draw the picture: the product's strip on top, the others under it in the order given.

    Parameters
    ----------
    results : Results
    line_id : str
        The product.
    sheet_id : str
        One of its sheets; the first if empty.
    with_ids : sequence of str
        Further strips on that sheet.
    title : str
        The method's own title if empty.

    Raises
    ------
    CannotDraw
        A strip is not of that sheet, is a method control, or cannot be cut from its picture any more.
    NotOnBench, PictureError, BenchError
    """
    offered = offer(results, line_id)
    sheet = next(
        (s for s in offered.sheets if s.id == sheet_id), None if sheet_id else next(iter(offered.sheets), None)
    )
    if sheet is None:
        raise CannotDraw(offered.missing or "This paper sheet has no strip of that product. Choose one of the list.")
    ids = list(dict.fromkeys([sheet.own.id, *with_ids]))
    if any(i not in sheet.pieces for i in ids):
        raise CannotDraw("These strips are not all from one paper sheet. Choose them from the list.")
    if len(ids) > MOST:
        raise CannotDraw(f"At most {MOST} strips are still large enough to be seen on a phone.")
    pieces = [sheet.pieces[i] for i in ids]
    for piece in pieces:
        if piece.line and _is_control(results.product(piece.line.id)):
            raise CannotDraw(f"{piece.name} is a method control: it is not published.")
    method = offered.line.method
    crops = _crops(results, offered.board, method, sheet.picture_id)
    if gone := [p.name for p in pieces if p.strip not in crops]:
        raise CannotDraw(f"The strip under {listed(gone)} was not found in its picture, so it cannot be shown.")
    title = title or method.title
    sealed = veil(results.folder)  # letters drawn into a picture are not covered by anybody else
    shown = sealed.over([_still_strip(p, crops[p.strip]) for p in pieces])
    small = sealed.over(_small(method, sheet, pieces, title))
    pixels = still(shown, title=sealed.covered(title), small=small)
    return MadeStill(clean_png(pixels), _notes(shown, pieces, title))


def _crops(results: Results, board: Board, method: Method, picture_id: str) -> dict[str, Crop]:
    """Every strip of the picture, by the rows as they were when read."""
    with Bench.open(results.folder) as bench:
        measured = bench.measurings_of(board.read.id, method.name, picture_ids=[picture_id])
        marks = [m for one in measured for m in one.marks]
        rows = bench.rows_named(m.row_id for m in marks)
        data = bench.original_bytes(picture_id)
    marks = [m for m in marks if m.row_id in rows]
    own = [rows[i] for i in dict.fromkeys(m.row_id for m in marks)]
    if not own or method.crops is None:
        return {}
    entered = [Entered(r.id, method.Row(**upgraded(method.name, r.body, r.method_version)), r.line) for r in own]
    return method.crops(decode(data, own[0].picture_name), marks, entered)


def _still_strip(piece: Piece, crop: Crop) -> StillStrip:
    pixels = np.ascontiguousarray(crop.pixels)
    if piece.line is None or piece.line.shown is None:
        return StillStrip(piece.name, "", "", "What the others are compared with", crop.words, pixels)
    number, _, limits = interval(piece.line.shown, piece.line.quantity).partition(" (")
    return StillStrip(piece.name, number, limits.rstrip(")"), _finding(piece.line), crop.words, pixels)


def _finding(line: Line) -> str:
    """The finding's heading, where the number itself does not say it, and the plates it stands on."""
    result = line.told.result
    plates = "" if result is None else "one plate, preliminary" if result.plates == 1 else count(result.plates, "plate")
    heading = "" if line.told.finding in (AT_LEAST, AT_MOST) else HEADINGS[line.told.finding]
    return ", ".join(part for part in (heading, plates) if part)


def _small(method: Method, sheet: Sheet, pieces: Sequence[Piece], title: str) -> list[str]:
    times = {p.times for p in pieces}
    said = [
        f"{method.title}." if title != method.title else "",
        f"Lamp {listed(sheet.lamps)}." if sheet.lamps else "Lamp not named.",
        f"All exposed {_seconds(pieces[0].times)}."
        if len(times) == 1
        else "Not all exposed alike: see under each strip.",
        "From one paper sheet.",
        ONE_SCALE,
        "Beside each value its 95 % interval.",
    ]
    return [" ".join(part for part in said if part), method.statement]


def _notes(shown: Sequence[StillStrip], pieces: Sequence[Piece], title: str) -> tuple[str, ...]:
    notes = []
    if len({p.times for p in pieces}) > 1:
        notes.append(
            "These strips were not all exposed alike, so their blues do not compare by eye; the numbers do. The "
            "picture says so."
        )
    if missing := not_drawable(" ".join([title, *(s.name for s in shown)])):
        notes.append(f"The typeface of the picture lacks {' '.join(missing)}: boxes stand in their place.")
    return tuple(notes)


def _seconds(times: Sequence[float]) -> str:
    return f"{', '.join(f'{t:g}' for t in times)}\N{NO-BREAK SPACE}s"
