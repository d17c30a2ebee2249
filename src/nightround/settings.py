"""Settings: every key is documented here, where it is defined.

They come from, the strongest first: the environment (`NIGHTROUND_MAIL_HOST`, or `NIGHTROUND_MAIL__HOST`), the TOML
file, the defaults below. A key that ends in `_file` names a file that holds a secret; the secret itself is never a
setting. Errors name the key and the cure and never show a value, because a value may be a secret.
"""

from __future__ import annotations

import os
import re
import tomllib
from datetime import time
from ipaddress import ip_network
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import available_timezones

from pydantic import AfterValidator, Field, ValidationError, field_validator, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from . import files
from .colors import CSS3
from .errors import UserError
from .settings_cases import Cases
from .settings_section import Section as _Section

PREFIX = "NIGHTROUND_"
NOT_SETTINGS = {"CONFIG", "TRY_ONCE"}


def _known_zone(name: str) -> str:
    if name not in available_timezones():
        raise ValueError("not an IANA time zone; use a name such as Europe/Paris")
    return name


def _known_color(name: str) -> str:
    if name.lower() not in CSS3:
        raise ValueError("not a CSS3 colour name; use one such as teal or turquoise")
    return name.lower()


def _known_network(text: str) -> str:
    try:
        ip_network(text, strict=False)
    except ValueError:
        raise ValueError("not an address or network; use one such as 127.0.0.1 or 10.0.0.0/8") from None
    return text


def _country_code(code: str) -> str:
    if not re.fullmatch(r"[A-Z]{2}", code):
        raise ValueError("not a country; write its two letters of ISO 3166-1, such as JP")
    return code


def _emergency_number(number: str) -> str:
    if not re.fullmatch(r"\+?[0-9][0-9 -]{1,14}", number):
        raise ValueError('not a number to call; write its digits in quotation marks, such as "119"')
    return number


Network = Annotated[str, AfterValidator(_known_network)]
Zone = Annotated[str, AfterValidator(_known_zone)]
CountryCode = Annotated[str, AfterValidator(_country_code)]
EmergencyNumber = Annotated[str, AfterValidator(_emergency_number)]
Color = Annotated[str, AfterValidator(_known_color)]


class Database(_Section):
    """Where the register is kept."""

    url: str = Field("sqlite:///nightround.db", repr=False)
    """`sqlite:///FILE` or `postgresql://USER@HOST/NAME`. A relative SQLite file lies beside the settings file."""
    password_file: Path | None = None
    """File that holds the PostgreSQL password."""


class Fleet(_Section):
    """What holds for every site that does not say otherwise."""

    name: str = "Defibrillators"
    """Name of the fleet, as shown in letters and calendars."""
    time_zone: Zone = "UTC"
    """IANA zone for sites whose file names none and whose country does not settle it."""
    country: str = ""
    """ISO 3166-1 code for sites whose file names none, such as `FR`."""
    emergency_number: str = ""
    """The number that people call in an emergency at every site, such as a porter's; shown on labels, pages and in
    letters. Empty: that of the site's country, as far as its source was read (`nightround verify` says where not)."""
    emergency_numbers: dict[CountryCode, EmergencyNumber] = Field(default_factory=dict)
    """The number for a country, where it is not known or another is to be called: `{ BR = "192" }`."""


class Rounds(_Section):
    """The nightly round."""

    at: time = time(2, 0)
    """Local time at which each zone's round is owed. Where the clock skips or repeats it, it still runs once."""
    batch: int = Field(1000, ge=1, le=20000)
    """Units a transaction."""
    responders: int = Field(0, ge=0, le=1000)
    """How many people with a certificate in date every site with units is to have; 0: not asked. A site may have a
    number of its own (column `responders` of the sheet `sites`), and rules may ask for more."""
    tick_seconds: int = Field(60, ge=1, le=900)
    """How often the service looks for owed rounds and letters."""


