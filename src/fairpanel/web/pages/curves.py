"""Picture by picture: the step curves with each strip's shift on them, every strip, and maps over the strips."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fairpanel.web.pages.results import results_of
from fairpanel.web.rendering import page

#: A drawing holds its own style sheet and nothing that is fetched.
_POLICY_OF_DRAWING = "default-src 'none'; style-src 'unsafe-inline'; sandbox; frame-ancestors 'none'"


def set_up(app: Starlette) -> None:
    """A place for what is drawn; the process that draws ends with the server."""
    app.state.result_pictures = None
    app.state.closing.append(lambda: app.state.result_pictures and app.state.result_pictures.close())


def pictures_of(request: Request) -> Any:
    """Pictures of the last read, kept for all requests."""
    state, results = request.app.state, results_of(request)
    with state.results_turn:
        if state.result_pictures is None:
            from fairpanel.jobs.result_pictures import ResultPictures

            state.result_pictures = ResultPictures(results)
    return state.result_pictures


def drawn_chart(request: Request, charts: Sequence[Any], number: int) -> Response:
    """One of several charts as a drawing."""
    if not 0 < number <= len(charts):
        raise HTTPException(404)
    data = pictures_of(request).drawer.svg(charts[number - 1].spec)
    headers = {"content-security-policy": _POLICY_OF_DRAWING, "cache-control": "private, max-age=600"}
    return Response(data, media_type="image/svg+xml", headers=headers)


def _list(request: Request) -> Response:
    board = results_of(request).board()
    found = pictures_of(request).pictures()[1] if board else []
    return page(request, "curves.html", board=board, found=found)


def _show(request: Request) -> Response:
    from fairpanel.findings.rules import interval, reading_on_shown_scale

    seen = pictures_of(request).curves(request.path_params["picture"])
    readings = [
        (method, r, interval(reading_on_shown_scale(r, quantity), quantity), seen.board.line_of(method, r))
        for method, r in seen.readings
        for quantity in (method.quantity(r.quantity),)
    ]
    return page(request, "curves_of_picture.html", seen=seen, readings=readings)


def _curve(request: Request) -> Response:
    charts = pictures_of(request).curves(request.path_params["picture"]).charts
    return drawn_chart(request, [chart for _, chart in charts], request.path_params["number"])


def _maps(request: Request) -> Response:
    pictures, id = pictures_of(request), request.path_params["picture"]
    return page(request, "maps.html", seen=pictures.curves(id), maps=pictures.maps(id))


def _map(request: Request) -> Response:
    return drawn_chart(
        request, pictures_of(request).maps(request.path_params["picture"]), request.path_params["number"]
    )


ROUTES = [
    Route("/results/curves", _list),
    Route("/results/curves/{picture}", _show),
    Route("/results/curves/{picture}/{number:int}.svg", _curve),
    Route("/results/curves/{picture}/maps", _maps),
    Route("/results/curves/{picture}/maps/{number:int}.svg", _map),
]
