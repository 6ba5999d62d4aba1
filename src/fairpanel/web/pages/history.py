"""History: every change, the newest first, each with a button that takes it back."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fairpanel.plan.things import KINDS
from fairpanel.web.forms import Form, takes_form
from fairpanel.web.rendering import page, then

NAV = ((90, "History", "/history"),)

#: Changes on one page.
_MOST = 60


def _show(request: Request) -> Response:
    from fairpanel.jobs.recording import history

    before = request.query_params.get("before", "9")[:40]
    found = history(request.app.state.folder, most=_MOST, before=before)
    kinds = {k.noun: k for k in KINDS}
    more = found[-1].change.made_at if len(found) == _MOST else ""
    return page(request, "history.html", found=found, kinds=kinds, more=more, first=before == "9")


def _undo(request: Request, form: Form) -> Response:
    from fairpanel.jobs.recording import undo

    undo(request.app.state.folder, request.path_params["id"])
    return then(request, "/history", "Taken back, by a new entry. Nothing was deleted.")


ROUTES = [Route("/history", _show), Route("/history/{id}/undo", takes_form(_undo), methods=["POST"])]
