"""The last finished read for the pages that look at it: loaded once and kept, since a finished read never changes.

What all products share (results, findings, limits) is kept in memory under the read's id; storage is asked only
whether there is a newer read. Readings are loaded for the product or picture that is looked at.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Protocol, TypeVar

from fairpanel.estimate.max_t import MaxT, greatest_pair_t
from fairpanel.findings.pairs import Pair, pair_of
from fairpanel.findings.rules import HEADINGS, Shown, on_shown_scale
from fairpanel.measured import covariance_matrix
from fairpanel.methods import all_methods
from fairpanel.methods.contract import Method, Quantity, Reading, Refusal, Result
from fairpanel.publication.axis import Axis, Bar, axis_for, bar_of
from fairpanel.publication.content import Part, Told
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import NotOnBench
from fairpanel.storage.records import StoredFinding, StoredRead, StoredRow

T = TypeVar("T")


class Cover(Protocol):
    """What hides the products' names while a campaign is sealed; everything that is shown passes through it."""

    @property
    def codes(self) -> Mapping[str, str]:
        """Hidden names and the codes that stand for them."""
        ...

    def covered(self, text: str) -> str:
        """A text with every hidden name replaced by its code."""
        ...

    def over(self, data: T) -> T:
        """Plain data or frozen dataclasses with every text in them covered."""
        ...


class Nothing:
    """Hides nothing."""

    codes: Mapping[str, str] = {}

    def covered(self, text: str) -> str:
        """The text as it is."""
        return text

    def over(self, data: T) -> T:
        """The data as they are."""
        return data


def nothing_covered(bench: Bench) -> Cover:
    """No campaign of this bench is sealed."""
    return Nothing()


@dataclass(frozen=True)
class Line:
    """One product and quantity as a line of the table.

    Parameters
    ----------
    id : str
        Of its finding: stands in addresses, so that no name does.
    method : Method
    told : Told
        Its names are those that may be shown.
    shown : Shown or None
        None where nothing could be read.
    bar : Bar or None
    doubts : tuple of str
        Doubts that some of its readings carry.
    stored : str
        The product's name on the bench.
    result_id : str or None
        To find its readings by.
    """

    id: str
    method: Method
    told: Told
    shown: Shown | None
    bar: Bar | None
    doubts: tuple[str, ...]
    stored: str
    result_id: str | None

    @property
    def quantity(self) -> Quantity:
        """What was read."""
        return self.method.quantity(self.told.quantity)

    @property
    def width(self) -> float | None:
        """Width of the 95 % interval, on the shown scale; None where it is open."""
        s = self.shown
        return None if s is None or s.low is None or s.high is None else s.high - s.low


@dataclass(frozen=True)
class Table:
    """All lines of one quantity on one axis, by finding and then by name."""

    method: Method
    quantity: Quantity
    axis: Axis
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class Board:
    """What the last finished read found, as far as it is about all products; names are those that may be shown."""

    read: StoredRead
    tables: tuple[Table, ...]
    refused: tuple[tuple[Refusal, frozenset[str]], ...]
    cover: Cover

    @cached_property
    def lines(self) -> Mapping[str, Line]:
        """All lines by their ids."""
        return {line.id: line for table in self.tables for line in table.lines}

    def line_of(self, method: Method, reading: Reading) -> Line | None:
        """The line that a reading counts in, if there is one."""
        return self._by_product.get((method.name, reading.quantity, reading.product))

    @cached_property
    def _by_product(self) -> Mapping[tuple[str, str, str], Line]:
        return {(x.method.name, x.told.quantity, x.told.product): x for x in self.lines.values()}

    def table_of(self, line: Line) -> Table:
        """The table a line stands in."""
        return next(t for t in self.tables if (t.method, t.quantity) == (line.method, line.quantity))


@dataclass(frozen=True)
class ReadStrip:
    """One reading with the picture it came from and the rows it was read from, as they were then."""

    reading: Reading
    picture_id: str | None
    rows: tuple[StoredRow, ...]


@dataclass(frozen=True)
class ProductSeen:
    """One line with all that was read for it."""

    board: Board
    line: Line
    part: Part
    strips: tuple[ReadStrip, ...]
    refused: tuple[Refusal, ...]


