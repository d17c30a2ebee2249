"""Renders the three small files of a letter on one base: `KIND.subject.txt`, `KIND.txt` and `KIND.html`.

A folder of one's own (`letters.templates`) comes before the shipped one. Everything is escaped except in `.txt`; a
name that the content does not hold is an error, never a blank. Styles are written into the tags, because many mail
programs ignore style sheets.

For writers of templates. `base.txt` and `base.html` have the blocks `title` (HTML only), `lead`, `body` and `why`;
`parts.txt` and `parts.html` hold the macros that letters share. Every letter has these names besides its content:
`fleet_name`, `emergency_number` (what goes after "call"), `base_url`, `cautions` (sentences), `reader` (the person's
name), `written_at` (UTC), `unsubscribe_url` (or None). Strings of the content come from the register: each is one line
when it gets here.
Filters: `day` (Wed 25 Nov 2026), `instant(zone)`, `count(noun)`, and in text `wrapped(indent)`.
"""

from __future__ import annotations

import dataclasses
import re
import textwrap
from collections.abc import Collection, Mapping
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from css_inline import CSSInliner
from jinja2 import Environment, FileSystemLoader, StrictUndefined, TemplateNotFound, UndefinedError, meta
from jinja2.exceptions import TemplateSyntaxError

from .. import emergency
from ..errors import UserError
from ..resources import shipped
from ..settings import Settings
from .headers import one_line
from .lists import Later

TEXT_WIDTH = 72
_BLANKS = re.compile(r"\n{3,}")

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


class Rendered(NamedTuple):
    """A letter's words."""

    subject: str
    text: str
    html: str


def render(
    settings: Settings,
    kind: str,
    content: Mapping[str, Any],
    reader: str,
    now: datetime,
    *,
    subject_only: bool = False,
    countries: Collection[str] = (),
) -> Rendered:
    """The words of a letter of that kind; with `subject_only`, nothing but those. `countries` are those of the places
    that it may be about: which number to call there depends on them. Raises UserError where a template is missing,
    broken or asks for a name that the content does not hold.

    What the content has for `Later` is looked up where it is needed: for a subject, if its template names it.
    """
    folders = _folders(settings)
    environment = _environment(folders)
    try:
        wanted = _named(folders, f"{kind}.subject.txt") if subject_only else None
        given = {
            "unsubscribe_url": None,
            **_common(settings, countries),
            **{name: _looked_up(value) for name, value in content.items() if wanted is None or name in wanted},
            "reader": one_line(reader),
            "written_at": now,
        }
        subject = one_line(environment.get_template(f"{kind}.subject.txt").render(given))
        if subject_only:
            return Rendered(subject, "", "")
        return Rendered(
            subject,
            _plain(environment.get_template(f"{kind}.txt").render(given)),
            _inliner().inline(environment.get_template(f"{kind}.html").render(given)),
        )
    except TemplateNotFound as error:
        raise UserError(f"template {error.name} is missing; letters of kind {kind} need it") from None
    except TemplateSyntaxError as error:
        raise UserError(f"template {error.name}, line {error.lineno}: {error.message}") from None
    except UndefinedError as error:
        raise UserError(f"a template for letters of kind {kind} asks for what they do not hold: {error}") from error


def _looked_up(value: Any) -> Any:
    return tidy(value.value if isinstance(value, Later) else value)


@lru_cache(maxsize=64)
def _named(folders: tuple[Path, ...], template: str) -> frozenset[str] | None:
    """The names that a template asks for; None where it takes in others, so that nobody knows."""
    environment = _environment(folders)
    source, _, _ = FileSystemLoader(folders).get_source(environment, template)
    parsed = environment.parse(source, template)
    if any(True for _ in meta.find_referenced_templates(parsed)):
        return None
    return frozenset(meta.find_undeclared_variables(parsed))


def _plain(text: str) -> str:
    """Without blanks at the ends of lines and without more than one empty line in a row."""
    return _BLANKS.sub("\n\n", "\n".join(line.rstrip() for line in text.splitlines())).strip("\n") + "\n"


def tidy(value: Any) -> Any:
    """The content with every string made one line, however deep it lies."""
    if isinstance(value, str):
        return one_line(value)
    if isinstance(value, Mapping):
        return {key: tidy(item) for key, item in value.items()}
    if isinstance(value, tuple) and hasattr(value, "_fields"):
        return type(value)(*(tidy(item) for item in value))
    if isinstance(value, list | tuple):
        return type(value)(tidy(item) for item in value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return dataclasses.replace(
            value, **{field.name: tidy(getattr(value, field.name)) for field in dataclasses.fields(value) if field.init}
        )
    return value


def say_day(day: date | None, *, year: bool = True) -> str:
    """A civil day in words, such as `Wed 25 Nov 2026`; "not recorded" where there is none."""
    if day is None:
        return "not recorded"
    words = f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"
    return f"{words} {day.year}" if year else words


def say_instant(at: datetime | None, zone: str = "UTC") -> str:
    """An instant on the clock of that zone, such as `Wed 25 Nov 2026, 10:04`."""
    if at is None:
        return "not recorded"
    local = at.astimezone(ZoneInfo(zone))
    return f"{say_day(local.date())}, {local:%H:%M}"


def say_count(number: int, noun: str, plural: str = "") -> str:
    """`1 unit`, `2 units`."""
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


def wrapped(value: str, indent: int = 0) -> str:
    """Lines of at most 72 characters; those after the first are indented. A longer word stays whole."""
    return textwrap.fill(
        value, TEXT_WIDTH, subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False
    )


def _common(settings: Settings, countries: Collection[str]) -> dict[str, Any]:
    return _of_fleet(settings.fleet.name, emergency.words(settings, countries), settings.web.base_url)


@lru_cache(maxsize=8)
def _of_fleet(name: str, emergency_number: str, base_url: str) -> dict[str, Any]:
    number = one_line(emergency_number)
    return {
        "fleet_name": one_line(name),
        "emergency_number": number,
        "base_url": base_url.rstrip("/"),
        "cautions": (
            f"In an emergency call {number} first, then use the nearest unit and follow its prompts.",
            "This letter says what is recorded, not that a unit will work; what is not recorded is not known.",
            "“Not to be relied on” tells nobody to leave a unit unused in an emergency. It stays where it is until a "
            "replacement hangs there, unless its manufacturer, a notice or the coordinator has withdrawn it.",
            "The device's own prompts, its manual, the rules of the place and licensed practice come first. Rules are "
            "shown with their source and date as aids to planning; they are not legal or medical advice.",
        ),
    }


def _folders(settings: Settings) -> tuple[Path, ...]:
    own = settings.letters.templates
    return (shipped("templates"),) if own is None else (settings.path(own), shipped("templates"))


@lru_cache(maxsize=8)
def _environment(folders: tuple[Path, ...]) -> Environment:
    environment = Environment(
        loader=FileSystemLoader(folders),
        autoescape=_escapes,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(day=say_day, instant=say_instant, count=say_count, wrapped=wrapped)
    return environment


def _escapes(name: str | None) -> bool:
    """Whatever is not plain text by its name is HTML: a name such as `x.html.old` must not turn escaping off."""
    return name is None or not name.endswith(".txt")


@lru_cache(maxsize=1)
def _inliner() -> CSSInliner:
    # At-rules stay in the head, for the programs that know dark mode; nothing is ever fetched.
    return CSSInliner(keep_at_rules=True, load_remote_stylesheets=False)
