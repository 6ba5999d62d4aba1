"""Due now: the start page. Its parts come from all pages; what was found and what needs a decision are its own."""

from __future__ import annotations

from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fairpanel.jobs.overview import overview
from fairpanel.web.pages import StartPart
from fairpanel.web.rendering import page

NAV = ((0, "Due now", "/"),)


def start_parts(folder: Path) -> list[StartPart]:
    """What was last found, and what needs a decision."""
    seen = vars_of(folder)
    return [StartPart(50, "start_decide.html", seen), StartPart(80, "start_found.html", seen)]


def vars_of(folder: Path) -> dict[str, object]:
    """A bench at a glance, for the templates."""
    seen = overview(folder)
    return {name: getattr(seen, name) for name in seen.__dataclass_fields__}


def _start(request: Request) -> Response:
    state = request.app.state
    parts = [part for parts_of in state.parts_of_start for part in parts_of(state.folder)]
    return page(request, "start.html", parts=sorted(parts, key=lambda p: p.place))


ROUTES = [Route("/", _start)]