@dataclass(frozen=True)
class PairSeen:
    """Two lines side by side, the higher one first: what may be said of them, for how many pairs the limits hold, and
    which sources of error they share."""

    board: Board
    first: Line
    second: Line
    pair: Pair
    pairs: int
    shared: tuple[str, ...]
    difference: Bar | None
    axis: Axis | None


class Results:
    """The last finished read of one bench, for several threads.

    Parameters
    ----------
    folder : path
        Of the bench.
    cover_of : callable, optional
        What hides names on a bench at the moment.
    """

    def __init__(self, folder: Path, cover_of: Callable[[Bench], Cover] = nothing_covered) -> None:
        self.folder = folder
        self._cover_of = cover_of
        self._turn = threading.Lock()
        self._board: Board | None = None
        self._greatest: dict[tuple[str, str, str], MaxT] = {}

    def board(self) -> Board | None:
        """What the last finished read found; None before anything was read.

        Raises
        ------
        BenchError
        """
        with Bench.open(self.folder) as bench:
            return self._board_of(bench)

    def _board_of(self, bench: Bench) -> Board | None:
        read = bench.last_read()
        if read is None:
            return None
        cover = self._cover_of(bench)
        with self._turn:
            kept = self._board
            if kept is None or kept.read.id != read.id or kept.cover.codes != cover.codes:
                self._board, self._greatest = _loaded(bench, read, cover), {}
            return self._board

    def product(self, id: str) -> ProductSeen:
        """One product with its readings.

        Raises
        ------
        NotOnBench, BenchError
        """
        with Bench.open(self.folder) as bench:
            board, line = _line_of(self._board_of(bench), id)
            stored = bench.readings_of(board.read.id, result_id=line.result_id) if line.result_id else []
            found = [board.cover.over(s.reading) for s in stored]
            rows = bench.rows_named(i for r in found for i in r.row_ids)
        strips = tuple(_strip(r, rows) for r in found)
        part = Part(line.method, (line.told,), tuple(found))
        refused = tuple(r for r, products in board.refused if line.stored in products)
        return ProductSeen(board, line, part, strips, refused)

    def readings_in(self, picture_id: str) -> tuple[Board, dict[str, list[Reading]]]:
        """All readings of one picture, by method, their products named as they may be shown.

        Raises
        ------
        NotOnBench, BenchError
        """
        with Bench.open(self.folder) as bench:
            board = self._board_of(bench)
            if board is None:
                raise NotOnBench("Nothing has been read on this bench yet.")
            found: dict[str, list[Reading]] = {}
            for s in bench.readings_of(board.read.id, picture_id=picture_id):
                found.setdefault(s.method, []).append(board.cover.over(s.reading))
        return board, found

    def pair(self, first: str, second: str) -> PairSeen:
        """Two products side by side.

        Raises
        ------
        NotOnBench
            One of them is not of the last read.
        ValueError
            They are the same, or of different quantities.
        """
        board = self.board()
        (_, a), (_, b) = _line_of(board, first), _line_of(board, second)
        assert board is not None
        if a is b or board.table_of(a) is not board.table_of(b):
            raise ValueError("Choose two different products of one quantity.")
        if a.told.result is None or b.told.result is None:
            return PairSeen(board, a, b, _nothing_read(a if a.told.result is None else b), 0, (), None, None)
        greatest, pairs = self._greatest_of(board, board.table_of(a))

        def critical(dof: float) -> float:
            return float(greatest.critical(dof=dof))

        pair = pair_of(a.told.result, b.told.result, a.method, critical=critical, pairs=pairs)
        if pair.difference and pair.difference.value < 0:
            return self.pair(second, first)
        axis, bar = _drawn(pair, a.quantity)
        return PairSeen(board, a, b, pair, pairs, _shared(a.told.result, b.told.result), bar, axis)

    def _greatest_of(self, board: Board, table: Table) -> tuple[MaxT, int]:
        """Distribution of the greatest |t| of all pairs of a table, and how many pairs it has; reckoned once a read."""
        numbers = [m for x in table.lines if x.told.result and (m := x.told.result.measured)]
        key = (board.read.id, table.method.name, table.quantity.name)
        with self._turn:
            if key not in self._greatest:
                self._greatest[key] = greatest_pair_t(covariance_matrix(numbers), seed=board.read.seed)
            return self._greatest[key], len(numbers) * (len(numbers) - 1) // 2


