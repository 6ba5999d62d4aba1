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
        self._strips: OrderedDict[tuple[str, str], dict[str, CutStrip]] = OrderedDict()
        self._listed: tuple[str, list[PictureRead]] = ("", [])
        self._maps: OrderedDict[tuple[str, str], tuple[Chart, ...]] = OrderedDict()

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
        key = (board.read.id, picture_id)
        with self._turn:  # one picture is decoded at a time: each may take a hundred megabytes
            if key not in self._strips:
                self._strips[key] = self._cut(board, picture_id)
                _forget(self._strips, KEPT)
            self._strips.move_to_end(key)
            return self._strips[key]

    def _cut(self, board: Board, picture_id: str) -> dict[str, CutStrip]:
        found: dict[str, CutStrip] = {}
        with Bench.open(self.folder) as bench:
            upright, measured = _opened(bench, board, picture_id)
        for method, marks, entered in measured:
            if method.crops is not None:
                found.update((strip, _cut_strip(crop)) for strip, crop in method.crops(upright, marks, entered).items())
        return found

    # ---- curves ------------------------------------------------------------------------------------------------

    def pictures(self) -> tuple[Board, list[PictureRead]]:
        """Pictures that the last read's numbers came from.

        Raises
        ------
        NotOnBench, BenchError
        """
        board = _some(self._results.board())
        if self._listed[0] != board.read.id:
            with Bench.open(self.folder) as bench:
                known = {p.id: p for p in bench.pictures()}
                counts = bench.pictures_read(board.read.id)
            self._listed = (board.read.id, [PictureRead(known[id], n) for id, n in counts.items() if id in known])
        return board, self._listed[1]

    def curves(self, picture_id: str) -> PictureCurves:
        """All readings of one picture and the curves they were read from.

        Raises
        ------
        NotOnBench, BenchError
        """
        board, readings = self._results.readings_in(picture_id)
        with Bench.open(self.folder) as bench:
            picture = bench.picture(picture_id)
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
        key = (board.read.id, picture_id)
        with self._turn:
            if key not in self._maps:
                self._maps[key] = self._mapped(board, picture_id, readings)
                _forget(self._maps, KEPT)
            self._maps.move_to_end(key)
            return self._maps[key]

    def _mapped(self, board: Board, picture_id: str, readings: dict[str, list[Reading]]) -> tuple[Chart, ...]:
        with Bench.open(self.folder) as bench:
            upright, measured = _opened(bench, board, picture_id)
        return tuple(
            chart
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


def _forget(kept: OrderedDict[tuple[str, str], Any], most: int) -> None:
    while len(kept) > most:
        kept.popitem(last=False)
