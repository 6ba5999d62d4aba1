"""Reading: every picture on the bench, behind the page."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fairpanel.web.rendering import then
from fairpanel.web.work import Piece, Progress

KIND = "reading"


def begin_reading(request: Request, *, where: str = "/") -> Piece:
    """Read the bench behind the page; one reading that waits its turn is enough.

    Parameters
    ----------
    where : str
        Address of the page that shows what came of it.
    """
    state = request.app.state

    def do(tell: Progress) -> Any:
        from fairpanel.jobs.reading import read_bench

        return read_bench(state.folder, progress=tell)

    waiting = [p for p in state.work.pieces(KIND) if p.state == "waiting"]
    return waiting[0] if waiting else state.work.begin(KIND, "Reading the pictures", do, writes=True, then=where)


def _read(request: Request) -> Response:
    piece = begin_reading(request)
    return then(request, f"/work/{piece.id}")


ROUTES = [Route("/read", _read, methods=["POST"])]
