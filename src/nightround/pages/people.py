"""Whom the register knows, which sites each may see, and what each may write into the log."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, Connection, func, or_, select, true

from ..letters.links import mailbox
from ..register.leaving import gone
from ..register.log import ENTRIES
from ..settings import Settings
from ..store.tables import people, person_roles, person_sites, sites

# Everybody who sees a unit may say what they saw; changing what stands there is for those who look after it.
EVERYBODY = ("check", "fault", "used")
PARTS = ("ordered", "fitted", "removed")
ALL_BUT_CORRECTIONS = tuple(entry for entry in ENTRIES if entry != "struck")


@dataclass(frozen=True, slots=True)
class Viewer:
    """A person of the register who is signed in."""

    id: int
    person: str
    name: str
    address: str
    roles: frozenset[str]
    whole_fleet: bool
    letters_off: bool
    time_zone: str  # "" where the register names none

    def sees(self) -> ColumnElement[bool]:
        """The condition on `sites` that holds for the sites this person may see."""
        if self.whole_fleet:
            return true()
        return sites.c.id.in_(select(person_sites.c.site_id).where(person_sites.c.person_id == self.id))

    @property
    def looks_after(self) -> bool:
        """Whether the person is responsible for units as coordinator or on call."""
        return bool(self.roles & {"coordinator", "on-call"})

    def may_write(self) -> tuple[str, ...]:
        """The log entries that this person may add for a unit they see."""
        if self.looks_after:
            return ALL_BUT_CORRECTIONS
        if "site-contact" in self.roles:
            return EVERYBODY + PARTS
        return EVERYBODY


def viewer_of(conn: Connection, settings: Settings, person: str, mark: str, now: datetime) -> Viewer | None:
    """The person with that code, if they are with us and known under the address that the mark was made for."""
    row = conn.execute(select(people).where(people.c.person == person)).first()
    if row is None or mailbox(row.email) != mark or gone(conn, row.id, settings.fleet.time_zone, now):
        return None
    roles = conn.execute(select(person_roles.c.role).where(person_roles.c.person_id == row.id)).scalars()
    return Viewer(
        row.id,
        row.person,
        row.name or row.person,
        row.email,
        frozenset(roles),
        row.whole_fleet,
        row.letters_off,
        row.time_zone,
    )


def with_address(conn: Connection, settings: Settings, address: str, now: datetime) -> list[tuple[int, str, str, str]]:
    """Everybody with us known under that e-mail address, whatever its case: id, code, name, address as recorded."""
    query = (
        select(people.c.id, people.c.person, people.c.name, people.c.email)
        .where(people.c.email != "", or_(func.lower(people.c.email) == address.lower(), people.c.email == address))
        .order_by(people.c.person)
        .limit(20)
    )
    zone = settings.fleet.time_zone
    found = [(row.id, row.person, row.name or row.person, row.email) for row in conn.execute(query)]
    return [person for person in found if not gone(conn, person[0], zone, now)]


def names(conn: Connection, codes: set[str]) -> dict[str, str]:
    """The names of people by their codes; a code that the register does not know is its own name."""
    found = {code: code for code in codes}
    listed = sorted(codes)
    for start in range(0, len(listed), 500):
        query = select(people.c.person, people.c.name).where(people.c.person.in_(listed[start : start + 500]))
        found.update((row.person, row.name or row.person) for row in conn.execute(query))
    return found
