"""The application: a bench's folder, the pages of `web/pages/`, and what stands before them."""

from __future__ import annotations

import importlib
import pkgutil
from collections import OrderedDict
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.routing import BaseRoute

from fairpanel.storage.bench import Bench
from fairpanel.web import pages, static
from fairpanel.web.faults import Faults, of_router
from fairpanel.web.guard import LOOPBACK, Guard
from fairpanel.web.veiling import Veiling
from fairpanel.web.work import Work


@dataclass(frozen=True, order=True)
class Nav:
    """A page in the bar at the top: its place from the left, its name and address."""

    place: int
    name: str
    address: str


def create_app(folder: Path, *, names: Iterable[str] = LOOPBACK) -> Starlette:
    """The bench page of a bench.

    Parameters
    ----------
    folder : path
        Of a bench that is there.
    names : iterable of str
        Names and addresses under which it may be asked.

    Raises
    ------
    BenchError
        There is no bench, or it cannot be read.
    """
    modules = page_modules()
    app = assemble(
        [*static.ROUTES, *(route for m in modules for route in getattr(m, "ROUTES", ()))],
        [Middleware(Guard, names=names), Middleware(Faults), Middleware(Veiling)],
        lifespan=_lifespan,
    )
    state = app.state
    state.folder = Path(folder).absolute()
    with Bench.open(folder) as bench:
        state.bench_name = bench.about["name"]
    state.work = Work()
    state.on_phone = False
    state.messages = OrderedDict()
    state.nav = navigation(modules, "NAV")
    state.parts_of_start = [m.start_parts for m in modules if hasattr(m, "start_parts")]
    state.closing = []
    for module in modules:
        if hasattr(module, "set_up"):
            module.set_up(app)
    return app


def assemble(routes: Iterable[BaseRoute], before: list[Middleware], lifespan: Any = None) -> Starlette:
    """Routes and what stands before them as an application."""
    return Starlette(
        routes=list(routes), middleware=before, exception_handlers={HTTPException: of_router}, lifespan=lifespan
    )


def page_modules() -> list[ModuleType]:
    """Every module of `web/pages/`, by name."""
    names = sorted(m.name for m in pkgutil.iter_modules(pages.__path__))
    return [importlib.import_module(f"{pages.__name__}.{name}") for name in names]


def navigation(modules: Iterable[ModuleType], which: str) -> list[Nav]:
    """The bar at the top, from what the modules say of themselves."""
    return sorted(Nav(*one) for m in modules for one in getattr(m, which, ()))


@asynccontextmanager
async def _lifespan(app: Starlette) -> AsyncIterator[None]:
    yield
    for close in app.state.closing:
        close()
    app.state.work.close()
