"""Makes a new installation: a commented settings file, a key and an empty database. Never overwrites anything.

Everything is made beside the place where it shall lie and put there when it is whole; what cannot be finished is
taken away again.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import make_url

from .errors import UserError
from .settings import Settings, load
from .settings_file import settings_file
from .store import schema
from .store.database import open_store
from .store.workshop import workshop

SETTINGS = "nightround.toml"
KEY = "nightround.key"


@dataclass(frozen=True, slots=True)
class Installed:
    """What was made. `database` is the URL without a password."""

    folder: Path
    settings: Path
    key: Path
    database: str
    schema: str


def install(folder: Path, chosen: Mapping[str, str], now: datetime) -> Installed:
    """Makes the installation in `folder`, which is made too where it does not exist.

    Raises UserError where a file of it already exists there, where a chosen key or value is no setting, and where
    the database that is named already holds something.
    """
    folder = folder.resolve()  # settings give their paths so, and a key found under another spelling would not be ours
    _refuse_what_is_there(folder, SETTINGS, KEY)
    with _workshop(folder) as bench:
        (bench / SETTINGS).write_text(settings_file(chosen), encoding="utf-8")
        settings = load(bench / SETTINGS)
        key = settings.path(settings.key_file)
        if key == bench / KEY:
            _write_key(key)
        settings.secret()
        url = make_url(settings.database_url())
        file = Path(url.database or "") if url.get_backend_name() == "sqlite" else None
        if file is not None and file.parent == bench.resolve():
            _found(settings, now)
            file.chmod(0o600)
            _move(bench, folder)
        else:
            _move_and_found(bench, folder, settings, now, file)
    settings = load(folder / SETTINGS)
    return Installed(
        folder,
        folder / SETTINGS,
        settings.path(settings.key_file),
        make_url(settings.database_url()).render_as_string(hide_password=True),
        schema.newest(),
    )


def _refuse_what_is_there(folder: Path, *names: str) -> None:
    if folder.exists() and not folder.is_dir():
        raise UserError(f"{folder} is a file; name a folder")
    for name in names:
        if os.path.lexists(folder / name):
            raise UserError(f"{folder / name} already exists and is left as it is; choose another folder")


@contextmanager
def _workshop(folder: Path) -> Iterator[Path]:
    """A folder on the same file system, gone at the end whatever happens."""
    beside = folder if folder.is_dir() else folder.parent
    try:
        beside.mkdir(parents=True, exist_ok=True)
        made = ExitStack()
        bench = made.enter_context(workshop(beside))
    except OSError as error:
        raise UserError(f"{beside} cannot be written to ({error.strerror}); choose another folder") from error
    try:
        yield bench
    finally:
        made.close()


def _write_key(file: Path) -> None:
    handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="ascii") as out:
        out.write(secrets.token_urlsafe(48) + "\n")


def _found(settings: Settings, now: datetime) -> None:
    """Migrates the database to the newest schema; it must be empty."""
    store = open_store(settings.database_url())
    try:
        if schema.current(store) is not None:
            shown = make_url(settings.database_url()).render_as_string(hide_password=True)
            raise UserError(f"the database {shown} already holds a fleet and is left as it is; name an empty one")
        schema.migrate(store, now)
    finally:
        store.close()


def _move(bench: Path, folder: Path) -> list[Path]:
    """Puts every file of the bench into the folder and gives where they are now."""
    names = sorted(file.name for file in bench.iterdir())
    if not folder.exists():
        bench.rename(folder)
        return [folder / name for name in names]
    moved: list[Path] = []
    try:
        for name in names:
            _refuse_what_is_there(folder, name)
            moved.append((bench / name).rename(folder / name))
    except BaseException:
        _take_away(moved, None)
        raise
    return moved


def _move_and_found(bench: Path, folder: Path, settings: Settings, now: datetime, file: Path | None) -> None:
    """For a database that lies elsewhere: the files first, then the database, or neither."""
    if file is not None and file.is_relative_to(bench.resolve()):
        file = folder / file.relative_to(bench.resolve())
        file.parent.mkdir(parents=True, exist_ok=True)
    if file is not None and file.exists():
        raise UserError(f"{file} already exists and is left as it is; name another database")
    made = not folder.exists()
    moved = _move(bench, folder)
    try:
        _found(load(folder / SETTINGS), now)
        if file is not None:
            file.chmod(0o600)
    except BaseException:
        _take_away([*moved, *([file] if file is not None and file.exists() else [])], folder if made else None)
        raise


def _take_away(files: list[Path], folder: Path | None) -> None:
    for file in files:
        file.unlink(missing_ok=True)
    if folder is not None and folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()
