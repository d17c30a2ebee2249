"""Reads files that people name: real files only, no larger than said, and TOML no deeper than a person writes it.

A device, a pipe, or a file that grows while it is read never holds the program up or fills the memory.
"""

from __future__ import annotations

import os
import stat
import tomllib
from pathlib import Path
from typing import Any

MOST_TOML = 1_000_000  # bytes
_MOST_DOTS = 500  # in one line of TOML: the work of a dotted key grows with the square of its parts
_DEEPEST = 20  # tables and lists within each other


class Unfit(Exception):
    """Why a file will not do, as the end of a sentence that begins with its name; the cure is in it."""


def check_is_file(path: Path) -> None:
    """Raises Unfit where the path leads to anything but a file, OSError where it leads nowhere."""
    mode = path.stat().st_mode
    if stat.S_ISDIR(mode):
        raise Unfit("is a folder; name the file in it")
    if not stat.S_ISREG(mode):
        raise Unfit(f"is {'a pipe' if stat.S_ISFIFO(mode) else 'a device'} and no file; name a file")


def read_bytes(path: Path, most: int = MOST_TOML) -> bytes:
    """The whole file. Raises Unfit where it is no file or holds more than `most` bytes, else OSError."""
    check_is_file(path)
    # Should it have become a pipe meanwhile, opening it does not wait for a writer.
    with os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC), "rb") as file:
        body = file.read(most + 1) or b""
    if len(body) > most:
        size = f"{most // 1_000_000} MB" if most >= 1_000_000 else f"{most // 1000} kB"
        raise Unfit(f"holds more than {size}, which are the most; is this the file you meant?")
    return body


def toml(text: str) -> dict[str, Any]:
    """What a TOML document says. Raises tomllib.TOMLDecodeError where it is none, Unfit where it is too deep or holds
    a number beyond all bounds."""
    too_deep = Unfit(f"has tables or lists in each other more than {_DEEPEST} deep; write it flatter")
    if any(line.count(".") > _MOST_DOTS for line in text.split("\n")):
        raise too_deep
    try:
        found = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError:
        raise too_deep from None
    except ValueError as error:  # a whole number of thousands of digits
        raise Unfit(f"holds a value that cannot be ({error}); correct it") from None
    level: list[Any] = [found]
    for _ in range(_DEEPEST):
        level = [inner for one in level for inner in (one.values() if isinstance(one, dict) else one)]
        level = [one for one in level if isinstance(one, dict | list)]
    if level:
        raise too_deep
    return found
