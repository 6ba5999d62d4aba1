"""Pages from templates: everything that comes from the tester is shown as text, never as page."""

from __future__ import annotations

import math
import re
import secrets
from collections import OrderedDict
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from jinja2 import ChoiceLoader, Environment, PackageLoader, PrefixLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from fairpanel.web.static import address
from fairpanel.web.veiling import shown

#: Messages that wait for the page they are shown on.
_MOST_WAITING = 100


@cache
def environment() -> Environment:
    """The templates, with what all of them may use; those of the published page stand under "publication/"."""
    made = Environment(
        loader=ChoiceLoader([PackageLoader("fairpanel.web", "templates"), PrefixLoader({"publication": _published()})]),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {"number": number, "moment": moment, "day": day, "span": span, "size": size}
    made.filters |= {"cell": cell, "left": left, "ago": ago, "as_pair": as_pair, "method_pair": method_pair}
    made.globals |= {"static": address, "counted": counted}
    return made


def macro(template: str, name: str) -> Callable[..., Markup]:
    """A macro of a template, to be called by itself."""
    found: Callable[..., Markup] = getattr(environment().get_template(template).module, name)
    return found


def _published() -> PackageLoader:
    """Templates of the published page: charts and bars look alike on both."""
    return PackageLoader("fairpanel.publication", "templates")


def page(request: Request, template: str, *, status: int = 200, **context: Any) -> HTMLResponse:
    """A template of `web/templates/` as an answer.

    Parameters
    ----------
    request : Request
    template : str
    status : int
    context
        What the template uses beyond what `base.html` needs.
    """
    state = request.app.state
    common = {
        "request": request,
        "bench_name": state.bench_name,
        "on_phone": state.on_phone,
        "nav": state.nav,
        "here": request.url.path,
        "going": state.work.going(),
        "door_open": not state.on_phone and state.door.is_open,
        "message": _taken(state.messages, request.query_params.get("told", "")),
    }
    return HTMLResponse(environment().get_template(template).render(common | context), status)


# ---- a message on the next page --------------------------------------------------------------------------------


def then(request: Request, where: str, message: str = "") -> RedirectResponse:
    """After a change: go to a page (303), which shows the message once.

    The message stays here under a random name, so that no address from elsewhere can put words on a page.
    """
    if message:
        messages: OrderedDict[str, str] = request.app.state.messages
        name = secrets.token_urlsafe(9)
        messages[name] = message
        while len(messages) > _MOST_WAITING:
            messages.popitem(last=False)
        before, mark, anchor = where.partition("#")
        where = f"{before}{'&' if '?' in before else '?'}told={name}{mark}{anchor}"
    return RedirectResponse(where, 303)


def _taken(messages: OrderedDict[str, str], name: str) -> str:
    return messages.pop(name, "")


# ---- filters ---------------------------------------------------------------------------------------------------


def number(value: float | None, decimals: int = 1, unit: str = "") -> str:
    """A number as it is read aloud: a true minus sign, the unit behind it; a dash for none.

    >>> number(-3.14159, 2, "min")
    '−3.14 min'
    """
    if value is None or value != value:
        return "–"
    text = f"{value:.{decimals}f}"
    text = text.lstrip("-") if float(text) == 0 else text
    return text.replace("-", "−") + (f" {unit}" if unit else "")


def moment(at_utc: str | None, offset: str = "+00:00") -> str:
    """A stored moment on the clock it was written by.

    >>> moment("2026-02-03T08:50:00.000000Z", "+05:30")
    '3 Feb 2026, 14:20'
    """
    at = _as_written(at_utc, offset)
    return f"{at.day} {at:%b %Y, %H:%M}" if at else "–"


def day(at_utc: str | None, offset: str = "+00:00") -> str:
    """The day of a stored moment.

    >>> day("2026-02-03T23:50:00.000000Z", "+05:30")
    '4 Feb 2026'
    """
    at = _as_written(at_utc, offset)
    return f"{at.day} {at:%b %Y}" if at else "–"


def _as_written(at_utc: str | None, offset: str) -> datetime | None:
    if not at_utc:
        return None
    sign = -1 if offset.startswith("-") else 1
    hours, minutes = int(offset[1:3]), int(offset[4:6])
    at = datetime.fromisoformat(at_utc)
    return (at if at.tzinfo else at.replace(tzinfo=UTC)).astimezone(UTC) + timedelta(
        hours=sign * hours, minutes=sign * minutes
    )


def span(seconds: float) -> str:
    """A length of time in the two units that matter.

    >>> span(75), span(45), span(7260)
    ('1 min 15 s', '45 s', '2 h 1 min')
    """
    whole = round(seconds)
    hours, minutes, rest = whole // 3600, whole % 3600 // 60, whole % 60
    if hours:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    if minutes:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    return f"{rest} s"


def left(seconds: float) -> str:
    """A length of time that is still to go.

    >>> left(75.2), left(-3)
    ('1 min 16 s left', 'now')
    """
    return f"{span(math.ceil(seconds))} left" if seconds > 0 else "now"


def ago(seconds: float) -> str:
    """A length of time that has passed.

    >>> ago(75), ago(0.2)
    ('1 min 15 s ago', 'just now')
    """
    return f"{span(seconds)} ago" if seconds >= 1 else "just now"


def cell(value: Any) -> str:
    """A value of a field as it is typed; a moment as it is read.

    >>> cell(24.0), cell("2026-02-03T14:20:00"), cell(None), cell("wax")
    ('24', '3 Feb 2026, 14:20', '', 'wax')
    """
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.10g}".replace("-", "−")
    try:
        at = datetime.fromisoformat(value) if _MOMENT.match(value) else None
    except ValueError:
        at = None
    if at is None:
        return str(value)
    return f"{at.day} {at:%b %Y}" + (f", {at:%H:%M}" if at.hour or at.minute else "")


_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT")


def as_pair(value: str) -> tuple[str, str]:
    """A choice whose value is its own words."""
    return value, value


def method_pair(method: Any) -> tuple[str, str]:
    """A test method as a choice."""
    return method.name, method.title


def size(count: int) -> str:
    """A number of bytes.

    >>> size(950), size(12_400), size(3_210_000)
    ('950 bytes', '12 kB', '3.2 MB')
    """
    if count < 1000:
        return f"{count} bytes"
    return f"{count / 1000:.0f} kB" if count < 1_000_000 else f"{count / 1_000_000:.1f} MB"


def counted(count: int, one: str, many: str = "") -> str:
    """A count with its word.

    >>> counted(1, "picture"), counted(3, "picture"), counted(0, "entry", "entries")
    ('1 picture', '3 pictures', 'no entries')
    """
    word = one if count == 1 else many or f"{one}s"
    return f"{count or 'no'} {word}"
