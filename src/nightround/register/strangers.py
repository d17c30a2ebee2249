"""What strangers report at a cabinet: always kept as bad news, and counted, so that it never crowds out other letters.

Beside the log entry a row says for a day from which network it came: as a mark made with the installation's key, never
the address itself. Instants are aware.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from datetime import datetime, timedelta
from ipaddress import IPv6Address, ip_address
from typing import Any

from sqlalchemy import Connection, delete, insert, select

from ..errors import UserError
from ..store.tables import log, sites, strangers_reports, units
from .log import NewEntry
from .recording import strike

PAGE = "page"  # the source of entries that came by a form
KEPT = timedelta(days=1)
_HOUR = timedelta(hours=1)
# So many reports at one cabinet within an hour are kept one by one; of more, only what is not on record yet: whoever
# sends them by the thousand must not fill the log.
KEPT_ONE_BY_ONE = 60
_NOBODY = (log.c.by_person == "", log.c.source == PAGE)


def mark_of(secret: bytes, address: str) -> str:
    """A mark of the network that an address belongs to: of an IPv6 address its /64, which one household has.

    What is no address (a socket in the file system) is one network like any other.
    """
    try:
        read = ip_address(address.partition("%")[0])
    except ValueError:
        network = address
    else:
        network = str(int(read) >> 64) if isinstance(read, IPv6Address) and read.ipv4_mapped is None else str(read)
        if isinstance(read, IPv6Address) and read.ipv4_mapped is not None:
            network = str(read.ipv4_mapped)
    return hmac.new(secret, b"nightround stranger " + network.encode("utf-8"), hashlib.sha256).hexdigest()[:32]


def note(conn: Connection, entry_id: int, unit_id: int, source: str, now: datetime) -> None:
    """Notes from which network a stranger's entry came; once, also where the same report was sent twice."""
    known = select(strangers_reports.c.entry_id).where(strangers_reports.c.entry_id == entry_id)
    if conn.execute(known).first() is None:
        values = {"entry_id": entry_id, "unit_id": unit_id, "at": now, "source": source}
        conn.execute(insert(strangers_reports).values(values))


def on_record(conn: Connection, entry: NewEntry, now: datetime) -> int | None:
    """The entry that says the same, where so many were kept at that cabinet within the hour that it is enough.

    None where the report has to be kept.
    """
    query = select(log.c.id, log.c.entry, log.c.readings).where(
        log.c.unit_id == entry.unit_id, log.c.written_at > now - _HOUR, log.c.entry != "struck", *_NOBODY
    )
    rows = conn.execute(query.order_by(log.c.id.desc())).all()
    if len(rows) < KEPT_ONE_BY_ONE:
        return None
    same = (row.id for row in rows if row.entry == entry.entry and json.loads(row.readings) == entry.readings)
    return next(same, None)


def strike_reports(
    conn: Connection, label: str, since: datetime, why: str, by_person: str, now: datetime
) -> tuple[str, int, list[int]]:
    """Strikes everything that strangers reported at that cabinet since the instant; gives unit, its id, the entries.

    Raises UserError where no cabinet has the label, no reason is given, or nothing is left to be struck.
    """
    unit = _unit(conn, label)
    struck = select(log.c.strikes).where(log.c.unit_id == unit.id, log.c.strikes.is_not(None))
    query = select(log.c.id).where(
        log.c.unit_id == unit.id,
        log.c.written_at >= since,
        log.c.entry.in_(("fault", "used")),
        log.c.discarded_at.is_(None),
        log.c.id.not_in(struck),
        *_NOBODY,
    )
    found = list(conn.execute(query.order_by(log.c.id)).scalars())
    if not found:
        raise UserError(
            f"no stranger's report at {unit.unit} since then is left to be struck; see: history {unit.unit}"
        )
    for entry_id in found:
        strike(conn, entry_id, why, by_person, now)
    return unit.unit, unit.id, found


def zone_at(conn: Connection, label: str) -> str:
    """The time zone of the cabinet's site. Raises UserError where no cabinet has the label."""
    return str(_unit(conn, label).time_zone)


def _unit(conn: Connection, label: str) -> Any:
    query = select(units.c.id, units.c.unit, sites.c.time_zone).join(sites, sites.c.id == units.c.site_id)
    unit = conn.execute(query.where(units.c.label == label)).first()
    if unit is None:
        raise UserError(f"no cabinet has the label {label!r}; it is what stands after /at/ in the address of its code")
    return unit


def forget(conn: Connection, now: datetime) -> None:
    """Takes out the marks that are a day old; the entries in the log stay."""
    conn.execute(delete(strangers_reports).where(strangers_reports.c.at < now - KEPT))


def is_old(conn: Connection, now: datetime) -> bool:
    """Whether there is a mark to be taken out."""
    old = select(strangers_reports.c.entry_id).where(strangers_reports.c.at < now - KEPT).limit(1)
    return conn.execute(old).first() is not None
