"""Pictures: dropped, chosen, taken with the phone, or found in a folder; and what became of each."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from fairpanel.web.forms import Form, takes_form
from fairpanel.web.pages import StartPart
from fairpanel.web.rendering import page, then
from fairpanel.web.work import PATIENT_SECONDS, Progress, Stopped

NAV = ((10, "Pictures", "/pictures"),)

KIND = "taking up pictures"


def start_parts(folder: Path) -> list[StartPart]:
    """A place to drop the next picture."""
    return [StartPart(35, "start_pictures.html")]


def _show(request: Request, **more: Any) -> Response:
    from fairpanel.jobs.pictures_listed import pictures_listed

    state = request.app.state
    kept = next((p.result for p in state.work.pieces(KIND) if p.state == "done"), None)
    listed = pictures_listed(state.folder)
    context = {"listed": listed, "kept": kept, "wrong": "", "wrong_folder": "", "typed": "", "watch": state.watch}
    return page(request, "pictures.html", **(context | more))


def _pictures(request: Request) -> Response:
    return _show(request)


def _take(request: Request, form: Form) -> Response:
    from fairpanel.jobs.keeping_pictures import keep_pictures

    given = form.files.get("pictures", ())
    if not given:
        return _show(request, wrong="No picture was chosen.", status=422)
    kept = keep_pictures(request.app.state.folder, ((one.name, one.data) for one in given))
    where = f"/pictures/{kept[0].picture.id}" if len(kept) == 1 and kept[0].picture else ""
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse({"kept": [_as_data(k) for k in kept], "then": where})
    if where:
        said = "This picture was on the bench already; it is not kept twice." if kept[0].known else ""
        return then(request, where, said)
    return _show(request, kept=kept, status=422 if all(k.reason for k in kept) else 200)


def _as_data(kept: Any) -> dict[str, Any]:
    return {
        "name": kept.name,
        "id": kept.picture.id if kept.picture else None,
        "known": kept.known,
        "reason": kept.reason,
        "what_to_do": kept.what_to_do,
    }


# ---- a folder --------------------------------------------------------------------------------------------------


def _folder(request: Request, form: Form) -> Response:
    from fairpanel.jobs.keeping_pictures import keep_folder

    typed = form.get("folder")
    source = Path(typed).expanduser()
    if not typed or not source.is_dir():
        wrong = f"There is no folder “{typed}” on this computer." if typed else "Write the folder's whole path."
        return _show(request, wrong_folder=wrong, typed=typed, status=422)
    if form.ticked("watch"):
        request.app.state.watch.begin(request.app.state.folder, source)
        return then(request, "/pictures", f"{source} is being watched.")

    def do(tell: Progress) -> Any:

        return keep_folder(request.app.state.folder, source, progress=tell)

    title = f"Taking up pictures from {source.name}"
    piece = request.app.state.work.begin(KIND, title, do, writes=True, then="/pictures")
    return then(request, f"/work/{piece.id}")


class Watch:
    """Watching one folder beside everything else, until it is stopped."""

    def __init__(self) -> None:
        self.source: Path | None = None
        self.told = ""
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def begin(self, folder: Path, source: Path) -> None:
        """Watch a folder, and no longer the one before."""
        self.end()
        self.source, self.told, self._stop = source, "nothing taken up yet", threading.Event()
        self._thread = threading.Thread(target=self._watch, args=(folder, source, self._stop), daemon=True)
        self._thread.start()

    def end(self) -> None:
        """Stop watching."""
        self._stop.set()
        if self._thread:
            self._thread.join(10)
        self.source, self._thread = None, None

    def _watch(self, folder: Path, source: Path, stop: threading.Event) -> None:
        from fairpanel.jobs.keeping_pictures import watch_folder
        from fairpanel.storage.lock import PATIENCE
        from fairpanel.web.faults import in_words

        def tell(done: int, of: int, what: str) -> None:
            if stop.is_set():
                raise Stopped
            self.told = what

        PATIENCE.set(PATIENT_SECONDS)
        try:
            watch_folder(folder, source, progress=tell, sleep=lambda s: stop.wait(s))
        except Stopped:
            pass
        except Exception as problem:  # told on the page
            self.told = f"stopped: {in_words(problem)}"


def set_up(app: Starlette) -> None:
    """Nothing is watched until it is asked for; watching ends with the server."""
    app.state.watch = Watch()
    app.state.closing.append(app.state.watch.end)


def _end_watching(request: Request) -> Response:
    request.app.state.watch.end()
    return then(request, "/pictures", "No folder is watched any more.")


ROUTES = [
    Route("/pictures", _pictures),
    Route("/pictures", takes_form(_take), methods=["POST"]),
    Route("/pictures/folder", takes_form(_folder), methods=["POST"]),
    Route("/pictures/unwatch", _end_watching, methods=["POST"]),
]
