"""Pictures that stand beside numbers: strips cut from their pictures, step curves, maps over a strip."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fairpanel.files.pictures import clean_jpeg, decode
from fairpanel.jobs.chart_drawing import Drawer
from fairpanel.jobs.results import Board, ProductSeen, ReadStrip, Results
from fairpanel.jobs.take_in import upgraded
from fairpanel.methods import all_methods
from fairpanel.methods.contract import Chart, Crop, Entered, Mark, Method, Reading
from fairpanel.picture.upright import Upright
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import NotOnBench
from fairpanel.storage.records import StoredPicture, StoredRow

#: Pictures whose strips are kept in memory: some 30 kB each.
KEPT = 400


@dataclass(frozen=True)
class CutStrip:
    """A strip cut from its picture, as JPEG that holds pixels and nothing else, and what is seen from left to right."""

    data: bytes
    words: str


@dataclass(frozen=True)
class PictureRead:
    """A picture that readings came from."""

    picture: StoredPicture
    readings: int


@dataclass(frozen=True)
class PictureCurves:
    """All that was read from one picture."""

    board: Board
    picture: StoredPicture
    readings: tuple[tuple[Method, Reading], ...]
    charts: tuple[tuple[Method, Chart], ...]
    has_maps: bool


class ResultPictures:
    """Pictures of the last read, kept while they are of use; for several threads."""

    def __init__(self, results: Results) -> None:
        self._results = results
        self.drawer = Drawer()
        self._turn = threading.Lock()
        self._of: Board | None = None
        self._strips: OrderedDict[str, dict[str, CutStrip]] = OrderedDict()
        self._listed: tuple[Board | None, list[PictureRead]] = (None, [])
        self._maps: OrderedDict[str, tuple[Chart, ...]] = OrderedDict()

    @property
    def folder(self) -> Path:
        """Of the bench."""
        return self._results.folder

    # ---- strips ------------------------------------------------------------------------------------------------

    def strips(self, picture_id: str) -> dict[str, CutStrip]:
        """Every strip of one picture, by its name.

        Raises
        ------
        NotOnBench, PictureError, BenchError
        """
        board = _some(self._results.board())
        with self._turn:  # one picture is decoded at a time: each may take a hundred megabytes
            self._only_of(board)
            if picture_id not in self._strips:
                self._strips[picture_id] = self._cut(board, picture_id)
                _forget(self._strips, KEPT)
            self._strips.move_to_end(picture_id)
            return self._strips[picture_id]

    def _only_of(self, board: Board) -> None:
        """Forget what belongs to another read, or shows names that are hidden now."""
        if self._of is not board:
            self._of = board
            self._strips.clear()
            self._maps.clear()

    def _cut(self, board: Board, picture_id: str) -> dict[str, CutStrip]:
        found: dict[str, CutStrip] = {}
        with Bench.open(self.folder) as bench:
            upright, measured = _opened(bench, board, picture_id)
        for method, marks, entered in measured:
            if method.crops is not None:
                cut = method.crops(upright, marks, entered)
                found.update((board.cover.covered(strip), _cut_strip(crop)) for strip, crop in cut.items())
        return found

    # ---- curves ------------------------------------------------------------------------------------------------

    def pictures(self) -> tuple[Board, list[PictureRead]]:
        """Pictures that the last read's numbers came from.

        Raises
        ------
        NotOnBench, BenchError
        """
        board = _some(self._results.board())
        if self._listed[0] is not board:
            with Bench.open(self.folder) as bench:
                known = {p.id: p for p in bench.pictures()}
                counts = bench.pictures_read(board.read.id)
            self._listed = (
                board,
                [PictureRead(board.cover.over(known[id]), n) for id, n in counts.items() if id in known],
            )
        return board, self._listed[1]

    def curves(self, picture_id: str) -> PictureCurves:
        """All readings of one picture and the curves they were read from.

        Raises
        ------
        NotOnBench, BenchError
        """
        board, readings = self._results.readings_in(picture_id)
        with Bench.open(self.folder) as bench:
            picture = board.cover.over(bench.picture(picture_id))
        methods = all_methods()
        found = [(methods[name], own) for name, own in readings.items()]
        return PictureCurves(
            board,
            picture,
            tuple((m, r) for m, own in found for r in own),
            tuple((m, c) for m, own in found if m.charts for c in m.charts(own, [])),
            any(m.maps for m, _ in found),
        )

    def maps(self, picture_id: str) -> tuple[Chart, ...]:
        """Maps over the strips of one picture; reckoned once for each read.

        Raises
        ------
        NotOnBench, PictureError, BenchError
        """
        board, readings = self._results.readings_in(picture_id)
        with self._turn:
            self._only_of(board)
            if picture_id not in self._maps:
                self._maps[picture_id] = self._mapped(board, picture_id, readings)
                _forget(self._maps, KEPT)
            self._maps.move_to_end(picture_id)
            return self._maps[picture_id]

    def _mapped(self, board: Board, picture_id: str, readings: dict[str, list[Reading]]) -> tuple[Chart, ...]:
        with Bench.open(self.folder) as bench:
            upright, measured = _opened(bench, board, picture_id)
        return tuple(
            board.cover.over(chart)
            for method, marks, entered in measured
            if method.maps is not None
            for chart in method.maps(upright, marks, entered, readings.get(method.name, []))
        )

    def close(self) -> None:
        """End the process that draws."""
        self.drawer.close()


def charts_of(seen: ProductSeen) -> list[Chart]:
    """The curves that one product's readings were read from, with its strips alone on them."""
    charts = seen.line.method.charts
    return list(charts(seen.part.readings, [])) if charts else []


def words_of(strip: ReadStrip, method: Method) -> str:
    """What the picture of a strip shows from left to right; empty where the method does not say."""
    return method.crop_words(_entered(method, strip.rows)) if method.crop_words and strip.rows else ""


# ---- opening a picture -----------------------------------------------------------------------------------------

Measured = list[tuple[Method, list[Mark], list[Entered]]]


def _opened(bench: Bench, board: Board, picture_id: str) -> tuple[Upright, Measured]:
    """A picture, and by method its marks and their rows as they were when read."""
    measurings = bench.measurings_of(board.read.id, picture_ids=[picture_id])
    if not measurings:
        raise NotOnBench("Nothing was read from this picture.")
    rows = bench.rows_named(m.row_id for one in measurings for m in one.marks)
    methods = all_methods()
    measured = []
    for one in measurings:
        marks = [m for m in one.marks if m.row_id in rows]
        own = [rows[i] for i in dict.fromkeys(m.row_id for m in marks)]
        measured.append((methods[one.method], marks, _entered(methods[one.method], own)))
    picture = bench.picture(picture_id)
    name = next((r.picture_name for r in rows.values() if r.picture_name), picture.name)
    return decode(bench.original_bytes(picture_id), name), measured


def _entered(method: Method, rows: Iterable[StoredRow]) -> list[Entered]:
    return [Entered(r.id, method.Row(**upgraded(method.name, r.body, r.method_version)), r.line) for r in rows]


def _cut_strip(crop: Crop) -> CutStrip:
    return CutStrip(clean_jpeg(np.ascontiguousarray(crop.pixels)), crop.words)


def _some(board: Board | None) -> Board:
    if board is None:
        raise NotOnBench("Nothing has been read on this bench yet.")
    return board


def _forget(kept: OrderedDict[str, Any], most: int) -> None:
    while len(kept) > most:
        kept.popitem(last=False)