class Watch(_Section):
    """What the service says of itself when something is wrong with it."""

    silence_minutes: int = Field(60, ge=5, le=24 * 60)
    """A letter that cannot be sent for that long, or a service that did not look round for that long, is told."""
    unfinished_hours: int = Field(6, ge=1, le=48)
    """A round that is owed for that long and has not finished is told."""
    free_mb: int = Field(200, ge=0)
    """Less free space than that where the database lies is told as a full disk; 0 never looks. SQLite only."""
    big_import: int = Field(25, ge=1)
    """An import that adds or changes at least that many units is told to everybody who gets a letter next."""


class Rules(_Section):
    """Where rule packs and model sheets come from, besides the shipped ones."""

    packs: list[str] = Field(default_factory=lambda: ["*"])
    """Names of the packs in use (file names without .toml); `*` is every one. Scope decides where each binds."""
    folder: Path | None = None
    """A folder of further rule packs; one named as a shipped pack takes its place."""
    models: Path | None = None
    """A folder of model sheets."""


class Web(_Section):
    """The feed, the pages and the health addresses."""

    bind: str = "127.0.0.1:8470"
    """Address and port to listen on. Put a TLS proxy in front before it leaves the machine."""
    base_url: str = "http://127.0.0.1:8470"
    """How people reach it; used in letters, feeds and labels. Without a slash at the end. Left out, and `bind` is on
    this machine: that."""
    trusted_proxies: list[Network] = Field(default_factory=lambda: ["127.0.0.1", "::1"])
    """Addresses or networks of the proxies in front, whose X-Forwarded-For says where a request comes from."""
    metrics_token_file: Path | None = None
    """File that holds a token; whoever sends `Authorization: Bearer TOKEN` is shown /metrics and the reasons in
    /readyz. Without it they are shown to this machine alone. A proxy on this machine that adds no X-Forwarded-For
    passes for this machine: let it refuse /metrics, or add the field."""
    connections: int = Field(256, ge=8, le=20000)
    """Connections open at once; further ones are closed. Fewer where the limit of open files leaves fewer: 128 of
    them are kept for the database and mail."""

    @model_validator(mode="after")
    def _reached_where_it_listens(self) -> Web:
        host = self.bind.rpartition(":")[0]
        if "base_url" not in self.model_fields_set and host in ("127.0.0.1", "localhost", "[::1]"):
            self.base_url = f"http://{self.bind}"
        return self


class Mail(_Section):
    """How letters leave."""

    host: str = "127.0.0.1"
    """SMTP server."""
    port: int = Field(587, ge=1, le=65535)
    """Its port: 587 with starttls, 465 with implicit TLS."""
    security: Literal["starttls", "implicit", "plain"] = "starttls"
    """`plain` sends in clear and therefore takes no password. There is no silent fall-back from one to another."""
    ca_file: Path | None = None
    """Certificate authority to trust besides the system's."""
    username: str = ""
    """Login; empty for none."""
    password_file: Path | None = None
    """File that holds the password."""
    sender: str = "nightround@example.org"
    """Address in From."""
    sender_name: str = "nightround"
    """Name in From."""
    list_id: str = "nightround.example.org"
    """RFC 2919 identifier of these letters."""
    lanes: int = Field(2, ge=1, le=8)
    """Connections open at once."""
    batch: int = Field(50, ge=1, le=1000)
    """Letters claimed at once; one connection is used for a batch."""
    timeout_scale: float = Field(1.0, gt=0, le=10)
    """Scales the timeouts of RFC 5321 §4.5.3.2 (greeting 5 min, MAIL 5, RCPT 5, DATA 2, block 3, final dot 10)."""
    retry_minutes: list[int] = Field(default_factory=lambda: [30, 30, 120, 180], min_length=1)
    """Wait after each failed try (4yz) of a letter; the last repeats. RFC 5321 §4.5.4.1: at least 30 minutes."""
    urgent_retry_minutes: list[int] = Field(default_factory=lambda: [1, 2, 5, 10, 15], min_length=1)
    """The same for escalations, which are worth trying faster."""
    give_up_hours: int = Field(108, ge=1)
    """When a letter is given up: 4.5 days, RFC 5321 §4.5.4.1."""
    urgent_give_up_hours: int = Field(4, ge=1)
    """The same for escalations."""

    @model_validator(mode="after")
    def _no_password_in_clear(self) -> Mail:
        if self.security == "plain" and (self.username or self.password_file):
            raise ValueError(
                "mail.security is plain: remove username and password_file, or choose starttls or implicit"
            )
        return self


