"""Gets at the rota's calendar file: read again only when it has changed, and kept for when it cannot be read.

Never raises for what is wrong with the file: a round must not fail because somebody's export did.
"""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, delete, insert, select

from ... import files
from ...bootstrap import Program
from ...settings import Settings
from ...store.tables import fleet, rota_files
from ..absences import first_known
from .calendar_file import CalendarFile, FileShift, Reading, Unreadable

LARGEST = 8 * 1024 * 1024
_KEPT_READINGS = 8
_KEPT_FILES = 2
_DAY = timedelta(days=1)
_TRIED = timedelta(days=60)  # before and after now, for which a file must be of use before it takes another's place


@dataclass(frozen=True, slots=True)
class Used:
    """What is in use as the file for a span of time: `reading` is None where there is none. `mentioned`: as
    CalendarFile.mentioned. `problem`: why it is not the file of this moment."""

    reading: Reading | None
    mentioned: tuple[FileShift, ...] = ()
    problem: str = ""


class _Parsed:
    """A file's bytes, understood, with the last readings of it."""

    def __init__(self, body: bytes) -> None:
        self.body = body
        self.digest = hashlib.sha256(body).hexdigest()
        self._file = CalendarFile(body)
        self._readings: OrderedDict[tuple[datetime, datetime, str], Reading] = OrderedDict()
        self._mentioned: tuple[FileShift, ...] | None = None
        self._wrong = ""
        self._lock = threading.Lock()  # pages are served on several threads

    def used(self, start: datetime, end: datetime, zone: ZoneInfo) -> Used:
        """The shifts of whole UTC days around the time asked for, and whom the file names at all.

        Raises Unreadable as CalendarFile.between does, and from then on without trying again.
        """
        first = datetime.combine(start.astimezone(UTC).date(), time(), UTC)
        last = datetime.combine(end.astimezone(UTC).date() + _DAY, time(), UTC)
        key = (first, last, zone.key)
        with self._lock:
            if self._wrong:
                raise Unreadable(self._wrong)
            try:
                found = self._readings.pop(key, None) or self._file.between(first, last, zone)
                if self._mentioned is None:
                    self._mentioned = self._file.mentioned()
            except Unreadable as error:
                self._wrong = str(error)
                raise
            except Exception as error:  # whatever a library meets in a file, the file is what is wrong
                self._wrong = f"cannot be understood ({type(error).__name__}); export it again from the calendar"
                raise Unreadable(self._wrong) from error
            self._readings[key] = found
            while len(self._readings) > _KEPT_READINGS:
                self._readings.popitem(last=False)
            return Used(found, self._mentioned)


_files: OrderedDict[str, tuple[tuple[int, int], _Parsed | str]] = OrderedDict()  # a sentence: why it is none
_restored: OrderedDict[str, _Parsed] = OrderedDict()
_lock = threading.Lock()


def in_use(conn: Connection, settings: Settings, start: datetime, end: datetime, zone: ZoneInfo) -> Used:
    """What the file that the settings name says of that time, else what its last good reading says, with what is
    wrong. Never raises for the file."""
    if settings.rota.file is None:
        return Used(None)
    path = settings.path(settings.rota.file)
    try:
        return _read(path).used(start, end, zone)
    except Unreadable as error:
        wrong = f"rota.file: {path} {error}"
    held = conn.execute(
        select(rota_files.c.digest, rota_files.c.read_at).where(rota_files.c.id == 1, rota_files.c.path == str(path))
    ).first()
    if held is None:
        return Used(None, problem=f"{wrong}; until then only the table says who is on call")
    shown = f"{held.read_at:%Y-%m-%d %H:%M} UTC"
    try:
        last = _restore(conn, held.digest).used(start, end, zone)
    except Unreadable as error:
        also = f"its last good reading, of {shown}, cannot be used either: it {error}"
        return Used(None, problem=f"{wrong}; {also}; until then only the table says who is on call")
    return Used(last.reading, last.mentioned, f"{wrong}; until then its last good reading, of {shown}, is in use")


def keep(program: Program) -> None:
    """Keeps the bytes of the file in the database, where they have changed and can be read and used."""
    settings = program.settings
    if settings.rota.file is None:
        return
    path = settings.path(settings.rota.file)
    now = program.clock()
    try:
        parsed = _read(path)
        with program.store.read() as conn:
            held = conn.execute(select(rota_files.c.path, rota_files.c.digest).where(rota_files.c.id == 1)).first()
        if held is not None and tuple(held) == (str(path), parsed.digest):
            return
        parsed.used(now - _TRIED, now + _TRIED, first_known(settings.fleet.time_zone))
    except Unreadable:
        return  # said by everything that uses the rota
    row = {"id": 1, "path": str(path), "body": parsed.body, "digest": parsed.digest, "read_at": now}
    with program.store.write() as conn:
        conn.execute(select(fleet.c.id).with_for_update())  # one node at a time
        conn.execute(delete(rota_files))
        conn.execute(insert(rota_files).values(row))


def _read(path: Path) -> _Parsed:
    """Reads the file if it is another than before. Raises Unreadable, said as what follows the file's name."""
    try:
        seen = path.stat()
        stamp = (seen.st_mtime_ns, seen.st_size)
        with _lock:
            known = _files.get(str(path))
        if known is not None and known[0] == stamp:
            if isinstance(known[1], str):
                raise Unreadable(known[1])
            return known[1]
        if seen.st_size > LARGEST:
            raise Unreadable(f"is larger than {LARGEST // 1024 // 1024} MB; export only the coming year")
        body = files.read_bytes(path, LARGEST)
    except files.Unfit as unfit:
        raise Unreadable(str(unfit)) from None
    except OSError as error:
        why = error.strerror or type(error).__name__
        raise Unreadable(f"cannot be read ({why}); put it back or correct the setting") from None
    try:
        parsed = _Parsed(body)
    except Unreadable as error:
        _remember(path, stamp, str(error))
        raise
    _remember(path, stamp, parsed)
    return parsed


def _remember(path: Path, stamp: tuple[int, int], found: _Parsed | str) -> None:
    with _lock:
        _files[str(path)] = (stamp, found)
        while len(_files) > _KEPT_FILES:
            _files.popitem(last=False)


def _restore(conn: Connection, digest: str) -> _Parsed:
    with _lock:
        known = _restored.get(digest)
    if known is None:
        body = conn.execute(select(rota_files.c.body).where(rota_files.c.id == 1)).scalar_one()
        known = _Parsed(bytes(body))
        with _lock:
            _restored[digest] = known
            while len(_restored) > _KEPT_FILES:
                _restored.popitem(last=False)
    return known
