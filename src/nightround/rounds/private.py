"""Who may see duties and cases that tell of other people's certificates: whoever looks after people or units.

Everybody else sees of these only what they owe themselves, on pages and in calendars alike.
"""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy import ColumnElement, and_, cast, exists, literal, not_, or_, true
from sqlalchemy.types import String

from ..reckoning.certificates import CERTIFICATE, REFRESHER
from ..reckoning.staffing import RESPONDERS
from ..store.tables import cases, duties

MAY_SEE = frozenset({"coordinator", "manager", "site-contact", "on-call"})
# That a site is short of responders is told with the names of those it has, and until when their certificates hold.
OF_PEOPLE = (CERTIFICATE, REFRESHER, RESPONDERS)


def duties_for(person_id: int | None, roles: Collection[str]) -> ColumnElement[bool]:
    """The condition on `duties` that somebody with these roles may see them; None is a reader nobody knows."""
    if MAY_SEE & set(roles):
        return true()
    not_of_people = duties.c.kind.not_in(OF_PEOPLE)
    return not_of_people if person_id is None else or_(not_of_people, duties.c.holder == f"p{person_id}")


def cases_for(roles: Collection[str]) -> ColumnElement[bool]:
    """The condition on `cases` that somebody with these roles may see them.

    What is overdue at a site, and of none of its units, is one case; where responders are among it, it names them.
    """
    if MAY_SEE & set(roles):
        return true()
    holder = literal("s") + cast(cases.c.site_id, String)
    short = exists().where(duties.c.holder == holder, duties.c.kind == RESPONDERS)
    return not_(and_(cases.c.unit_id.is_(None), cases.c.cause.like(holder + "/%"), _of_the_site(holder), short))


def _of_the_site(holder: ColumnElement[str]) -> ColumnElement[bool]:
    return cases.c.cause.not_like(holder + "/group/%")
