"""How pages look: the templates with strict escaping, the one stylesheet, and the words for days and instants.

Whatever comes from the register or the log is data; nothing is ever marked as safe HTML here.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from urllib.parse import quote, urlsplit
from zoneinfo import ZoneInfo

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from jinja2.exceptions import TemplateSyntaxError
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ..errors import UserError
from ..resources import shipped
from ..settings import Settings
from .words import HINTS, KINDS, sentence, spoken

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


class Look:
    """Renders pages. Templates in the folder of `letters.templates` take the place of the shipped ones.

    Raises UserError where a template is broken: that stops the start, and not a page.
    """

    def __init__(self, settings: Settings) -> None:
        folders: tuple[Path, ...] = (shipped("templates"),)
        if settings.letters.templates is not None:
            folders = (settings.path(settings.letters.templates), *folders)
        self._prefix = urlsplit(settings.web.base_url).path.rstrip("/")
        self._files = {
            f"look/{name}": (_first(folders, f"pages/{name}").read_bytes(), kind)
            for name, kind in (("pages.css", "text/css"), ("icon.svg", "image/svg+xml"))
        }
        self._environment = _environment(folders)
        self._everywhere = {
            "at": self.at,
            "look": {name: self.at(f"/{name}?{_mark(body)}") for name, (body, _) in self._files.items()},
            "fleet_name": settings.fleet.name,
            "kinds": KINDS,
            "hints": HINTS,
        }

    def at(self, path: str) -> str:
        """The address of a page of ours, beneath the path of `web.base_url` where it has one."""
        return self._prefix + path

    def render(self, template: str, **content: object) -> str:
        """The page as HTML."""
        return self._environment.get_template(f"pages/{template}").render(**self._everywhere, **content)

    def routes(self) -> list[Route]:
        """The stylesheet and the icon. Their addresses change with their content, so they may be kept for long."""

        async def answer(request: Request) -> Response:
            body, kind = self._files[request.scope["path"].removeprefix(self._prefix).lstrip("/")]
            return Response(body, media_type=kind, headers={"Cache-Control": "public, max-age=2592000"})

        return [Route(f"/{name}", answer, methods=["GET"]) for name in self._files]


@lru_cache(maxsize=8)
def _environment(folders: tuple[Path, ...]) -> Environment:
    environment = Environment(
        loader=FileSystemLoader(folders),
        autoescape=_escapes,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        day=say_day,
        isoday=_day_from_text,
        instant=say_instant,
        iso=utc_iso,
        ago=ago,
        code=in_path,
        spoken=spoken,
        said=_said,
        count=count,
        phone=dialled,
    )
    for file in sorted((shipped("templates") / "pages").glob("*.html")):
        try:
            environment.get_template(f"pages/{file.name}")
        except TemplateSyntaxError as error:
            raise UserError(f"template {error.name}, line {error.lineno}: {error.message}") from None
    return environment


def _first(folders: Sequence[Path], name: str) -> Path:
    for folder in folders:
        if (folder / name).is_file():
            return folder / name
    raise FileNotFoundError(f"the installation is incomplete: no template {name}; install nightround again")


def _mark(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()[:12]


def _escapes(name: str | None) -> bool:
    """Escaping is on for everything; a page template by any name is HTML."""
    return True


def say_day(day: date | None, *, year: bool = True) -> str:
    """A civil day in words, such as `Wed 25 Nov 2026`; a dash where there is none."""
    if day is None:
        return "–"
    words = f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"
    return f"{words} {day.year}" if year else words


def _day_from_text(text: str) -> str:
    return say_day(date.fromisoformat(text))


def _said(stored: str) -> str:
    return sentence(stored, say_day)


def dialled(number: str) -> str:
    """A telephone number as a `tel:` address takes it: digits and a leading plus."""
    return "".join(sign for sign in number if sign in "+0123456789")


def say_instant(at: datetime, zone: str = "UTC") -> str:
    """An instant on the clock of that zone, such as `Wed 25 Nov 2026, 10:04`."""
    local = at.astimezone(ZoneInfo(zone))
    return f"{say_day(local.date())}, {local:%H:%M}"


def ago(span: timedelta) -> str:
    """How long ago, to the unit that matters: minutes under two hours, hours under two days, then days."""
    minutes = int(span.total_seconds() // 60)
    if minutes < 1:
        return "just now"
    if minutes < 120:
        return f"{count(minutes, 'minute')} ago"
    if minutes < 48 * 60:
        return f"{count(minutes // 60, 'hour')} ago"
    return f"{count(minutes // (24 * 60), 'day')} ago"


def count(number: int, noun: str, plural: str = "") -> str:
    """`1 unit`, `2 units`."""
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


def in_path(text: str) -> str:
    """A code as one step of an address; a slash inside it stays inside it."""
    return quote(text, safe="")


def utc_iso(at: datetime) -> str:
    """For the `datetime` attribute of `<time>`."""
    return at.astimezone(UTC).isoformat(timespec="minutes")
