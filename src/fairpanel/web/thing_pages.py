"""Pages of one kind of thing, made from its fields: the list with look-up, a form, one thing with its history."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fairpanel.methods.columns import Column
from fairpanel.plan.things import KINDS, Kind, as_typed
from fairpanel.web.forms import Form, takes_form
from fairpanel.web.rendering import page, then
from fairpanel.web.veiling import current

#: Kinds that have no entry in the bar at the top, and the page from which they are reached.
BESIDE = {"product": ("lot",), "run": ("lamp", "paper sheet")}

More = Callable[[Request, Any], Mapping[str, Any]]

_ENDINGS = ("s", "h", "g", "mg", "mm", "days")


def label_of(name: str) -> str:
    """A field's name as it is shown: its unit stands beside it.

    >>> label_of("film_mg"), label_of("place_x_mm"), label_of("bought_at")
    ('Film', 'Place x', 'Bought on')
    """
    words = name.split("_")
    if len(words) > 1 and words[-1] == "at":
        words[-1] = "on"  # "bought at" would name a shop
    if len(words) > 1 and words[-1] in _ENDINGS:
        words = words[:-1]
    return " ".join(words).capitalize()


def routes_of(kind: Kind, more: More = lambda request, thing: {}) -> list[Route]:
    """All pages of a kind; `more` gives what its page shows beyond, with "template" to be included."""

    def listed(request: Request) -> Response:
        return _list(request, kind)

    def empty(request: Request) -> Response:
        return _form(request, kind, {})

    def entered(request: Request, form: Form) -> Response:
        return _enter(request, kind, form)

    def one(request: Request) -> Response:
        return _one(request, kind, more)

    def changed(request: Request, form: Form) -> Response:
        return _amend(request, kind, form, more)

    def taken_out(request: Request, form: Form) -> Response:
        return _take_out(request, kind, form, more)

    at = kind.address
    return [
        Route(at, listed),
        Route(f"{at}/new", empty),
        Route(f"{at}/new", takes_form(entered), methods=["POST"]),
        Route(f"{at}/{{id}}", one),
        Route(f"{at}/{{id}}", takes_form(changed), methods=["POST"]),
        Route(f"{at}/{{id}}/out", takes_form(taken_out), methods=["POST"]),
    ]


def _list(request: Request, kind: Kind) -> Response:
    from fairpanel.jobs.entering import things

    words = request.query_params.get("words", "").strip()[:200]
    # While sealed, what is known of a product would give it away: only its code is looked up and shown.
    closed = _is_closed(kind)
    found = things(_folder(request), kind, words="" if closed else words)
    return page(
        request,
        "things.html",
        kind=kind,
        beside=[k for k in KINDS if k.noun in BESIDE.get(kind.noun, ())],
        found=found,
        words=words,
        columns=[] if closed else _first_columns(kind, found),
        label=label_of,
        closed=closed,
    )


def _first_columns(kind: Kind, found: list[Any]) -> list[Column]:
    used = {name for entry in found for name in entry.body}
    return [c for c in kind.columns if c.name in used and c.name not in ("note", "claims")][:4]


def _form(request: Request, kind: Kind, typed: Mapping[str, str], wrong: Mapping[str, str] | None = None) -> Response:
    from fairpanel.jobs.entering import cautions_before

    return page(
        request,
        "thing_new.html",
        status=422 if wrong else 200,
        kind=kind,
        typed=typed,
        wrong=wrong or {},
        cautions=cautions_before(kind.step) if kind.step else [],
        names=_names(_folder(request), kind.columns),
        label=label_of,
    )


def _enter(request: Request, kind: Kind, form: Form) -> Response:
    from fairpanel.jobs.entering import Faulty, enter

    try:
        id = enter(_folder(request), kind, form.fields, cautioned=form.ticked("cautioned"))
    except Faulty as problem:
        return _form(request, kind, form.fields, problem.wrong)
    return then(request, f"{kind.address}/{id}", f"Saved: {kind.one} {form.get('name')}.")


def _one(request: Request, kind: Kind, more: More, **beyond: Any) -> Response:
    from fairpanel.jobs.entering import thing

    seen = thing(_folder(request), kind, request.path_params["id"])
    closed = _is_closed(kind)
    shown: dict[str, Any] = {
        "thing": seen,
        "kind": kind,
        "typed": {"name": seen.entry.name, **as_typed(kind, seen.entry.body)},
        "based_on": seen.entry.id,
        "wrong": {},
        "clash": None,
        "names": _names(_folder(request), kind.columns),
        "label": label_of,
        "as_typed": as_typed,
        "closed": closed,
        "more": more(request, seen),
    }
    status = 422 if beyond.get("wrong") else 409 if beyond.get("clash") else 200
    return page(request, "thing.html", status=status, **(shown | beyond))


def _amend(request: Request, kind: Kind, form: Form, more: More) -> Response:
    from fairpanel.jobs.entering import Conflict, Faulty, amend

    based_on = form.get("based_on")
    try:
        new = amend(_folder(request), kind, based_on, form.fields, reason=form.get("reason"))
    except Faulty as problem:
        return _one(request, kind, more, typed=form.fields, wrong=problem.wrong, based_on=based_on)
    except Conflict as problem:
        # The form stands on what is there now: saved again, with both in sight, it is a change of that.
        return _one(request, kind, more, typed=form.fields, clash=problem.newest, based_on=problem.newest.id)
    message = (
        "Nothing was different; nothing was written." if new == based_on else "Changed. The former words are kept."
    )
    return then(request, f"{kind.address}/{new}", message)


def _take_out(request: Request, kind: Kind, form: Form, more: More) -> Response:
    from fairpanel.jobs.entering import Faulty, take_out

    try:
        take_out(_folder(request), kind, form.get("based_on"), reason=form.get("out_reason"))
    except Faulty as problem:
        return _one(request, kind, more, wrong={"out_reason": problem.wrong["reason"]})
    return then(request, kind.address, "Taken out. It stays under “History”, where it can be brought back.")


def _names(folder: Path, columns: tuple[Column, ...]) -> dict[str, list[str]]:
    from fairpanel.jobs.entering import names_on_bench

    return names_on_bench(folder, {c.noun for c in columns if c.noun})


def _is_closed(kind: Kind) -> bool:
    return kind.noun == "product" and bool(current())


def _folder(request: Request) -> Path:
    folder: Path = request.app.state.folder
    return folder
