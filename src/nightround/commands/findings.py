"""What `verify` looks at. Each look gives findings: where, what was found, and the cure. Changes nothing."""

from __future__ import annotations

import json
import stat
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime
from ipaddress import ip_address
from pathlib import Path
from typing import NamedTuple
from urllib.parse import urlsplit
from zoneinfo import available_timezones

import holidays
from sqlalchemy import Connection, func, make_url, select, text, true
from sqlalchemy.exc import OperationalError

from .. import emergency
from ..cases.rota.saying import on_call_now
from ..errors import UserError
from ..letters.delivery import knock
from ..letters.put_off import put_off
from ..letters.smtp import GREETING
from ..reckoning.dates import local_day
from ..reckoning.owed import Standing
from ..reckoning.staffing import CONTACT, RESPONDERS
from ..register.leaving import with_us
from ..register.log import verify_chain
from ..rounds.bindings import is_old
from ..rounds.rulebook import RuleBook
from ..rounds.rulebook import load as load_rules
from ..settings import Settings
from ..store import schema
from ..store.database import Store, open_store
from ..store.tables import duties, people, person_roles, person_sites, sites, units
from .desk import Desk

PATIENCE_SECONDS = 10

# Kinds of file system on which SQLite's write-ahead log, which needs shared memory, is not safe.
_ON_THE_NETWORK = (
    "nfs", "nfs4", "cifs", "smb3", "smbfs", "ncpfs", "afs", "ceph", "fuse.ceph", "glusterfs", "fuse.glusterfs",
    "fuse.sshfs", "davfs", "fuse.davfs2", "lustre", "9p", "vboxsf",
)  # fmt: skip
_SHOWN = 20  # of one kind of finding; the rest is counted


class Finding(NamedTuple):
    """One thing wrong, where it lies, and the cure."""

    where: str
    found: str
    cure: str


def look_over(desk: Desk) -> Iterator[Finding]:
    """Every finding but those of the mail server, in the order in which a reader would mend them.

    A look that cannot go on ends with a finding.
    """
    try:
        settings = desk.settings
    except UserError as error:
        yield Finding("settings", str(error), "correct the settings file")
        return
    yield from look_at_settings(settings)
    book = None
    try:
        book = load_rules(settings)
    except UserError as error:
        yield Finding("rules", str(error), "correct the pack or sheet that is named")
    if book is not None:
        yield from look_at_age(book, local_day(desk.clock(), settings.fleet.time_zone))
    try:
        store = open_store(settings.database_url())
    except UserError as error:
        yield Finding("database", str(error), "correct database.url")
        return
    try:
        yield from look_at_database(store, settings, book, desk.clock())
    finally:
        store.close()


def look_at_age(book: RuleBook, day: date) -> Iterator[Finding]:
    """Packs and sheets with a source that nobody has read for a year; one finding a pack or sheet."""
    cure = "read the source again and write the day into verified_on; which: nightround rules"
    for pack in book.packs:
        old = [rule for rule in pack.rules if is_old(rule.verified_on, day)]
        if old:
            oldest = min(rule.verified_on for rule in old)
            found = f"{len(old)} of {len(pack.rules)} rules were verified more than a year ago, the first {oldest}"
            yield Finding(f"rule pack {pack.name}", found, cure)
    for name, sheet in sorted({sheet.model: sheet for sheet in book.sheets.values()}.items()):
        if is_old(sheet.verified_on, day):
            yield Finding(f"model sheet {name}", f"was verified {sheet.verified_on}, more than a year ago", cure)


def look_at_mail(settings: Settings) -> Iterator[Finding]:
    """Connects, secures and logs in as for letters; an operator waits for it, so no step may take long."""
    scale = min(settings.mail.timeout_scale, PATIENCE_SECONDS / GREETING)
    hasty = settings.model_copy(update={"mail": settings.mail.model_copy(update={"timeout_scale": scale})})
    try:
        trouble = knock(hasty)
    except UserError as error:
        trouble = str(error)
    if trouble:
        yield Finding("mail", trouble, "until then letters wait in the letter box")


