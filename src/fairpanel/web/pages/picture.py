"""One picture: its strips outlined with their numbers, naming a strip, moving outlines."""

from __future__ import annotations

import json
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from fairpanel.web.forms import Form, takes_form
from fairpanel.web.pages.reading import KIND, begin_reading
from fairpanel.web.rendering import number, page, then

#: Of a strip named before, what the next one of the same picture most likely has too.
_OWN = ("strip", "product", "kind", "plate", "other half", "note")

#: Things that a form asks for before the fold, besides a method's short form.
_NAMED_FIRST = ("specimen", "paper sheet", "run")

NEW = "new"


def _seen(request: Request) -> Any:
    from fairpanel.jobs.picture_page import see_picture

    return see_picture(request.app.state.folder, request.path_params["id"])


def _show(request: Request, **more: Any) -> Response:
    pending = _pending(request)  # asked first: a reading that ends between the two would leave old numbers standing
    seen = _seen(request)
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse(_as_data(seen, pending))
    key = more.pop("key", None) or request.query_params.get("strip", "")
    chosen = _added(seen) if key == NEW else seen.strip(key)
    answers = more.pop("answers", None) or (_first_answers(seen, chosen) if chosen else {})
    context = {
        "seen": seen,
        "chosen": chosen,
        "answers": answers,
        "asked": seen.asked,
        "wrong": {},
        "stands": None,
        "was": ",".join(chosen.row_ids) if chosen else "",
        "reason": "",
        "corners": "",
        "pending": pending,
        "label": label,
        "short": short,
        "why_not": why_not,
        "steps_named": any(s.named and s.steps for s in seen.strips),
        "next": min((s for s in seen.strips if not s.named and s.whole), key=lambda s: not s.steps, default=None),
    }
    first = {c.name for c in seen.asked if c.short_form or c.noun in _NAMED_FIRST}
    context |= {"first": first, "more_wrong": bool(set(more.get("wrong", ())) - first - {"", "reason"})}
    return page(request, "picture.html", **(context | more))


def _page(request: Request) -> Response:
    return _show(request)


def _image(request: Request) -> Response:
    from fairpanel.jobs.seeing import shown

    data = shown(request.app.state.folder, request.path_params["id"])
    return Response(data, media_type="image/png", headers={"cache-control": "private, max-age=3600"})


# ---- what is shown ---------------------------------------------------------------------------------------------


def label(strip: Any) -> str:
    """The number of a strip with its interval, as it stands beside it; empty where there is none."""
    n = strip.number
    return said(n) if n else ""


def said(n: Any) -> str:
    """A number with its interval."""
    if n is None:
        return ""
    s, d, unit = n.shown, n.quantity.decimals, n.quantity.unit
    if s.value is not None and s.low is not None and s.high is not None:
        return f"{number(s.value, d)} {unit} ({number(s.low, d)} to {number(s.high, d)})"
    if s.low is not None:
        return f"above {number(s.low, d)} {unit}"
    return f"below {number(s.high, d)} {unit}" if s.high is not None else "cannot be told"


def short(n: Any) -> tuple[str, str, str]:
    """Value, interval and whether there is a doubt, each short enough to stand on the strip itself."""
    if n is None:
        return "", "", ""
    s, d, doubt = n.shown, n.quantity.decimals, "doubt" if any(d for _, d, _ in n.flags) else ""
    if s.value is None or s.low is None or s.high is None:
        return said(n), "", doubt
    return number(s.value, d, n.quantity.unit), f"{number(s.low, d)} to {number(s.high, d)}", doubt


def why_not(strip: Any) -> str:
    """Why a strip could not be read and what to do about it; empty where nothing was refused."""
    return f"Not read: {strip.refused[0].rstrip('.')}. {strip.refused[1]}" if strip.refused else ""


def _pending(request: Request) -> bool:
    return any(p.going for p in request.app.state.work.pieces(KIND))


def _as_data(seen: Any, pending: bool) -> dict[str, Any]:
    return {"pending": pending, "strips": [_strip(s) for s in seen.strips if s.named]}


def _flags(n: Any) -> list[str]:
    """What there is to say against a number, as the page words it."""
    return [f"{'Doubt' if doubt else 'Advice'}: {sentence}" for _, doubt, sentence in n.flags] if n else []


def _strip(s: Any) -> dict[str, Any]:
    return {
        "key": s.key,
        "name": s.name,
        "label": label(s),
        "short": short(s.number),
        "flags": _flags(s.number),
        "refused": why_not(s),
        "outline": s.outline.round(1).tolist() if s.outline is not None else None,
        "patches": {p.row_id: p.polygon.round(1).tolist() for p in s.patches},
    }


