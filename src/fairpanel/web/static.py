"""Style sheets and modules of our own: known by name from the start, so that no request names a file."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

_KINDS = {
    "css": "text/css; charset=utf-8",
    "mjs": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
}

_A_YEAR = "public, max-age=31536000, immutable"


@dataclass(frozen=True)
class _File:
    data: bytes
    kind: str
    mark: str


@cache
def _all() -> dict[str, _File]:
    found = {"tokens.css": _file("tokens.css", _tokens()), "luck.css": _file("luck.css", _published("luck.css"))}
    for one in files("fairpanel.web").joinpath("static").iterdir():
        if one.name.rpartition(".")[2] in _KINDS:
            found[one.name] = _file(one.name, one.read_bytes())
    return found


def _tokens() -> bytes:
    from fairpanel.publication.tokens import tokens

    return tokens().encode()


def _published(name: str) -> bytes:
    """A style sheet of the published page, for what looks alike on both."""
    return files("fairpanel.publication").joinpath("templates", name).read_bytes()


def _file(name: str, data: bytes) -> _File:
    return _File(data, _KINDS[name.rpartition(".")[2]], hashlib.sha256(data).hexdigest()[:16])


def address(name: str) -> str:
    """Address of a file of ours; it changes with the file, so that a browser may keep it.

    Raises
    ------
    KeyError
        There is no such file.
    """
    return f"/static/{name}?{_all()[name].mark}"


async def _serve(request: Request) -> Response:
    one = _all().get(request.path_params["name"])
    if one is None:
        raise HTTPException(404)
    # Modules name each other without the mark: those are asked for again, and answered in a word if unchanged.
    keep = _A_YEAR if request.url.query == one.mark else "no-cache"
    headers = {"etag": f'"{one.mark}"', "cache-control": keep}
    if request.headers.get("if-none-match") == headers["etag"]:
        return Response(status_code=304, headers=headers)
    return Response(one.data, media_type=one.kind, headers=headers)


async def _icon(request: Request) -> Response:
    one = _all()["icon.svg"]
    return Response(one.data, media_type=one.kind, headers={"cache-control": _A_YEAR})


ROUTES = [Route("/static/{name}", _serve), Route("/favicon.ico", _icon)]