def look_at_settings(settings: Settings) -> Iterator[Finding]:
    """The key file, and whether what leaves this machine is protected."""
    try:
        settings.secret()
        mode = stat.S_IMODE(settings.path(settings.key_file).stat().st_mode)
        if mode & 0o077:
            yield Finding(
                "key_file",
                f"{settings.path(settings.key_file)} can be read by others (mode {mode:04o})",
                "chmod 600 the file; if others may have read it, make a new one",
            )
    except UserError as error:
        yield Finding("key_file", str(error), "make one as `setup` does: 32 random bytes or more, mode 0600")
    address = urlsplit(settings.web.base_url)
    if address.scheme != "https" and not _this_machine(address.hostname or ""):
        yield Finding(
            "web.base_url",
            f"{settings.web.base_url} is not https: calendar addresses and sign-in links would travel in clear",
            "put a TLS proxy in front and write its https address here",
        )
    if settings.mail.security == "plain" and not _this_machine(settings.mail.host):
        yield Finding(
            "mail.security",
            f"letters to {settings.mail.host} leave in clear",
            "set starttls or implicit, if the server can do it",
        )
    if settings.fleet.country and settings.fleet.country not in holidays.list_supported_countries():
        yield Finding(
            "fleet.country", f"no holidays are known for {settings.fleet.country!r}", "use an ISO 3166-1 code"
        )


def look_at_database(store: Store, settings: Settings, book: RuleBook | None, now: datetime) -> Iterator[Finding]:
    """The schema, the file it lies in, and what the register lacks."""
    try:
        schema.require_newest(store)
    except UserError as error:
        yield Finding("database", str(error), "do as it says")
        return
    except OperationalError as error:
        why = " ".join(str(error.orig).split())
        yield Finding("database", f"cannot be used: {why}", "check database.url, the password and that it runs")
        return
    with store.read() as conn:
        if store.dialect == "sqlite":
            yield from look_at_sqlite(conn, Path(make_url(settings.database_url()).database or ""))
        yield from look_at_log(conn)
        today = local_day(now, settings.fleet.time_zone)
        yield from look_at_sites(conn, today)
        yield from look_at_emergency_numbers(conn, settings)
        yield from look_at_staff(conn)
        if book is not None:
            yield from look_at_models(conn, book)
        yield from look_at_people(conn, today)
        yield from look_at_rota(conn, settings, now)
        yield from look_at_letters(conn, settings)


def look_at_sqlite(conn: Connection, file: Path, mounts: str | None = None) -> Iterator[Finding]:
    """The file system, the pragmas we count on and the file itself."""
    kind = file_system(file, mounts)
    if kind in _ON_THE_NETWORK:
        yield Finding(
            "database",
            f"{file} lies on a network share ({kind}), where SQLite's write-ahead log can lose data",
            "move it to a local disk, or use PostgreSQL",
        )
    for pragma, wanted in (("journal_mode", "wal"), ("foreign_keys", 1), ("synchronous", 2)):
        have = conn.execute(text(f"PRAGMA {pragma}")).scalar_one()
        if have != wanted:
            yield Finding("database", f"SQLite's {pragma} is {have} instead of {wanted}", "move it to a local disk")
    checked = conn.execute(text("PRAGMA quick_check(1)")).scalar_one()
    if checked != "ok":
        yield Finding("database", f"{file} is damaged: {checked}", "stop the service and restore the last good copy")


def file_system(file: Path, mounts: str | None = None) -> str:
    """The kind of file system that holds the file, from the kernel's table of mounts; "" where there is none."""
    if mounts is None:
        try:
            mounts = Path("/proc/mounts").read_text("utf-8", "surrogateescape")
        except OSError:
            return ""
    place, kind = "", ""
    resolved = str(file.resolve())
    for line in mounts.splitlines():
        fields = line.split()
        if len(fields) < 3:
            continue
        point = fields[1].replace("\\040", " ").replace("\\011", "\t")
        inside = resolved == point or resolved.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= len(place):
            place, kind = point, fields[2]
    return kind


