"""Two products side by side, and what may be said of them."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from fairpanel.web.pages.results import results_of
from fairpanel.web.rendering import page


def _show(request: Request) -> Response:
    results = results_of(request)
    board = results.board()
    if board is None:
        return RedirectResponse("/results", 303)
    of = [id for id in request.query_params.getlist("of") if id][:3]
    known = [board.lines[id] for id in of if id in board.lines]
    pair, wrong = None, ""
    if len(of) == len(known) == 2:
        try:
            pair = results.pair(*of)
        except ValueError as problem:
            wrong = str(problem)
    elif of:
        wrong = "Choose two products." if len(of) == len(known) else "Pictures were read anew since. Choose again."
    from fairpanel.findings.pairs import KINDS
    from fairpanel.findings.rules import interval

    return page(
        request,
        "pair.html",
        status=422 if wrong else 200,
        board=board,
        chosen=[line.id for line in known][:2],
        pair=pair,
        wrong=wrong,
        sides=[(line, interval(line.shown, line.quantity) if line.shown else "not read") for line in known],
        kinds=KINDS,
    )


ROUTES = [Route("/results/pair", _show)]
