"""Campaigns, and their seal: sealing, locking the reading, unsealing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fairpanel.plan.things import kind_of
from fairpanel.web.forms import Form, takes_form
from fairpanel.web.rendering import page, then
from fairpanel.web.thing_pages import routes_of

NAV = ((24, "Campaigns", "/campaigns"),)


def _seal(request: Request, thing: Any) -> Mapping[str, Any]:
    from fairpanel.jobs.blinding import seal_of

    found = seal_of(request.app.state.folder, thing.key)
    return {"template": "campaign_seal.html", "seal": found}


def _do(request: Request, form: Form) -> Response:
    from fairpanel.jobs import blinding

    folder, id = request.app.state.folder, request.path_params["id"]
    here, step = f"/campaigns/{id}", form.get("step")
    if step == "seal":
        told = blinding.seal(folder, id, alone=form.get("alone") != "no")
        return then(request, here, f"Sealed. Every product is called by a code now. To be written down: {told}")
    if step == "lock":
        blinding.lock(folder, id)
        return then(request, here, "The reading is locked: nothing is read, no outline moves, until it is unsealed.")
    if step == "unseal":
        blinding.unseal(folder, id)
        return then(request, here, "Unsealed: the names show again.")
    return page(request, "fault.html", status=422, title="This was not done", words="Choose what is to be done.")


ROUTES = [
    Route("/campaigns/{id}/seal", takes_form(_do), methods=["POST"]),
    *routes_of(kind_of("campaign"), _seal),
]
