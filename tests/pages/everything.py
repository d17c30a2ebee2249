"""Every page there is, with an address at which it shows something, and what the whole database holds."""

from __future__ import annotations

import hashlib
from urllib.parse import urlsplit

from sqlalchemy import select

from nightround.bootstrap import Program
from nightround.letters import links
from nightround.store.tables import metadata


def paths(program: Program) -> dict[str, str]:
    """Name → path of every page; those that strangers see begin with `open`."""
    settings, now = program.settings, program.clock()
    return {
        "today": "/",
        "duties": "/duties",
        "duties filtered": "/duties?site=MILL&standing=overdue&kind=look&until=2027-01-01",
        "units": "/units",
        "units found": "/units?find=a&condition=work+due",
        "sites": "/sites",
        "site": "/sites/MILL",
        "unit": "/units/MILL-02",
        "unit with an entry": "/units/POOL-02?done=7&skip=0",
        "cases": "/cases",
        "case": "/cases/1",
        "me": "/me",
        "open label": "/at/label00000000000000001",
        "open label, told": "/at/label00000000000000006?told=1&done=1",
        "open sign-in": "/sign-in?next=%2Fduties",
        "open me link": urlsplit(links.personal_url(settings, "P1", "ada@example.org", now)).path,
        "open sign-in link": urlsplit(links.sign_in_url(settings, "P1", "ada@example.org", now, "/")).path,
        "open stop": urlsplit(links.unsubscribe_url(settings, "P3")).path,
        "open not here": "/no/such/page",
        "open wrong link": "/me/nonsense",
        "open style": "/look/pages.css",
        "open icon": "/look/icon.svg",
        "not their unit": "/units/NOBODY",
        "acts only": "/units/MILL-02/log",
        "acts only, letters": "/me/letters",
        "acts only, away": "/me/away",
        "open acts only": "/sign-out",
    }


def digest(program: Program) -> str:
    """One mark of every row of every table: it changes when anything in the database does."""
    mark = hashlib.sha256()
    with program.store.read() as conn:
        for table in metadata.sorted_tables:
            rows = conn.execute(select(table).order_by(*table.primary_key.columns)).all()
            mark.update(repr((table.name, [tuple(row) for row in rows])).encode())
    return mark.hexdigest()
