"""Old scores: type or paste them with the ladder they were given by, and see which stand above luck."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fairpanel.web.forms import Form, takes_form
from fairpanel.web.rendering import page, then

NAV = ((45, "Old scores", "/old-scores"),)

GLASS = (("not known", "not known"), ("yes", "yes, as over the strips"), ("no", "no"))
HALF_SCORES = (("", "as the scores show"), ("yes", "yes"), ("no", "no"))


def _show(request: Request) -> Response:
    from fairpanel.jobs.typed_old_scores import Typed, as_typed

    change = request.query_params.get("change", "")
    typed = as_typed(request.app.state.folder, change) if change else Typed()
    return _page(request, typed)


def _page(
    request: Request, typed: object, wrong: Mapping[str, Sequence[str]] | None = None, *, status: int = 200
) -> Response:
    from fairpanel.jobs.luck_picture import luck_picture
    from fairpanel.jobs.old_scores import STATEMENT, load_old_tables
    from fairpanel.jobs.typed_old_scores import LABELS, taken_off
    from fairpanel.methods.uv_strip.ladder.words import assumed_in_words, ladder_in_words

    folder = request.app.state.folder
    tables = [
        (t, luck_picture(t.judged), ladder_in_words(t.judged.ladder), assumed_in_words(t.judged.eye))
        for t in load_old_tables(folder)
    ]
    return page(
        request,
        "old_scores.html",
        status=status,
        statement=STATEMENT,
        tables=tables,
        taken_off=taken_off(folder),
        typed=typed,
        wrong={name: " ".join(texts[:12]) for name, texts in (wrong or {}).items()},
        labels=LABELS,
        glass=GLASS,
        half_scores=HALF_SCORES,
    )


def _take_in(request: Request, form: Form) -> Response:
    from fairpanel.jobs.typed_old_scores import Typed, Wrong, take_in_typed

    typed = Typed(**{f.name: form.get(f.name) for f in fields(Typed)})
    try:
        new = take_in_typed(request.app.state.folder, typed)
    except Wrong as problem:
        return _page(request, typed, problem.by_field, status=422)
    told = "Taken in. What they are worth stands here." if new else "Nothing new: the bench has these scores already."
    return then(request, "/old-scores", told)


def _undo(request: Request, form: Form) -> Response:
    from fairpanel.jobs.typed_old_scores import undo

    done = undo(request.app.state.folder, form.get("table"))
    return then(request, "/old-scores", f"The scores were {done}. Both are on record, and this can be undone too.")


ROUTES = [
    Route("/old-scores", _show),
    Route("/old-scores/take-in", takes_form(_take_in), methods=["POST"]),
    Route("/old-scores/undo", takes_form(_undo), methods=["POST"]),
]
