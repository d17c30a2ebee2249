"""Folders in which a file is made beside its place before it gets its name; what a killed maker leaves is swept.

Whoever works in such a folder holds it locked. The lock ends with its process, however that ends, so that what lies
unlocked is nobody's: it may name people, and is taken away by whoever comes next.
"""

from __future__ import annotations

import fcntl
import logging
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

logger = logging.getLogger("nightround.store.workshop")

PREFIX = ".nightround-work-"
# Folders of earlier versions were not locked; these held copies of the register.
_EARLIER = ".nightround-"
_OF_EARLIER = ("copy.db", "newer.db")


@contextmanager
def workshop(beside: Path) -> Iterator[Path]:
    """A folder on the same file system, gone at the end whatever happens. What others left there is swept first.

    Raises OSError where none can be made.
    """
    sweep(beside)
    folder, lock = _made(beside)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        os.close(lock)


def sweep(beside: Path) -> int:
    """Takes away the folders there in which nobody works any more, and says how many.

    Those that cannot be looked into or taken away are left, as is everything that is not ours.
    """
    try:
        found = sorted(path for path in beside.iterdir() if path.name.startswith(_EARLIER) and _ours(path))
    except OSError:
        return 0
    swept = sum(map(_swept, found))
    if swept:
        logger.warning("what a killed copy left was removed", extra={"folder": str(beside), "count": swept})
    return swept


def to_disk(file: Path) -> None:
    """Returns once the file's content is on the disk."""
    handle = os.open(file, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def put_there(made: Path, place: Path) -> None:
    """Gives a finished file its place, for good: whole and under its name after a power cut too."""
    to_disk(made)
    made.rename(place)
    to_disk(place.absolute().parent)


def _ours(folder: Path) -> bool:
    if folder.is_symlink() or not folder.is_dir():
        return False
    return folder.name.startswith(PREFIX) or any((folder / name).is_file() for name in _OF_EARLIER)


def _made(beside: Path) -> tuple[Path, int]:
    """A new folder and the lock on it."""
    while True:
        folder = Path(tempfile.mkdtemp(prefix=PREFIX, dir=beside))
        try:
            lock = os.open(folder, os.O_RDONLY)
        except FileNotFoundError:
            continue  # swept by another before it was locked
        try:
            fcntl.flock(lock, fcntl.LOCK_EX)
        except OSError:
            return folder, lock  # a file system without locks: nobody can sweep there either
        if folder.is_dir():
            return folder, lock
        os.close(lock)


def _swept(folder: Path) -> bool:
    try:
        lock = os.open(folder, os.O_RDONLY)
    except OSError:
        return False
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    else:
        shutil.rmtree(folder, ignore_errors=True)
        return not folder.exists()
    finally:
        os.close(lock)
