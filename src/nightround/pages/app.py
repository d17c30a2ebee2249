"""Joins what the web answers: the feed, the health addresses and the pages. It decides nothing itself."""

from __future__ import annotations

from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp

from ..bootstrap import Clock, Program
from ..rounds.looks import Looks
from . import calendar, health, routes, without_database
from .access import Access
from .doors import MAX_FORM, Office, broken, refused_by_the_frame
from .look import Look
from .session import Cookies

# Whatever the way in which a body is sent, no more of it than this is ever read.
MAX_BODY = 2 * MAX_FORM


class Web(Starlette):
    """The framework's application with our headers and access log around even its own error answers."""

    def __init__(self, clock: Clock, **of: Any) -> None:
        self._clock = clock
        super().__init__(**of)

    def build_middleware_stack(self) -> ASGIApp:
        """See the class."""
        return Access(super().build_middleware_stack(), self._clock)


def build(program: Program, office: Office | None = None, looks: Looks | None = None) -> Starlette:
    """The web application on this program. It starts nothing and keeps nothing between requests. `looks`: how the
    looks round of this process go, where it makes any."""
    office = office or Office(program, Look(program.settings), Cookies(program.settings))
    handlers: dict[Any, Any] = {HTTPException: refused_by_the_frame(office), Exception: broken(office)}
    handlers |= dict.fromkeys(without_database.CAUGHT, without_database.unusable(office))
    web = Web(
        program.clock,
        routes=[*calendar.routes(program), *health.routes(program, looks), *routes.routes(office)],
        exception_handlers=handlers,
        max_body_size=MAX_BODY,
    )
    # The framework would send a browser to whatever host the request names; ours is in `refused_by_the_frame`.
    web.router.redirect_slashes = False
    return web
