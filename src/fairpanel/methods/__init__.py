"""Test methods: one folder each, found by listing this one and by entry points of the group `fairpanel.methods`."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Mapping
from functools import cache
from importlib.metadata import entry_points

from fairpanel.methods.contract import Method

GROUP = "fairpanel.methods"

#: The method of a row whose `method` column is empty.
DEFAULT = "uv_strip"


@cache
def all_methods() -> Mapping[str, Method]:
    """Every method at hand, by name: our own folders first, then what is installed beside them.

    Raises
    ------
    ValueError
        Two methods of one name.
    """
    own = [m.name for m in pkgutil.iter_modules(__path__) if m.ispkg]
    found = {name: importlib.import_module(f"{__name__}.{name}").METHOD for name in own}
    for entry in entry_points(group=GROUP):
        method = entry.load()
        if method.name in found:
            raise ValueError(f"Two test methods are called {method.name}; rename the one of {entry.value}")
        found[method.name] = method
    return found


def method_named(name: str) -> Method:
    """The method of that name.

    Raises
    ------
    KeyError
        No such method; the message lists those at hand.
    """
    try:
        return all_methods()[name]
    except KeyError:
        raise KeyError(f"there is no test method “{name}”; at hand: {', '.join(all_methods())}") from None
