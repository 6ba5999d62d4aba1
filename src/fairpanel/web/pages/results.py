"""Results: all products on one axis, by finding; filtered and put in order by plain links, and at once by script."""

from __future__ import annotations

import threading
from typing import Any

from markupsafe import Markup
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fairpanel.web.rendering import macro, page

NAV = ((40, "Results", "/results"),)


def set_up(app: Starlette) -> None:
    """A place for what was last read, and for its rows as they were drawn."""
    app.state.results_turn = threading.Lock()
    app.state.results = None
    app.state.result_rows = (None, {})


def results_of(request: Request) -> Any:
    """The last read of the bench, kept for all requests."""
    state = request.app.state
    with state.results_turn:
        if state.results is None:
            from fairpanel.jobs.blinding import veil_of
            from fairpanel.jobs.results import Results

            state.results = Results(state.folder, veil_of)
    return state.results


def _show(request: Request) -> Response:
    board = results_of(request).board()
    if board is None:
        return page(request, "results.html", board=None)
    from fairpanel.findings.rules import HEADINGS
    from fairpanel.jobs.results_table import DOUBTS, ORDERS, asked_from, groups_of
    from fairpanel.publication.words import HOW_TO_READ

    asked = asked_from(request.query_params)
    tables = [(t, groups_of(t, asked)) for t in board.tables]
    return page(
        request,
        "results.html",
        board=board,
        asked=asked,
        tables=tables,
        rows=_rows(request, board),
        count=sum(len(t.lines) for t in board.tables),
        shown=sum(len(g.lines) for _, groups in tables for g in groups),
        findings=list(HEADINGS.items()),
        orders=ORDERS,
        doubts=DOUBTS,
        how_to_read=HOW_TO_READ,
    )


def _rows(request: Request, board: Any) -> dict[str, Markup]:
    """Each line as it stands on the page, drawn once for each read and each sealing of names."""
    state = request.app.state
    of, rows = state.result_rows
    if of is not board:
        from fairpanel.findings.rules import interval
        from fairpanel.jobs.results_table import ORDERS, place_of

        row = macro("results_row.html", "row")
        rows = {
            line.id: Markup(
                row(
                    line,
                    table.axis,
                    interval(line.shown, line.quantity) if line.shown else "not read",
                    {order: place_of(line, order) for order in ORDERS if order != "name"},
                )
            )
            for table in board.tables
            for line in table.lines
        }
        state.result_rows = (board, rows)
    return rows


ROUTES = [Route("/results", _show)]
