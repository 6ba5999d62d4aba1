"""Work that is going on: how far it is, stopping it, and what became of it."""

from __future__ import annotations

from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from fairpanel.web import work
from fairpanel.web.faults import in_words
from fairpanel.web.rendering import macro, page, then


def _piece(request: Request) -> work.Piece:
    piece = request.app.state.work.piece(request.path_params["id"])
    if piece is None:
        raise HTTPException(404, "This work is over, and the program was started anew since.")
    return piece


def _show(request: Request) -> Response:
    piece = _piece(request)
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse(_as_data(piece))
    if piece.state == work.DONE and piece.then:
        return RedirectResponse(piece.then, 303)
    error = in_words(piece.error) if piece.error else ""
    return page(request, "work.html", piece=piece, error=error)


def _as_data(piece: work.Piece) -> dict[str, Any]:
    failed = piece.state in (work.FAILED, work.STOPPED)
    return {
        "id": piece.id,
        "title": piece.title,
        "state": piece.state,
        "going": piece.going,
        "done": piece.done,
        "of": piece.of,
        "how_far": _how_far(piece),
        "then": f"/work/{piece.id}" if failed else piece.then,
    }


def _how_far(piece: work.Piece) -> str:
    words = {work.DONE: "done", work.FAILED: "not done", work.STOPPED: "stopped"}
    if piece.state in words:
        return words[piece.state]
    return str(macro("parts.html", "how_far")(piece)).strip()


def _stop(request: Request) -> Response:
    piece = _piece(request)
    piece.stop()
    return then(request, f"/work/{piece.id}")


ROUTES = [Route("/work/{id}", _show), Route("/work/{id}/stop", _stop, methods=["POST"])]