def look_at_log(conn: Connection) -> Iterator[Finding]:
    """The log's chain of hashes."""
    broken = verify_chain(conn)
    if broken is not None:
        yield Finding(
            f"log entry {broken.entry_id}",
            broken.why,
            "somebody changed the database by hand: find out who, and compare with the last good copy",
        )


def look_at_sites(conn: Connection, today: date | None = None) -> Iterator[Finding]:
    """Zones, holidays, and whether there is anybody to look at the units."""
    known_zones = available_timezones()
    countries = holidays.list_supported_countries()
    here = true() if today is None else with_us(today)
    looked_after = (
        select(person_sites.c.site_id)
        .join(person_roles, person_roles.c.person_id == person_sites.c.person_id)
        .join(people, people.c.id == person_sites.c.person_id)
        .where(person_roles.c.role == "site-contact", here)
    )
    has_units = select(units.c.site_id)
    alone: list[str] = []
    for row in conn.execute(
        select(
            sites.c.site,
            sites.c.time_zone,
            sites.c.country,
            sites.c.id.in_(looked_after).label("looked_after"),
            sites.c.id.in_(has_units).label("has_units"),
        ).order_by(sites.c.site)
    ):
        if row.time_zone not in known_zones:
            yield Finding(f"site {row.site}", f"time zone {row.time_zone!r} is not known", "use an IANA name")
        if row.country and row.country not in countries:
            yield Finding(
                f"site {row.site}",
                f"no holidays are known for country {row.country!r}: working days are Monday to Friday there",
                "use an ISO 3166-1 code",
            )
        if row.has_units and not row.looked_after:
            alone.append(row.site)
    fleet_contact = conn.execute(
        select(people.c.id)
        .join(person_roles, person_roles.c.person_id == people.c.id)
        .where(people.c.whole_fleet, person_roles.c.role == "site-contact", here)
    ).first()
    if fleet_contact is None:
        yield from _listed(alone, "site", "has units but no site contact", "name one in the people's file")
    no_spot = conn.execute(select(units.c.unit).where(units.c.spot == "").order_by(units.c.unit)).scalars().all()
    yield from _listed(no_spot, "unit", "has no spot: nobody can be told where it hangs", "fill in the column spot")


def look_at_emergency_numbers(conn: Connection, settings: Settings) -> Iterator[Finding]:
    """Sites with units of which nobody knows what to call in an emergency, a country after the other."""
    query = select(sites.c.country, sites.c.site).where(sites.c.id.in_(select(units.c.site_id)))
    lacking: dict[str, list[str]] = {}
    for country, site in conn.execute(query.order_by(sites.c.country, sites.c.site)):
        if not emergency.number_of(settings, country):
            lacking.setdefault(country or settings.fleet.country, []).append(site)
    for country, names in lacking.items():
        if country:
            found = f"the emergency number of {country} is not known: labels, letters and pages say none"
            cure = f'write it into the settings, under [fleet]: emergency_numbers = {{{country} = "…"}}'
        else:
            found = "it has no country, so the emergency number is not known: labels, letters and pages say none"
            cure = "fill in the column country, or set country under [fleet]"
        yield from _listed(names, "site", found, cure)


def look_at_staff(conn: Connection) -> Iterator[Finding]:
    """Sites whose contacts have left, and sites with too few responders, as the last rounds found them."""
    for kind, cure in (
        (CONTACT, "name another site contact: nightround person leave PERSON --on DATE --replaced-by OTHER"),
        (RESPONDERS, "have people trained or certificates renewed, and record it in the sheet training"),
    ):
        query = select(sites.c.site, duties.c.because).join(duties, duties.c.site_id == sites.c.id)
        overdue = (duties.c.kind == kind, duties.c.standing == str(Standing.OVERDUE), duties.c.unit_id.is_(None))
        rows = conn.execute(query.where(*overdue).order_by(sites.c.site)).all()
        what = {CONTACT: "is without contact", RESPONDERS: "has too few responders in date"}[kind]
        for row in rows[:_SHOWN]:
            why = json.loads(row.because)[0]["evidence"]
            yield Finding(f"site {row.site}", f"{what}: {why}", cure)
        if len(rows) > _SHOWN:
            yield Finding(f"{len(rows) - _SHOWN} more sites", what, cure)


