"""Rehearse: change a plan and see what it would detect, on made pictures, before panels are spent."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fairpanel.web import plan_form, work
from fairpanel.web.faults import in_words
from fairpanel.web.forms import Form, takes_form
from fairpanel.web.rendering import page, then

NAV = ((50, "Rehearse", "/rehearse"),)

_KIND = "rehearsal"


def _show(request: Request) -> Response:
    """The form, what the chosen rehearsal found, and all that were tried."""
    tried = request.app.state.work.pieces(_KIND)
    wanted = request.query_params.get("shown", "")
    shown = next((p for p in tried if p.id == wanted), None)
    return _page(request, typed=shown.about if shown else plan_form.START, shown=shown)


def _page(
    request: Request, *, typed: Mapping[str, str], shown: work.Piece | None = None, asked: Any = None, status: int = 200
) -> Response:
    tried = [p for p in request.app.state.work.pieces(_KIND) if p.going or p.result]
    return page(
        request,
        "rehearse.html",
        status=status,
        typed=typed,
        wrong=asked.wrong if asked else {},
        wrong_together=asked.wrong_together if asked else [],
        shown=shown,
        failed=in_words(shown.error) if shown and shown.error else "",
        tried=tried,
        in_words=plan_form.in_words,
        form=plan_form,
    )


def _try(request: Request, form: Form) -> Response:
    typed = {name: form.get(name) for name in plan_form.START}
    asked = plan_form.asked(typed)
    plan = asked.plan
    if plan is None:
        return _page(request, typed=typed, asked=asked, status=422)
    from fairpanel.jobs.rehearsing import rehearse

    def do(tell: work.Progress) -> Any:
        return rehearse(plan, repeats=asked.repeats, progress=tell)

    piece = request.app.state.work.begin(_KIND, "Rehearsing", do, writes=False, about=typed)
    piece.then = f"/rehearse?shown={piece.id}"
    return then(request, piece.then)


ROUTES = [Route("/rehearse", _show), Route("/rehearse/try", takes_form(_try), methods=["POST"])]
