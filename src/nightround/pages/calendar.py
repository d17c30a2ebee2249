"""The feed over HTTP, for whoever holds its key. A wrong key and a withdrawn one are answered alike: 404.

An unchanged feed is answered from what was noted last time, without reading an event. The key is in the path, so
nothing here logs a path.
"""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from ..bootstrap import Program
from ..calendars import feed as feeds
from ..calendars import keys
from ..calendars.kept import State, whole_second
from ..calendars.reading import EVENTS
from .conditional import answer_status, gzip_tag, gzipped, takes_gzip, write_date


def routes(program: Program) -> list[BaseRoute]:
    """The one address of the feeds."""

    def answer(request: Request) -> Response:
        # Not a coroutine: what it does with the database runs beside the loop, in a thread.
        return _answer(program, request)

    return [Route("/calendar/{key}.ics", answer, methods=["GET", "HEAD"])]


def _answer(program: Program, request: Request) -> Response:
    key = request.path_params["key"]
    kind = request.query_params.get("kind", EVENTS)
    with program.store.read() as conn:
        feed = keys.find_for(conn, program.settings, key, program.clock())
        known = feeds.standing(conn, program.settings, feed, kind) if feed is not None else None
    if feed is None:
        return _plain(404, "There is no such calendar.")
    if kind not in feeds.KINDS:
        return _plain(400, f"kind: use one of {', '.join(feeds.KINDS)}.")
    packed = takes_gzip(request.headers)
    if known is not None:
        without = _without_body(program, request, known, packed)
        if without is not None:
            return without
    built = feeds.build(program, feed, kind, keys.address(program.settings, key))
    same = known is not None and known.etag == built.etag
    state = known if known is not None and same else feeds.remember(program, feed, kind, built)
    without = _without_body(program, request, state, packed)
    if without is not None:
        return without
    headers = _headers(program, state, packed)
    body = built.body
    if packed:
        headers["Content-Encoding"] = "gzip"
        body = gzipped(body)
    headers["Content-Length"] = str(len(body))
    if request.method == "HEAD":
        body = b""
    return Response(body, media_type="text/calendar", headers=headers)


def _without_body(program: Program, request: Request, state: State, packed: bool) -> Response | None:
    """304 or 412 where the request's preconditions ask for it. Nothing that describes a body goes with them."""
    etag = gzip_tag(state.etag) if packed else state.etag
    status = answer_status(request.method, request.headers, etag, state.last_modified, program.clock())
    if status is None:
        return None
    return Response(status_code=status, headers=_headers(program, state, packed))


def _headers(program: Program, state: State, packed: bool) -> dict[str, str]:
    etag = gzip_tag(state.etag) if packed else state.etag
    return {
        "ETag": f'"{etag}"',
        "Last-Modified": write_date(min(state.last_modified, whole_second(program.clock()))),
        "Cache-Control": "private",
        "Vary": "Accept-Encoding",
    }


def _plain(status: int, sentence: str) -> Response:
    return Response(sentence + "\n", status, {"Cache-Control": "no-store"}, "text/plain")