# ---- loading ---------------------------------------------------------------------------------------------------


def _loaded(bench: Bench, read: StoredRead, cover: Cover) -> Board:
    results = {r.id: r.result for r in bench.results_of(read.id)}
    groups: dict[tuple[str, str], list[StoredFinding]] = {}
    for f in bench.findings_of(read.id):
        groups.setdefault((f.body["method"], f.body["quantity"]), []).append(f)
    methods = all_methods()
    tables = [_table(methods[m], methods[m].quantity(q), found, results, cover) for (m, q), found in groups.items()]
    return Board(read, tuple(tables), _refused(bench, bench.refusals_of(read.id), cover), cover)


def _table(
    method: Method, quantity: Quantity, found: Sequence[StoredFinding], results: Mapping[str, Result], cover: Cover
) -> Table:
    told = [(f, _told(f, results, cover)) for f in found]
    shown = {f.id: on_shown_scale(t.result, quantity) for f, t in told if t.result}
    axis = axis_for(list(shown.values()), [], quantity)
    lines = [
        Line(
            f.id,
            method,
            t,
            s := shown.get(f.id),
            bar_of(s, axis) if s else None,
            _doubts(t.result, method),
            str(f.body["product"]),
            f.result_id,
        )
        for f, t in told
    ]
    place = {name: i for i, name in enumerate(HEADINGS)}
    lines.sort(key=lambda x: (place[x.told.finding], x.told.product.casefold()))
    return Table(method, quantity, axis, tuple(lines))


def _told(f: StoredFinding, results: Mapping[str, Result], cover: Cover) -> Told:
    """A finding under the name that may be shown."""
    product = cover.covered(str(f.body["product"]))
    result = results.get(f.result_id) if f.result_id else None
    result = replace(result, product=product) if result else None
    return Told(product, f.body["quantity"], result, f.body["finding"], cover.covered(str(f.body["sentence"])))


def _doubts(result: Result | None, method: Method) -> tuple[str, ...]:
    return tuple(f.name for f in method.flags if f.doubt and f.name in result.flags) if result else ()


def _refused(bench: Bench, refusals: Sequence[Refusal], cover: Cover) -> tuple[tuple[Refusal, frozenset[str]], ...]:
    """Each refusal with the products it is about, as the rows of its picture name them."""
    by_place: dict[tuple[str, str], set[str]] = {}
    for row in bench.rows_of_pictures({r.picture for r in refusals}):
        if row.body.get("product"):
            for strip in (row.body.get("strip") or "", ""):
                by_place.setdefault((row.picture_name, strip), set()).add(row.body["product"])
    return tuple((cover.over(r), frozenset(by_place.get((r.picture, r.strip), ()))) for r in refusals)


def _line_of(board: Board | None, id: str) -> tuple[Board, Line]:
    if board is None or id not in board.lines:
        raise NotOnBench("This result is not of the last read. Pictures were read anew since; look it up in the table.")
    return board, board.lines[id]


def _strip(reading: Reading, rows: Mapping[str, StoredRow]) -> ReadStrip:
    own = tuple(rows[i] for i in reading.row_ids if i in rows)
    return ReadStrip(reading, next((r.picture_id for r in own if r.picture_id), None), own)


# ---- two side by side ------------------------------------------------------------------------------------------


def _nothing_read(line: Line) -> Pair:
    return Pair("not_reckoned", f"No difference can be reckoned: of {line.told.product} nothing could be read.", None)


def _shared(a: Result, b: Result) -> tuple[str, ...]:
    """Sources of error that the two share, in the order of the first one's budget."""
    if a.measured is None or b.measured is None:
        return ()
    other = {(c.source, c.key) for c in b.measured.components if c.key}
    found = {c.source for c in a.measured.components if c.key and (c.source, c.key) in other}
    return tuple(source for source, _ in a.measured.budget() if source in found)


def _drawn(pair: Pair, quantity: Quantity) -> tuple[Axis | None, Bar | None]:
    """The difference on an axis of its own, with no difference marked."""
    d = pair.difference
    if d is None:
        return None, None
    plain = Quantity(quantity.name, quantity.unit, "linear", "neither", quantity.decimals)
    shown = Shown(d.value, d.low, d.high, d.family_low, d.family_high, None, None)
    axis = axis_for([shown], [], plain)
    return axis, bar_of(shown, axis)