class Letters(_Section):
    """What is sent and when."""

    weekday: int = Field(1, ge=1, le=7)
    """ISO weekday of the weekly letter: 1 is Monday."""
    at: time = time(7, 0)
    """Local time of the weekly letter, in the reader's zone."""
    templates: Path | None = None
    """A folder whose templates take the place of the shipped ones of the same name."""


class Calendars(_Section):
    """The feed."""

    refresh_hours: int = Field(6, ge=1, le=168)
    """How often subscribers are asked to look again (RFC 7986 REFRESH-INTERVAL); they decide for themselves."""
    color: Color = "teal"
    """A CSS3 colour name (RFC 7986 §5.9)."""


class Rota(_Section):
    """Who is on call when, besides the table `rota` of the register; a row of the table beats the file for its time."""

    file: Path | None = None
    """An iCalendar file (.ics) with the shifts. Empty or not set: the table alone.

    Each event is a shift: of its attendees, by their e-mail addresses; else of whoever the title names by code,
    name or address, alone ("P7"), after a colon ("On call: P7") or with others ("P7 / P9")."""

    @field_validator("file", mode="before")
    @classmethod
    def _none_named(cls, value: Any) -> Any:
        return None if value == "" else value

    horizon_days: int = Field(30, ge=14, le=366)
    """How many days ahead `rota` shows and `verify` looks for gaps. A gap within 14 days is also told every day."""


class Settings(BaseSettings):
    """All of it."""

    model_config = SettingsConfigDict(extra="forbid", hide_input_in_errors=True, use_attribute_docstrings=True)

    key_file: Path = Path("nightround.key")
    """File (mode 0600) with the secret that signs links and sessions; written by `setup`."""
    database: Database = Database()
    fleet: Fleet = Fleet()
    rounds: Rounds = Rounds()
    watch: Watch = Watch()
    rules: Rules = Rules()
    web: Web = Web()
    mail: Mail = Mail()
    letters: Letters = Letters()
    cases: Cases = Cases()
    calendars: Calendars = Calendars()
    rota: Rota = Rota()

    folder: Path = Path()
    """Where relative paths start: the settings file's folder. Set by `load`, not by hand."""

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        return (_Environment(settings_cls), init_settings)

    def path(self, value: Path) -> Path:
        """A path from the settings, from the settings file's folder."""
        return value if value.is_absolute() else self.folder / value

    def secret(self) -> bytes:
        """The signing secret. Raises UserError where the file is missing or too short."""
        return _read_secret(self.path(self.key_file), "key_file", 32)

    def mail_password(self) -> str:
        """The SMTP password, or "" where none is set."""
        if self.mail.password_file is None:
            return ""
        return _read_password(self.path(self.mail.password_file), "mail.password_file")

    def metrics_token(self) -> str:
        """The token that opens /metrics from afar, or "" where none is set."""
        if self.web.metrics_token_file is None:
            return ""
        return _read_secret(self.path(self.web.metrics_token_file), "web.metrics_token_file", 16).decode("utf-8")

    def database_url(self) -> str:
        """The database's URL, with the file made absolute and the password filled in."""
        from sqlalchemy import make_url

        from .store.database import normal_url

        url = normal_url(self.database.url)
        if url.get_backend_name() == "sqlite" and url.database and url.database != ":memory:":
            return str(url.set(database=str(self.path(Path(url.database)).resolve())))
        if self.database.password_file is not None:
            url = url.set(password=_read_password(self.path(self.database.password_file), "database.password_file"))
        return make_url(url).render_as_string(hide_password=False)


