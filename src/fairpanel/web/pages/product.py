"""One product: its number, every strip with its picture, curves, limits, budget, doubts, refusals, and the rows."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fairpanel.web.pages.curves import drawn_chart, pictures_of
from fairpanel.web.pages.results import results_of
from fairpanel.web.rendering import page


def _show(request: Request) -> Response:
    from fairpanel.findings.rules import HEADINGS
    from fairpanel.jobs import result_pictures, results_product

    seen = results_of(request).product(request.path_params["id"])
    images = {
        (s.reading.picture, s.reading.strip): _address(s)
        for s in seen.strips
        if s.picture_id and seen.line.method.crops
    }
    return page(
        request,
        "product.html",
        seen=seen,
        heading=HEADINGS[seen.line.told.finding],
        axis=seen.board.table_of(seen.line).axis,
        view=results_product.view_of(seen),
        strips=results_product.strips_of(seen, images),
        facts=results_product.facts_of(seen),
        rows=results_product.rows_of(seen),
        charts=result_pictures.charts_of(seen),
        others=[x for x in seen.board.table_of(seen.line).lines if x is not seen.line],
    )


def _address(strip: Any) -> str:
    return "/results/strip?" + urlencode({"picture": strip.picture_id, "strip": strip.reading.strip})


def _strip(request: Request) -> Response:
    """A strip cut from its picture."""
    found = pictures_of(request).strips(request.query_params.get("picture", ""))
    one = found.get(request.query_params.get("strip", ""))
    if one is None:
        raise HTTPException(404)
    return Response(one.data, media_type="image/jpeg", headers={"cache-control": "private, max-age=3600"})


def _curve(request: Request) -> Response:
    from fairpanel.jobs.result_pictures import charts_of

    charts = charts_of(results_of(request).product(request.path_params["id"]))
    return drawn_chart(request, charts, request.path_params["number"])


ROUTES = [
    Route("/results/product/{id}", _show),
    Route("/results/product/{id}/curves/{number:int}.svg", _curve),
    Route("/results/strip", _strip),
]
