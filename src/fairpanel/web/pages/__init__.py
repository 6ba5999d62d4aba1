"""The pages: one module for each subject, found by listing this folder.

A module may have:

ROUTES
    Starlette routes.
NAV
    ((place, name, address), ...): its entries in the bar at the top; places run from 0 ("Due now") to 100.
PHONE_ROUTES, PHONE_NAV
    The same for a phone that was let in (`web/phone.py`): nothing else can be reached from it.
start_parts(folder)
    Parts it has on the start page, as `StartPart`s; called each time the page is shown.
set_up(app)
    Called once when the application is made, with its state ready. What must end with the server is put into
    `app.state.closing` as a callable.

`request.app.state` holds: `folder` (of the bench), `bench_name`, `work` (`web/work.py`), `on_phone`. Pages open the
bench through jobs, for the moment it is needed. Import jobs inside the functions that use them: numerical libraries
take seconds to load, and the first page must not wait for them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class StartPart:
    """A part of the start page.

    Parameters
    ----------
    place : int
        From the top: 0 to 30 is what is due by the clock, 40 to 60 what needs a decision, 70 on what was found.
    template : str
        Included with `part` set to `context`.
    context : mapping
    """

    place: int
    template: str
    context: Mapping[str, Any] = field(default_factory=dict)
