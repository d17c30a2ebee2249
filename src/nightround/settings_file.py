"""Writes the commented settings file: every key with its documentation and default, taken from `settings.py` itself.

The words come from the docstrings of the fields, so that the file can never say something else than the program.
"""

from __future__ import annotations

import json
import textwrap
import tomllib
from collections.abc import Iterator, Mapping
from datetime import date, datetime, time
from pathlib import Path
from types import NoneType
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from . import files
from .errors import UserError
from .settings import PREFIX, Settings

_HEAD = f"""\
Settings of nightround. Each key is shown with its default: take away the "# " before it to change it.
The environment is stronger than this file: {PREFIX}MAIL_HOST sets host under [mail].
A key that ends in _file names a file; secrets are kept in such files, never here.
Relative paths start at the folder of this file."""

_NOT_WRITTEN = {"folder"}


def settings_file(chosen: Mapping[str, str]) -> str:
    """The text of a settings file in which the chosen keys (`section.key` → value as TOML or bare text) are set.

    Raises UserError for a key that is no setting. Values are checked by reading the file, not here.
    """
    left = dict(chosen)
    lines = [*_comment(_HEAD), ""]
    sections: list[tuple[str, FieldInfo, type[BaseModel]]] = []
    for name, field in Settings.model_fields.items():
        kind = field.annotation
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            sections.append((name, field, kind))
        elif name not in _NOT_WRITTEN:
            lines += [*_key(name, field, left.pop(name, None)), ""]
    for name, _, kind in sections:
        lines += [f"[{name}]", *_comment((kind.__doc__ or "").strip()), ""]
        for key, field in kind.model_fields.items():
            lines += [*_key(key, field, left.pop(f"{name}.{key}", None)), ""]
    if left:
        key = next(iter(left))
        raise UserError(f"{key} is not a setting; the settings file that `setup` writes lists them all")
    return "\n".join(lines)


def _key(name: str, field: FieldInfo, chosen: str | None) -> Iterator[str]:
    yield from _comment(field.description or "")
    if chosen is not None:
        yield f"{name} = {toml(_read(chosen))}"
        return
    default = field.get_default(call_default_factory=True)
    if isinstance(default, list) and default and isinstance(default[0], BaseModel):
        # One inline table a line; TOML allows line breaks between the items of a list only.
        yield f"# {name} = ["
        yield from (f"#   {toml(item)}," for item in default)
        yield "# ]"
    elif default is None:
        yield f'# {name} = "{_placeholder(name, field)}"  # not set'
    else:
        yield f"# {name} = {toml(default)}"


def _placeholder(name: str, field: FieldInfo) -> str:
    if Path in get_args(field.annotation) and NoneType in get_args(field.annotation):
        return "FILE" if name == "file" or name.endswith("_file") else "FOLDER"
    return "VALUE"


def _comment(text: str) -> Iterator[str]:
    for paragraph in text.split("\n"):
        for line in textwrap.wrap(paragraph, 110, break_on_hyphens=False, break_long_words=False):
            yield f"# {line}"


def _read(text: str) -> Any:
    """A value given on the command line: TOML where it is TOML, otherwise the text itself."""
    try:
        return files.toml(f"value = {text}")["value"]
    except files.Unfit as unfit:
        raise UserError(f"the value {text[:40]!r} {unfit}") from None
    except tomllib.TOMLDecodeError:
        return text


def toml(value: Any) -> str:
    """One value as TOML writes it."""
    if isinstance(value, BaseModel):
        pairs = value.model_dump(exclude_defaults=True)
        return "{" + ", ".join(f"{key} = {toml(getattr(value, key))}" for key in pairs) + "}"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{key} = {toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml(item) for item in value) + "]"
    if isinstance(value, time):
        return f'"{value:%H:%M}"' if value.second == 0 else f'"{value:%H:%M:%S}"'
    if isinstance(value, date | datetime):
        return value.isoformat()
    # JSON's strings are TOML's basic strings, but for DEL, which TOML wants escaped.
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