class _Environment(PydanticBaseSettingsSource):
    """`NIGHTROUND_SECTION_KEY` and `NIGHTROUND_SECTION__KEY`; section names hold no underscore, keys may."""

    def get_field_value(self, field: Any, field_name: str) -> tuple[Any, str, bool]:
        raise NotImplementedError  # pydantic asks for it; __call__ does all the work

    def __call__(self) -> dict[str, Any]:
        import json

        found: dict[str, Any] = {}
        fields = self.settings_cls.model_fields
        for name, value in sorted(os.environ.items()):
            if not name.startswith(PREFIX) or name[len(PREFIX) :] in NOT_SETTINGS:
                continue
            key = name[len(PREFIX) :].lower()
            if key in fields:
                found[key] = value
                continue
            section, _, rest = key.partition("_")
            rest = rest.lstrip("_")
            if section not in fields or not rest:
                raise UserError(
                    f"environment variable {name} is not a setting; see the list in settings.py or the manual"
                )
            listed = value.lstrip().startswith(("[", "{"))
            try:
                found.setdefault(section, {})[rest] = json.loads(value) if listed else value
            except (json.JSONDecodeError, RecursionError) as error:
                raise UserError(f"environment variable {name}: the list cannot be read; write it as JSON") from error
        return found


_LONGEST_SECRET = 64_000  # bytes


def _read_secret(path: Path, key: str, least: int) -> bytes:
    try:
        secret = files.read_bytes(path, _LONGEST_SECRET).strip()
    except files.Unfit as unfit:
        raise UserError(f"{key}: the file {path} {unfit}") from None
    except OSError as error:
        raise UserError(
            f"{key}: the file {path} cannot be read ({error.strerror}); make it or correct the setting"
        ) from None
    if len(secret) < least:
        raise UserError(f"{key}: the file {path} holds fewer than {least} bytes; write a longer secret")
    return secret


def _read_password(path: Path, key: str) -> str:
    try:
        return _read_secret(path, key, 1).decode("utf-8")
    except UnicodeDecodeError:
        raise UserError(f"{key}: the file {path} is not text in UTF-8; write the password alone into it") from None


def find(explicit: str | None = None) -> Path | None:
    """The settings file: the one named, else `$NIGHTROUND_CONFIG`, `./nightround.toml`, `/etc/nightround/…`.

    Raises UserError where a named file is missing; gives None where no file was named and none lies there.
    """
    named = explicit or os.environ.get(PREFIX + "CONFIG")
    if named:
        path = Path(named)
        if not path.exists():
            raise UserError(f"settings file {named} does not exist; make one with: nightround setup DIR")
        return path
    for path in (Path("nightround.toml"), Path("/etc/nightround/nightround.toml")):
        if path.is_file():
            return path
    return None


def load(path: Path | None) -> Settings:
    """Reads the settings. Every problem is one UserError that names the keys; no value is ever shown."""
    given: dict[str, Any] = {}
    if path is not None:
        try:
            given = files.toml(files.read_bytes(path).decode("utf-8"))
        except files.Unfit as unfit:
            raise UserError(f"settings file {path} {unfit}") from None
        except (OSError, UnicodeDecodeError) as error:
            raise UserError(f"settings file {path} cannot be read: {type(error).__name__}") from None
        except tomllib.TOMLDecodeError as error:
            raise UserError(f"settings file {path} is not TOML: {error}") from None
        if "folder" in given:
            raise UserError(f"settings file {path}: 'folder' is not a setting; take it out")
    folder = path.resolve().parent if path is not None else Path.cwd()
    try:
        return Settings(**given, folder=folder)
    except ValidationError as error:
        # Only place and message: errors() carries the input, which may be a secret.
        lines = [
            f"{'.'.join(str(part) for part in item['loc']) or 'settings'}: {item['msg']}"
            for item in error.errors(include_url=False, include_context=False, include_input=False)
        ]
        where = str(path) if path is not None else "settings"
        raise UserError(f"{where}: " + "; ".join(lines)) from None
