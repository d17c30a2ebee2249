"""Joins what the web answers: the feed, the health addresses and the pages. It decides nothing itself."""

from __future__ import annotations

import importlib
from collections.abc import Sequence

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.routing import BaseRoute

from ..bootstrap import Program
from .access import Access

# No form of ours comes near it; a larger body is refused before it is read.
MAX_BODY = 32 * 1024


def build(program: Program) -> Starlette:
    """The web application on this program. It starts nothing and keeps nothing between requests."""
    routes: list[BaseRoute] = []
    for room in ("calendar", "health"):
        routes += _routes(room, program)
    return Starlette(routes=routes, middleware=[Middleware(Access)], max_body_size=MAX_BODY)


def _routes(room: str, program: Program) -> Sequence[BaseRoute]:
    try:
        module = importlib.import_module(f"{__package__}.{room}")
    except ModuleNotFoundError as error:
        if error.name != f"{__package__}.{room}":
            raise
        return ()
    routes: Sequence[BaseRoute] = module.routes(program)
    return routes
