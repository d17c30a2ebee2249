"""The addresses of the pages, each with what shows it and what acts."""

from __future__ import annotations

from starlette.routing import Route

from . import cases, duties, label, me, on_call, places, signed_in, signing_in, today, unit
from .doors import Office, door


def routes(office: Office) -> list[Route]:
    """Every page. A code may hold a slash, therefore `:path`; the longer pattern stands first."""
    return [
        door(office, "/", today.show),
        door(office, "/sites", places.list_sites),
        door(office, "/sites/{code:path}", places.show_site),
        door(office, "/units", places.list_units),
        door(office, "/units/{code:path}/log", act=unit.write),
        door(office, "/units/{code:path}", unit.show),
        door(office, "/duties", duties.show),
        door(office, "/cases", cases.list_cases),
        door(office, "/cases/{id}", cases.show, cases.take),
        door(office, "/take/{token}", cases.show_by_link, cases.take_by_link, strangers=True),
        door(office, "/at/{label}", label.show, label.write, strangers=True),
        door(
            office,
            "/sign-in",
            signing_in.show,
            signing_in.send,
            strangers=True,
            least_seconds=signing_in.ANSWER_SECONDS,
        ),
        door(office, "/sign-out", act=signing_in.leave, strangers=True),
        door(office, "/sessions", signed_in.show, signed_in.end),
        door(office, "/me", me.show),
        door(office, "/me/letters", act=me.set_letters),
        door(office, "/me/away", act=on_call.go_away),
        door(office, "/me/sessions", act=signed_in.end_mine),
        door(office, "/me/{token}", signing_in.welcome, signing_in.enter, strangers=True),
        door(office, "/letters/stop/{token}", me.stop_show, me.stop, strangers=True, bare_act=True),
        *office.look.routes(),
    ]
