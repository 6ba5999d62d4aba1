"""The run sheet, on phone and computer: clocks, cautions, buttons for what happens. And the printed card."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from fairpanel.plan.clocks import EVENTS, HOW
from fairpanel.web.forms import Form, takes_form
from fairpanel.web.rendering import page, then

#: What can be said to have happened earlier: all but the reading of a caution.
_LATE = [(kind, words) for kind, words in EVENTS.items() if kind not in ("caution", "lamp height", "note")]


def _show(request: Request) -> Response:
    from fairpanel.jobs.run_sheet import sheet

    made = sheet(request.app.state.folder, request.path_params["id"])
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse({"state": _state(made)})
    return _page(request, made)


def _state(made: Any) -> str:
    """Changes with everything that is recorded: the other device sees that it must look again."""
    return f"{made.run.entry.id} {' '.join(sorted(e.id for e in made.events))}"


def _page(request: Request, made: Any, typed: Mapping[str, str] | None = None, wrong: Mapping[str, str] | None = None
          ) -> Response:  # fmt: skip
    return page(
        request,
        "run_sheet.html",
        status=422 if wrong else 200,
        made=made,
        state=_state(made),
        words_of=EVENTS,
        how=HOW,
        late=_LATE,
        typed=typed or {},
        wrong=wrong or {},
    )


def _record(request: Request, form: Form) -> Response:
    from fairpanel.jobs.entering import Faulty
    from fairpanel.jobs.run_sheet import record, sheet

    folder, id = request.app.state.folder, request.path_params["id"]
    try:
        record(folder, id, form.fields)
    except Faulty as problem:
        return _page(request, sheet(folder, id), form.fields, problem.wrong)
    return then(request, f"/runs/{id}/sheet")


def _correct(request: Request, form: Form) -> Response:
    from fairpanel.jobs import run_sheet

    folder, id, event = request.app.state.folder, request.path_params["id"], request.path_params["event"]
    if form.get("do") == "strike":
        run_sheet.strike_event(folder, event, reason=form.get("reason") or "did not happen")
        return then(request, f"/runs/{id}/sheet", "Struck. It stays on record under “History”.")
    try:
        earlier = float(form.get("earlier_s").replace(",", "."))
    except ValueError:
        earlier = float("nan")
    if not abs(earlier) <= 86400:
        words = {"earlier_s": "Write how many seconds earlier it really happened, 1.5 say."}
        return _page(request, run_sheet.sheet(folder, id), dict(form.fields) | {"event": event}, words)
    run_sheet.move_event(folder, event, later_s=-earlier, reason=form.get("reason") or "as it really happened")
    return then(request, f"/runs/{id}/sheet", "Put where it really happened.")


def _card(request: Request) -> Response:
    from fairpanel.jobs.run_sheet import cautions_of, sheet

    made = sheet(request.app.state.folder, request.path_params["id"])
    return page(request, "run_card.html", made=made, cautions=cautions_of(made.run))


def _rows(request: Request) -> Response:
    """The seconds that really happened, as a table to go on with."""
    from fairpanel.jobs.recording import table_of_run

    id = request.path_params["id"]
    return (
        then(request, f"/rows/table?{urlencode({'run': id})}")
        if table_of_run(request.app.state.folder, id)
        else (then(request, f"/runs/{id}/sheet", "Nothing was exposed yet, so there is nothing to carry into rows."))
    )


_SHEET = [
    Route("/runs/{id}/sheet", _show),
    Route("/runs/{id}/sheet", takes_form(_record), methods=["POST"]),
    Route("/runs/{id}/sheet/{event}", takes_form(_correct), methods=["POST"]),
]
ROUTES = [*_SHEET, Route("/runs/{id}/card", _card), Route("/runs/{id}/rows", _rows)]
PHONE_ROUTES = _SHEET