def _first_answers(seen: Any, chosen: Any) -> dict[str, str]:
    """What a form starts with: what is said already, or what is likely from the strips named before."""
    if chosen.named:
        return dict(chosen.answers)
    known = {"strip": chosen.name, "role": "step" if chosen.steps else ""}
    others = [s for s in seen.strips if s.named and not s.steps]
    if chosen.steps or not others:
        return known
    return known | {k: v for k, v in others[-1].answers.items() if k not in _OWN}


def _added(seen: Any) -> Any:
    from fairpanel.jobs.picture_page import new_strip

    return new_strip(seen)


# ---- naming ----------------------------------------------------------------------------------------------------


def _name(request: Request, form: Form) -> Response:
    from fairpanel.jobs.naming import ChangedMeanwhile, NotNamed, name_strip
    from fairpanel.jobs.picture_page import place_of

    id, folder, key = request.path_params["id"], request.app.state.folder, form.get("key")
    was = [one for one in form.get("was").split(",") if one]
    answers = {name[2:]: value.strip() for name, value in form.fields.items() if name.startswith("a-")}
    kept = {
        "key": key,
        "answers": answers,
        "reason": form.get("reason"),
        "corners": form.get("corners"),
        "was": ",".join(was),
    }
    try:
        place = place_of(form.get("corners")) if form.get("corners") else form.get("place")
        name = name_strip(folder, id, answers, place=place, was=was, reason=form.get("reason"))
    except NotNamed as problem:
        return _show(request, wrong=problem.wrong, status=422, **kept)
    except ChangedMeanwhile as problem:
        # Saved again, it replaces what is shown beside it: the tester has seen both.
        kept |= {"was": ",".join(problem.row_ids), "key": problem.row_ids[0] if problem.row_ids else NEW}
        return _show(request, stands=problem.stands, status=409, **kept)
    begin_reading(request, where=f"/pictures/{id}")
    strip = next((s for s in _seen(request).strips if s.named and s.name == name), None)
    return then(request, f"/pictures/{id}?strip={strip.key}#strip" if strip else f"/pictures/{id}", f"Saved: {name}.")


def _out(request: Request, form: Form) -> Response:
    from fairpanel.jobs.naming import take_out

    id = request.path_params["id"]
    rows = [one for one in form.get("was").split(",") if one]
    take_out(request.app.state.folder, id, rows, reason=form.get("reason"))
    begin_reading(request, where=f"/pictures/{id}")
    return then(request, f"/pictures/{id}", "Taken out. It stays on record.")


# ---- outlines --------------------------------------------------------------------------------------------------


def _move(request: Request, form: Form) -> Response:
    from fairpanel.jobs.moving_outlines import move

    try:
        polygons = json.loads(form.get("polygons"))
    except ValueError:
        polygons = None
    if not isinstance(polygons, dict):
        raise HTTPException(422, "The outlines did not come whole. Nothing was moved.")
    move(request.app.state.folder, request.path_params["id"], polygons)
    return _followed(request)


def _back(request: Request, form: Form) -> Response:
    from fairpanel.jobs.moving_outlines import take_back

    take_back(request.app.state.folder, request.path_params["id"])
    if "application/json" in request.headers.get("accept", ""):
        return _followed(request)
    begin_reading(request, where=f"/pictures/{request.path_params['id']}")
    return then(request, f"/pictures/{request.path_params['id']}", "The last move was taken back.")


def _followed(request: Request) -> Response:
    """The numbers as they stand at once, from this picture alone."""
    from fairpanel.jobs.moving_outlines import follow

    followed = follow(request.app.state.folder, request.path_params["id"])
    data = _as_data(_seen(request), _pending(request))
    for strip in data["strips"]:
        n = followed.numbers.get(strip["key"])
        if strip["key"] in followed.numbers:
            strip |= {"label": said(n), "short": short(n), "flags": _flags(n)}
    return JSONResponse(data | {"alone": True})


def _read(request: Request) -> Response:
    begin_reading(request, where=f"/pictures/{request.path_params['id']}")
    return JSONResponse({"pending": True})


ROUTES = [
    Route("/pictures/{id}", _page),
    Route("/pictures/{id}/shown.png", _image),
    Route("/pictures/{id}/strip", takes_form(_name), methods=["POST"]),
    Route("/pictures/{id}/out", takes_form(_out), methods=["POST"]),
    Route("/pictures/{id}/move", takes_form(_move), methods=["POST"]),
    Route("/pictures/{id}/back", takes_form(_back), methods=["POST"]),
    Route("/pictures/{id}/read", _read, methods=["POST"]),
]
