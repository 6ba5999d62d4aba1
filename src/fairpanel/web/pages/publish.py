"""Publish: look at exactly what will be written, write it, and take it away as one file."""

from __future__ import annotations

import secrets
import shutil
import tempfile
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from fairpanel.web.forms import Form, takes_form
from fairpanel.web.guard import POLICY_OF_PUBLICATION
from fairpanel.web.rendering import page, then
from fairpanel.web.work import Progress

NAV = ((60, "Publish", "/publish"),)

_KINDS = {
    "html": "text/html; charset=utf-8",
    "jpg": "image/jpeg",
    "svg": "image/svg+xml",
    "csv": "text/csv; charset=utf-8",
    "json": "application/json",
}


@dataclass(frozen=True)
class _Preview:
    """What was made to be looked at, under a random name that the button to write it must give."""

    id: str
    prepared: Any


class _Previews:
    """The one preview that stands; an older one is thrown away with its files."""

    def __init__(self) -> None:
        self._turn = threading.Lock()
        self.current: _Preview | None = None

    def take(self, preview: _Preview | None) -> None:
        with self._turn:
            before, self.current = self.current, preview
        if before:
            shutil.rmtree(before.prepared.folder, ignore_errors=True)


def set_up(app: Starlette) -> None:
    """A place for the preview; it ends with the server."""
    app.state.previews = _Previews()
    app.state.closing.append(lambda: app.state.previews.take(None))


def _show(request: Request) -> Response:
    from fairpanel.jobs.overview import overview
    from fairpanel.jobs.publishing import is_on_bench, is_outdated, kept_publications

    state = request.app.state
    preview = state.previews.current
    return page(
        request,
        "publish.html",
        seen=overview(state.folder),
        preview=preview,
        outdated=bool(preview) and is_outdated(state.folder, preview.prepared),
        failed=_failed(request),
        kept=[(p, is_on_bench(p)) for p in kept_publications(state.folder)],
    )


def _failed(request: Request) -> str:
    """Why the newest attempt at a preview failed, if it did."""
    from fairpanel.web.faults import in_words

    newest = next(iter(request.app.state.work.pieces("preview")), None)
    return in_words(newest.error) if newest and newest.error else ""


def _prepare(request: Request, form: Form) -> Response:
    from fairpanel.jobs.publishing import prepare

    state = request.app.state
    title = form.get("title")

    def do(tell: Progress) -> None:
        into = Path(tempfile.mkdtemp(prefix="fairpanel-"))
        try:
            prepared = prepare(state.folder, into, title=title, progress=tell)
        except BaseException:
            shutil.rmtree(into, ignore_errors=True)
            raise
        state.previews.take(_Preview(secrets.token_urlsafe(9), prepared))

    piece = state.work.begin("preview", "Making the preview", do, writes=False, then="/publish")
    return then(request, f"/work/{piece.id}")


def _file(request: Request) -> Response:
    preview = request.app.state.previews.current
    place = request.path_params["file"]
    if preview is None or place not in preview.prepared.files:  # a name that was written down, or none
        raise HTTPException(404)
    data = (preview.prepared.folder / place).read_bytes()
    headers = {"content-security-policy": POLICY_OF_PUBLICATION}
    return Response(data, media_type=_KINDS[place.rpartition(".")[2]], headers=headers)


def _write(request: Request, form: Form) -> Response:
    from fairpanel.jobs.publishing import keep

    state = request.app.state
    preview = state.previews.current
    if preview is None or form.get("preview") != preview.id:
        return then(request, "/publish", "Another preview was made in the meantime. Look at this one first.")
    keep(state.folder, preview.prepared)
    state.previews.take(None)
    return then(request, "/publish#written", "Written, as you saw it. It lies on the bench; take it away as one file.")


def _download(request: Request) -> Response:
    from fairpanel.jobs.publishing import zipped

    with ExitStack() as until_packed:
        packed = until_packed.enter_context(tempfile.TemporaryFile())
        zipped(request.app.state.folder, request.path_params["id"], packed)
        until_sent = until_packed.pop_all()
    headers = {"content-disposition": 'attachment; filename="publication.zip"', "content-length": str(packed.tell())}
    packed.seek(0)
    return StreamingResponse(_portions(packed, until_sent), media_type="application/zip", headers=headers)


def _portions(file: IO[bytes], until_sent: ExitStack) -> Iterator[bytes]:
    with until_sent:
        while portion := file.read(1 << 16):
            yield portion


ROUTES = [
    Route("/publish", _show),
    Route("/publish/prepare", takes_form(_prepare), methods=["POST"]),
    Route("/publish/write", takes_form(_write), methods=["POST"]),
    Route("/publish/preview/{file:path}", _file),
    Route("/publish/kept/{id}/publication.zip", _download),
]
