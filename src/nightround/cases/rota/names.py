"""Finds out whom a shift in the calendar file means. Guesses nothing: who is not known for sure is a finding.

By the e-mail addresses of the attendees. Where no attendee is known, by the title, which is the code, the name or the
address of a person, or several of them with `,` `;` `/` `+` or `&` between; what stands before the first colon may be
anything ("On call: P7"). Upper and lower case and the number of blanks do not matter.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator

from sqlalchemy import Connection, select

from ...store.tables import people
from .calendar_file import FileShift

_BETWEEN = re.compile(r"[,;/+&]")


class Names:
    """The people on record by everything that can name them."""

    def __init__(self, rows: Iterable[tuple[int, str, str, str]]) -> None:
        """Rows of id, code, name and address."""
        self._exact: dict[str, int] = {}
        self._codes: dict[str, set[int]] = {}
        self._names: dict[str, set[int]] = {}
        self._addresses: dict[str, set[int]] = {}
        self._called: dict[int, str] = {}
        for person_id, code, name, address in rows:
            self._called[person_id] = code
            self._exact[code] = person_id
            self._codes.setdefault(_plain(code), set()).add(person_id)
            if name.strip():
                self._names.setdefault(_plain(name), set()).add(person_id)
            if address.strip():
                self._addresses.setdefault(_plain(address), set()).add(person_id)

    def of(self, shift: FileShift) -> tuple[frozenset[int], tuple[str, ...]]:
        """The ids of who is meant, and what is wrong: one sentence for each name that is nobody or more than one."""
        found: set[int] = set()
        strangers = []
        for address in shift.addresses:
            known = self._addresses.get(_plain(address), set())
            found |= known
            if not known:
                strangers.append(f"{shift.event}: no person has the address {address}")
        if found:
            return frozenset(found), tuple(strangers)
        titled, wrong = self._titled(shift)
        if titled or not strangers:
            strangers += wrong
        return titled, tuple(strangers)

    def _titled(self, shift: FileShift) -> tuple[frozenset[int], list[str]]:
        if not shift.title:
            return frozenset(), [f"{shift.event}: it names nobody; write a person's code into its title"]
        for text in _readings(shift.title):
            exact = self._one(text)
            if len(exact) == 1:
                return exact, []
        found: set[int] = set()
        wrong = []
        for piece in _BETWEEN.split(list(_readings(shift.title))[-1]):
            if not piece.strip():
                continue
            meant = self._one(piece)
            if len(meant) == 1:
                found |= meant
            elif meant:
                codes = " and ".join(sorted(self._called[person_id] for person_id in meant))
                wrong.append(f"{shift.event}: {piece.strip()!r} may be {codes}; write the code")
            else:
                wrong.append(
                    f"{shift.event}: {piece.strip()!r} is no person's code, name or address; correct the title"
                )
        if not found and not wrong:
            wrong.append(f"{shift.event}: it names nobody; write a person's code into its title")
        return frozenset(found), wrong

    def _one(self, text: str) -> frozenset[int]:
        key = _plain(text)
        if text.strip() in self._exact:
            return frozenset({self._exact[text.strip()]})
        return frozenset(self._codes.get(key, ()) or self._names.get(key, ()) or self._addresses.get(key, ()))


def load_names(conn: Connection) -> Names:
    """Everybody on record."""
    query = select(people.c.id, people.c.person, people.c.name, people.c.email).order_by(people.c.id)
    return Names((row.id, row.person, row.name, row.email) for row in conn.execute(query))


def _readings(title: str) -> Iterator[str]:
    """The title whole, then what follows its first colon."""
    yield title
    _, colon, rest = title.partition(":")
    if colon and rest.strip():
        yield rest


def _plain(text: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())
