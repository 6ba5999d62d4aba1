"""Plates: what was coated with what, how, when, and how long it cures."""

from __future__ import annotations

from fairpanel.plan.things import kind_of
from fairpanel.web.thing_pages import routes_of

NAV = ((22, "Plates", "/plates"),)

ROUTES = routes_of(kind_of("specimen"))