def look_at_models(conn: Connection, book: RuleBook) -> Iterator[Finding]:
    """Models of which no sheet says what they need."""
    query = select(units.c.model, func.count()).group_by(units.c.model).order_by(units.c.model)
    for model, count in conn.execute(query):
        if not model:
            yield Finding("units", f"{count} have no model", "fill in the column model")
        elif model not in book.sheets:
            yield Finding(
                f"model {model}",
                f"no model sheet; its {count} unit{' has' if count == 1 else 's have'} no standby life and no "
                "manufacturer's interval",
                "write one from the device's manual and name its folder in rules.models",
            )


def look_at_people(conn: Connection, today: date | None = None) -> Iterator[Finding]:
    """Who should get letters and cannot, and roles that nobody holds; whoever left before today is passed over."""
    here = true() if today is None else with_us(today)
    known_zones = available_timezones()
    writes_to = ("coordinator", "manager", "on-call", "site-contact")
    lacking: list[str] = []
    for row in conn.execute(select(people).where(here).order_by(people.c.person)):
        if row.time_zone and row.time_zone not in known_zones:
            yield Finding(f"person {row.person}", f"time zone {row.time_zone!r} is not known", "use an IANA name")
    reached: set[str] = set()
    query = (
        select(people.c.person, people.c.email, person_roles.c.role)
        .join(person_roles, person_roles.c.person_id == people.c.id)
        .where(here)
        .order_by(people.c.person, person_roles.c.role)
    )
    for person, email, role in conn.execute(query):
        if email:
            reached.add(role)
        elif role in writes_to and person not in lacking:
            lacking.append(person)
    yield from _listed(lacking, "person", "has no address and gets no letters", "fill in the column email")
    if conn.execute(select(units.c.id)).first() is not None:
        for role in ("coordinator", "on-call"):
            if role not in reached:
                yield Finding("people", f"nobody with an address is {role}", "name one in the people's file")


def look_at_rota(conn: Connection, settings: Settings, now: datetime) -> Iterator[Finding]:
    """What of the rota cannot be read or used, and gaps in the days that the settings look ahead."""
    found = on_call_now(conn, settings, now)
    for problem in found.problems:
        yield Finding("rota", problem, "do as it says; until then others may be told than the rota means")
    for gap in found.gaps:
        line = gap.line(lambda at: f"{at.astimezone(UTC):%Y-%m-%d %H:%M} UTC")
        yield Finding("rota", f"{line[0].lower()}{line[1:]}", "add a shift, or letters go to everyone on call")


def look_at_letters(conn: Connection, settings: Settings) -> Iterator[Finding]:
    """Letters that wait because the mail server has not taken them, in its own words."""
    waiting = put_off(conn, settings)
    for one in waiting[:_SHOWN]:
        found = f"the mail server has not taken it ({one.answer}); next try {one.next_try_at:%Y-%m-%d %H:%M} UTC, "
        found += f"given up after {one.given_up_at:%Y-%m-%d %H:%M} UTC"
        yield Finding(f"letter to {one.called}", found, "correct the address, or ask whoever runs the mail server")
    if len(waiting) > _SHOWN:
        yield Finding(f"{len(waiting) - _SHOWN} more letters", "wait as well", "see: nightround --json deliver")


def _listed(names: Sequence[str], kind: str, found: str, cure: str) -> Iterator[Finding]:
    for name in names[:_SHOWN]:
        yield Finding(f"{kind} {name}", found, cure)
    if len(names) > _SHOWN:
        yield Finding(f"{len(names) - _SHOWN} more like {kind} {names[_SHOWN - 1]}", found, cure)


def _this_machine(host: str) -> bool:
    if host in ("localhost", ""):
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False
