"""Runs, lamps and paper sheets; and, on the start page, what is due by the clock."""

from __future__ import annotations

import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fairpanel.plan.things import kind_of
from fairpanel.web.pages import StartPart
from fairpanel.web.rendering import page
from fairpanel.web.thing_pages import routes_of

NAV = ((26, "Runs", "/runs"),)
PHONE_NAV = ((10, "Runs", "/runs"),)


def start_parts(folder: Path) -> list[StartPart]:
    """What is due now and what will be."""
    from fairpanel.jobs.due import due

    found = due(folder)
    return [StartPart(10, "start_due.html", {"due": found, "now": time.time()})]


def _more(request: Request, thing: Any) -> Mapping[str, Any]:
    return {"template": "run_links.html"}


def _on_phone(request: Request) -> Response:
    from fairpanel.jobs.entering import things

    found = things(request.app.state.folder, kind_of("run"))
    return page(request, "runs_phone.html", found=sorted(found, key=lambda e: e.made_at, reverse=True))


ROUTES = [
    *routes_of(kind_of("run"), _more),
    *routes_of(kind_of("lamp")),
    *routes_of(kind_of("paper sheet")),
]
PHONE_ROUTES = [Route("/runs", _on_phone)]
