"""Rows of any test method: looked up, entered by a form made from the method's columns, or pasted as a table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fairpanel.methods import DEFAULT, all_methods
from fairpanel.methods.columns import columns_of
from fairpanel.web.forms import Form, takes_form
from fairpanel.web.rendering import page, then
from fairpanel.web.thing_pages import label_of

NAV = ((28, "Rows", "/rows"),)

#: Names of the fields that hold a row's cells begin with this: a method may have a column called "reason".
CELL = "cell."


def _list(request: Request) -> Response:
    from fairpanel.jobs.recording import cells_of, rows, short_columns

    method = _method(request)
    words = request.query_params.get("words", "").strip()[:200]
    listed = rows(request.app.state.folder, method.name, words=words)
    return page(
        request,
        "rows.html",
        method=method,
        methods=list(all_methods().values()),
        words=words,
        listed=listed,
        cells={r.id: cells_of(method, r) for r in listed.rows},
        columns=short_columns(method),
        label=label_of,
    )


def _method(request: Request) -> Any:
    from fairpanel.jobs.recording import method_named

    return method_named(request.query_params.get("method", "") or DEFAULT)


# ---- one row -----------------------------------------------------------------------------------------------------


def _empty(request: Request) -> Response:
    return _new(request, _method(request), dict(request.query_params))


def _new(request: Request, method: Any, typed: Mapping[str, str], wrong: Mapping[str, str] | None = None) -> Response:
    status = 422 if wrong else 200
    return page(request, "row_new.html", status=status, typed=typed, wrong=wrong or {}, **_about(request, method))


def _about(request: Request, method: Any) -> dict[str, Any]:
    from fairpanel.jobs.entering import names_on_bench

    columns = columns_of(method.Row)
    names = names_on_bench(request.app.state.folder, {c.noun for c in columns if c.noun})
    return {"method": method, "columns": columns, "names": names, "label": label_of, "cell": CELL}


def _enter(request: Request, form: Form) -> Response:
    from fairpanel.jobs.entering import Faulty
    from fairpanel.jobs.recording import enter_row

    method = _method(request)
    typed = _typed(form)
    try:
        id = enter_row(request.app.state.folder, method, typed)
    except Faulty as problem:
        return _new(request, method, typed, problem.wrong)
    if form.ticked("again"):
        from urllib.parse import urlencode

        return then(request, f"/rows/new?{urlencode({'method': method.name, **typed})}", "Saved. The next one:")
    return then(request, f"/rows/{id}", "Saved.")


def _typed(form: Form) -> dict[str, str]:
    return {name.removeprefix(CELL): value for name, value in form.fields.items() if name.startswith(CELL)}


def _one(request: Request, **beyond: Any) -> Response:
    from fairpanel.jobs.recording import cells_of, method_named, row_history

    history = row_history(request.app.state.folder, request.path_params["id"])
    method = method_named(history[-1].method)
    shown: dict[str, Any] = {
        "row": history[-1],
        "history": history,
        "cells": {r.id: cells_of(method, r) for r in history},
        "typed": cells_of(method, history[-1]),
        "based_on": history[-1].id,
        "wrong": {},
        "clash": None,
        "reason": "",
        **_about(request, method),
    }
    status = 422 if beyond.get("wrong") else 409 if beyond.get("clash") else 200
    return page(request, "row.html", status=status, **(shown | beyond))


def _amend(request: Request, form: Form) -> Response:
    from fairpanel.jobs.entering import Conflict, Faulty
    from fairpanel.jobs.recording import amend_row

    typed, reason, based_on = _typed(form), form.get("reason"), form.get("based_on")
    try:
        new = amend_row(request.app.state.folder, based_on, typed, reason=reason)
    except Faulty as problem:
        return _one(request, typed=typed, wrong=problem.wrong, reason=reason, based_on=based_on)
    except Conflict as problem:
        return _one(request, typed=typed, clash=problem.newest, reason=reason, based_on=problem.newest.id)
    message = "Nothing was different; nothing was written." if new == based_on else "Changed. The former row is kept."
    return then(request, f"/rows/{new}", message)


def _take_out(request: Request, form: Form) -> Response:
    from fairpanel.jobs.entering import Faulty
    from fairpanel.jobs.recording import withdraw_row

    try:
        withdraw_row(request.app.state.folder, form.get("based_on"), reason=form.get("out_reason"))
    except Faulty as problem:
        return _one(request, wrong={"out_reason": problem.wrong["reason"]})
    return then(request, "/rows", "Taken out. It stays under “History”, where it can be brought back.")


# ---- a table -----------------------------------------------------------------------------------------------------


def _table(request: Request) -> Response:
    from fairpanel.jobs.recording import table_of_run

    run = request.query_params.get("run", "")
    text = table_of_run(request.app.state.folder, run) if run else ""
    return _table_page(request, text=text, from_run=bool(text))


def _table_page(request: Request, *, status: int = 200, **shown: Any) -> Response:
    from fairpanel.jobs.take_in import template

    methods = list(all_methods().values())
    context = {"text": "", "faults": [], "reason": "", "from_run": False, "name": ""}
    examples = {m.name: template(m, full=False).decode("utf-8-sig") for m in methods}
    return page(request, "rows_table.html", status=status, methods=methods, examples=examples, **(context | shown))


def _take_in(request: Request, form: Form) -> Response:
    from fairpanel.files.tables import TableFaults
    from fairpanel.jobs.recording import in_words, take_in_table

    given = form.files.get("table", ())
    text, reason = form.fields.get("text", ""), form.get("reason")
    data = given[0].data if given else text.encode()
    name = given[0].name if given else "pasted.csv"
    pictures = ((p.name, p.data) for p in form.files.get("pictures", ()))
    try:
        taken = take_in_table(request.app.state.folder, data, name, pictures=pictures, reason=reason)
    except TableFaults as problem:
        return _table_page(request, status=422, text=text, faults=problem.faults, reason=reason, name=name)
    return then(request, "/rows", in_words(taken))


def _example(request: Request) -> Response:
    from fairpanel.jobs.take_in import template

    method = _method(request)
    headers = {"content-disposition": f'attachment; filename="{method.name}.csv"'}
    return Response(template(method, full=True), media_type="text/csv", headers=headers)


ROUTES = [
    Route("/rows", _list),
    Route("/rows/new", _empty),
    Route("/rows/new", takes_form(_enter), methods=["POST"]),
    Route("/rows/table", _table),
    Route("/rows/table", takes_form(_take_in), methods=["POST"]),
    Route("/rows/example", _example),
    Route("/rows/{id}", _one),
    Route("/rows/{id}", takes_form(_amend), methods=["POST"]),
    Route("/rows/{id}/out", takes_form(_take_out), methods=["POST"]),
]
