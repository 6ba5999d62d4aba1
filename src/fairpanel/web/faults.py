"""What goes wrong behind a page, told as a page: what is wrong, where, what to do."""

from __future__ import annotations

import logging

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fairpanel.web import work
from fairpanel.web.rendering import page

_log = logging.getLogger("fairpanel.web")

_NOT_HERE = "There is no such page on this bench. It may have been an address from an earlier day."
_OURS = (
    "Something went wrong in the program itself. Nothing of this step was kept; what was saved before is whole. "
    "The window in which the program was started says more."
)


class Faults:
    """Middleware that answers for what a page raised."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        from fairpanel.storage.lock import PATIENCE

        PATIENCE.set(work.PATIENT_SECONDS)  # for this request alone
        started = False

        async def sending(message: Message) -> None:
            nonlocal started
            started = True
            await send(message)

        try:
            await self.app(scope, receive, sending)
        except Exception as problem:
            told = status_of(problem)
            if told is None and not _is_guards(problem):
                _log.exception("%s %s", scope["method"], scope["path"])
                told = 500
            if told is None or started:
                raise
            words = _OURS if told == 500 else str(problem)
            await answer(Request(scope), told, words)(scope, receive, send)


async def of_router(request: Request, problem: Exception) -> Response:
    """A page for what the router or a page itself refused."""
    assert isinstance(problem, HTTPException)
    words = _NOT_HERE if problem.status_code == 404 and problem.detail == "Not Found" else problem.detail
    return answer(request, problem.status_code, words)


def answer(request: Request, status: int, words: str) -> Response:
    """Words as a page, or as data for a script that asked for data."""
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse({"error": words}, status)
    return page(request, "fault.html", status=status, words=words, title=_title(status))


def status_of(problem: Exception) -> int | None:
    """HTTP status of an error that is meant for the tester; None for all others."""
    from fairpanel.files.picture_headers import PictureError
    from fairpanel.files.tables import TableFaults
    from fairpanel.storage import errors

    for kind, status in ((errors.NotOnBench, 404), (errors.DiskFull, 507), (errors.ReasonNeeded, 422)):
        if isinstance(problem, kind):
            return status
    if isinstance(problem, errors.BenchError):
        return 409
    return 422 if isinstance(problem, PictureError | TableFaults) else None


def in_words(problem: Exception) -> str:
    """Why a piece of work failed, for the page."""
    if status_of(problem) is not None:
        return str(problem)
    _log.error("work failed", exc_info=problem)
    return _OURS


def _is_guards(problem: Exception) -> bool:
    """Whether the guard raised it to stop an upload, and will answer for it."""
    return type(problem).__module__ == "fairpanel.web.guard"


def _title(status: int) -> str:
    return {404: "Not here", 413: "Too much at once", 500: "Something went wrong"}.get(status, "This was not done")
