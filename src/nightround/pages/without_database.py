"""What is answered while the database cannot be used: 503 and when to ask again, never an error of ours.

Whoever sent something is told that it was not stored. The text of the database's error may hold what was asked and of
whom; only its kind goes to the log.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable

from sqlalchemy.exc import DatabaseError, DataError, IntegrityError, InterfaceError, NotSupportedError, ProgrammingError
from sqlalchemy.exc import TimeoutError as NoConnectionFree
from starlette.requests import Request
from starlette.responses import Response

from ..store.database import disk_full
from .doors import FOR_PROGRAMS, Office, Refused, Visit, refusal

logger = logging.getLogger("nightround.web")

CAUGHT = (DatabaseError, InterfaceError, NoConnectionFree)
# What says that a statement of ours was wrong, and not that the database cannot be used.
_OURS = (DataError, IntegrityError, NotSupportedError, ProgrammingError)
RETRY_SECONDS = {"page": 60, "program": 300}


def unusable(office: Office) -> Callable[[Request, Exception], Response]:
    """Answers the errors in `CAUGHT`; an error of ours among them is raised again."""

    def answer(request: Request, error: Exception) -> Response:
        if _is_ours(error) and not disk_full(error):
            raise error
        full = disk_full(error)
        logger.error("database cannot be used", extra={"why": type(error).__name__, "full": full})
        if request.scope["path"].startswith(FOR_PROGRAMS):
            headers = {"Retry-After": str(RETRY_SECONDS["program"]), "Cache-Control": "no-store"}
            return Response("The database cannot be used just now; ask again later.\n", 503, headers, "text/plain")
        return refusal(Visit(office, request, office.program.clock()), _refused(request, full))

    return answer


def _is_ours(error: Exception) -> bool:
    # SQLite has one class for a file that cannot be used and for a statement that cannot be understood; its code tells.
    cause = getattr(error, "orig", None)
    return isinstance(error, _OURS) or getattr(cause, "sqlite_errorcode", None) == sqlite3.SQLITE_ERROR


def _refused(request: Request, full: bool) -> Refused:
    why = "its disk is full" if full else "the database cannot be reached"
    if request.method != "POST":
        way = "Try again in a minute; if it stays so, tell whoever runs this service."
        return Refused(503, f"This page cannot be shown just now: {why}.", way, RETRY_SECONDS["page"])
    way = (
        "Send it again in a minute. If somebody must know now, tell them yourself: by telephone, or whoever works here."
    )
    return Refused(503, f"What you sent was not stored, and nobody is told of it: {why}.", way, RETRY_SECONDS["page"])
