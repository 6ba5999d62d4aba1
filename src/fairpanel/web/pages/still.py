"""Save for video: a product beside glass only and a reference of the same paper sheet, as one picture."""

from __future__ import annotations

import threading
from typing import Any
from urllib.parse import urlencode

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fairpanel.web.rendering import page
from fairpanel.web.veiling import current

NAV = ((55, "Save for video", "/still"),)

#: Fields that name a further strip, in the order in which strips stand in the picture.
BESIDE = ("other", "glass", "reference")
NONE = "none"

#: Pictures drawn and kept: the preview and what is saved are the same bytes.
_KEPT = 4


class _Stills:
    """The last read of the bench and the pictures drawn from it, for several threads."""

    def __init__(self, folder: Any) -> None:
        from fairpanel.jobs.results import Results

        self.results = Results(folder)
        self._turn = threading.Lock()
        self._drawn: dict[tuple[str, ...], Any] = {}

    def drawn(self, line: str, sheet: str, beside: tuple[str, ...], title: str) -> Any:
        """A picture; drawn once."""
        from fairpanel.jobs.stills import draw_still

        board, veil = self.results.board(), current()
        key = (board.read.id if board else "", line, sheet, *beside, title, *(veil.codes.values() if veil else ()))
        with self._turn:  # a picture is decoded for each: one at a time
            if key not in self._drawn:
                while len(self._drawn) >= _KEPT:
                    del self._drawn[next(iter(self._drawn))]
                self._drawn[key] = draw_still(self.results, line, sheet_id=sheet, with_ids=beside, title=title)
            return self._drawn[key]


def set_up(app: Starlette) -> None:
    """A place for the pictures; they end with the server."""
    app.state.stills = None
    app.state.stills_turn = threading.Lock()


def _stills(request: Request) -> _Stills:
    state = request.app.state
    with state.stills_turn:
        if state.stills is None:
            state.stills = _Stills(state.folder)
    return state.stills


def _show(request: Request) -> Response:
    from fairpanel.jobs.stills import offer
    from fairpanel.publication.still import CannotDraw

    stills, asked = _stills(request), request.query_params
    board = stills.results.board()
    lines = [x for t in board.tables for x in t.lines if x.shown and x.method.crops] if board else []
    line = next((x for x in lines if x.id == asked.get("product")), None)
    offered = offer(stills.results, line.id) if line else None
    sheet = _chosen(offered, asked.get("sheet", "")) if offered else None
    chosen = _beside(sheet, asked) if sheet else {}
    title = asked.get("title", "").strip()[:100]
    made, failed, address = None, "", ""
    if line and sheet:
        beside = tuple(chosen[name] for name in BESIDE if chosen[name])
        address = urlencode({"product": line.id, "sheet": sheet.id, "with": beside, "title": title}, doseq=True)
        try:
            made = stills.drawn(line.id, sheet.id, beside, title)
        except CannotDraw as problem:
            failed = str(problem)
    return page(
        request,
        "still.html",
        lines=sorted(lines, key=lambda x: x.told.product.casefold()),
        line=line,
        gone=bool(asked.get("product")) and line is None,
        offered=offered,
        sheet=sheet,
        chosen=chosen,
        fields=_fields(sheet) if sheet else [],
        asked_title=title,
        without=NONE,
        made=made,
        failed=failed,
        address=address,
        words=_words(sheet, chosen) if sheet else "",
    )


def _chosen(offered: Any, sheet: str) -> Any:
    """The sheet that was asked for, or the one with most to compare."""
    return next((s for s in offered.sheets if s.id == sheet), next(iter(offered.sheets), None))


def _fields(sheet: Any) -> list[tuple[str, str, Any]]:
    """Further strips to choose from, by field."""
    found = [("other", "A second product", sheet.others), ("glass", "Glass only", sheet.glass_only)]
    found.append(("reference", "Reference", sheet.references))
    return [one for one in found if one[2]]


def _beside(sheet: Any, asked: Any) -> dict[str, str]:
    """The further strips asked for; where nothing was, glass only and the best known reference."""
    chosen = {}
    offered = {name: [p.id for p in pieces] for name, _, pieces in _fields(sheet)}
    for name in BESIDE:
        ids, wanted = offered.get(name, []), asked.get(name, "")
        fallback = ids[0] if ids and name != "other" and wanted != NONE else ""
        chosen[name] = wanted if wanted in ids else fallback
    return chosen


def _words(sheet: Any, chosen: dict[str, str]) -> str:
    """What is in the picture, for those who do not see it."""
    from fairpanel.findings.rules import interval

    told = []
    for piece in [sheet.own, *(sheet.pieces[i] for i in chosen.values() if i)]:
        shown = piece.line.shown if piece.line else None
        told.append(f"{piece.name}, {interval(shown, piece.line.quantity)}" if shown else piece.name)
    return f"Strips under each other: {'; '.join(told)}."


def _picture(request: Request) -> Response:
    """The picture; to be saved if `save` is asked for."""
    from fairpanel.publication.still import CannotDraw
    from fairpanel.storage.errors import NotOnBench

    asked = request.query_params
    beside = tuple(asked.getlist("with"))
    try:
        made = _stills(request).drawn(
            asked.get("product", ""), asked.get("sheet", ""), beside, asked.get("title", "").strip()[:100]
        )
    except CannotDraw as problem:
        raise NotOnBench(str(problem)) from None
    headers = {"content-disposition": 'attachment; filename="for-video.png"'} if "save" in asked else {}
    return Response(made.png, media_type="image/png", headers=headers | {"cache-control": "no-store"})


ROUTES = [Route("/still", _show), Route("/still/picture.png", _picture)]
