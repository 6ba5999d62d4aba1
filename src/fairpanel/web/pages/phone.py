"""Phone: letting one in, for pictures and for the bench; and what it sees first."""

from __future__ import annotations

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from fairpanel.web.forms import Form, takes_form
from fairpanel.web.phone import PhoneDoor
from fairpanel.web.qr import code_of
from fairpanel.web.rendering import page, then

NAV = ((80, "Phone", "/phone"),)
PHONE_NAV = ((0, "Pictures", "/"),)


def set_up(app: Starlette) -> None:
    """Make the door, shut."""
    from fairpanel.web.app import navigation, page_modules

    modules = page_modules()
    routes = [route for m in modules for route in getattr(m, "PHONE_ROUTES", ())]
    app.state.door = PhoneDoor(app, routes, navigation(modules, "PHONE_NAV"))
    app.state.closing.append(app.state.door.shut)


def _show(request: Request) -> Response:
    door: PhoneDoor = request.app.state.door
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse({"open": door.is_open, "phones": door.phones, "waiting": bool(door.invitation)})
    code = code_of(door.invitation) if door.invitation else None
    return page(request, "phone.html", door=door, code=code)


def _open(request: Request) -> Response:
    request.app.state.door.open()
    return then(request, "/phone")


def _shut(request: Request) -> Response:
    request.app.state.door.shut()
    return then(request, "/phone", "Shut. No phone reaches the bench any more.")


# ---- on the phone ------------------------------------------------------------------------------------------------


def _first(request: Request) -> Response:
    return page(request, "phone_pictures.html")


def _take(request: Request, form: Form) -> Response:
    from fairpanel.jobs.keeping_pictures import keep_pictures

    given = form.files.get("pictures", ())
    if not given:
        return page(request, "phone_pictures.html", status=422, wrong="No picture was chosen.")
    kept = keep_pictures(request.app.state.folder, ((one.name, one.data) for one in given))
    return page(request, "phone_pictures.html", status=422 if all(k.reason for k in kept) else 200, kept=kept)


ROUTES = [
    Route("/phone", _show),
    Route("/phone/open", _open, methods=["POST"]),
    Route("/phone/shut", _shut, methods=["POST"]),
]
PHONE_ROUTES = [Route("/", _first), Route("/", takes_form(_take), methods=["POST"])]
