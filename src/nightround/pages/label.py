"""Behind the QR code on the cabinet: which unit this is, the caution, and "report a problem".

A stranger learns the unit's code, spot and site, and whether it has been withdrawn; never a date, a person or another
site. They can bring bad news only. A known person gets the check form.
"""

from __future__ import annotations

from collections.abc import Mapping

from sqlalchemy import Connection
from starlette.responses import Response

from ..errors import UserError
from ..register import strangers
from ..register.log import NewEntry
from . import whence
from .doors import Refused, Visit, not_found
from .forms import PROBLEM_LABELS, log_entry, problem_entry
from .lookup import UnitSeen, sees_unit, unit_by_label
from .recording import Done, write_entry
from .unit import form_content


def show(visit: Visit) -> Response:
    """The page. It changes nothing, whoever opens it."""
    unit, known = _unit(visit)
    return _page(visit, unit, known)


def write(visit: Visit) -> Response:
    """Takes a report from anybody, and a check from a known person of this unit's site."""
    unit, known = _unit(visit)
    person = visit.known.person if known else ""
    is_check = visit.form.get("entry") == "check"
    if is_check and not known:
        raise Refused(403, "Only a person who is known here can record that a unit was checked.", _REPORT_OR_SIGN_IN)
    try:
        if is_check:
            entry = log_entry(visit.form, unit.id, unit.zone, person, ("check",), visit.now)
        else:
            entry = problem_entry(visit.form, unit.id, person, visit.now)
        done = write_entry(visit.program, entry) if known else _take(visit, entry)
    except UserError as error:
        return _page(visit, unit, known, wrong=f"{error}".rstrip(".") + ". Nothing was recorded.", typed=visit.form)
    return visit.go(f"/at/{unit.label}?{done.query() if known else 'told=1'}")


_REPORT_OR_SIGN_IN = "Report a problem instead, or sign in and open the page again."


def _unit(visit: Visit) -> tuple[UnitSeen, bool]:
    """The unit, and whether the visitor is a person who may see it when signed in."""
    with visit.program.store.read() as conn:
        unit = unit_by_label(conn, visit.path("label"))
        if unit is None:
            raise not_found()
        return unit, visit.viewer is not None and sees_unit(conn, visit.viewer, unit.id)


def _take(visit: Visit, entry: NewEntry) -> Done:
    """Keeps a stranger's report, however many there were: one of them may be true. Only letters are limited."""
    program = visit.program
    with program.store.read() as conn:
        same = strangers.on_record(conn, entry, visit.now)
    if same is not None:
        return Done(same, reckoned=True)
    source = strangers.mark_of(program.settings.secret(), whence.address(visit.request, program.settings))

    def note(conn: Connection, entry_id: int) -> None:
        strangers.note(conn, entry_id, entry.unit_id, source, visit.now)

    return write_entry(program, entry, note=note)


def _page(
    visit: Visit, unit: UnitSeen, known: bool, *, wrong: str = "", typed: Mapping[str, str] | None = None
) -> Response:
    return visit.page(
        "label.html",
        400 if wrong else 200,
        [unit.country],
        # Only these four reach the page of a stranger; the rest of the unit stays here.
        code=unit.unit,
        spot=", ".join(part for part in (unit.spot, unit.floor) if part),
        site_name=unit.site_name,
        withdrawn=unit.condition == "withdrawn",
        label=unit.label,
        known=known,
        told=visit.asked("told") == "1",
        done=known and visit.number("done") > 0,
        problems=PROBLEM_LABELS,
        wrong=wrong,
        **{name: value for name, value in form_content(typed or {}).items() if name != "problems"},
    )
