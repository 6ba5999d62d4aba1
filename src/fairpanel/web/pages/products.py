"""Products, and their lots."""

from __future__ import annotations

from fairpanel.plan.things import kind_of
from fairpanel.web.thing_pages import routes_of

NAV = ((20, "Products", "/products"),)

ROUTES = [*routes_of(kind_of("product")), *routes_of(kind_of("lot"))]
