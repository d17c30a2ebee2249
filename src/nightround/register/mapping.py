"""Reads a mapping file: what the headings of somebody's own table mean. It overrides every synonym and layout.

The file is TOML; each part may be left out:

    layout = "none"                  # a layout of `layouts` by its name, or "none": never read as open data
    source = "north-depot"           # begins the unit codes of open data that has no area code

    [sheets]                         # sheet or CSV file → table
    "Tabelle1" = "units"
    "Planning" = ""                  # not to be read

    [constants]                      # what holds for every row and stands in no column
    "sites.country" = "DE"
    "sites.time_zone" = "Europe/Berlin"

    [units]                          # heading → field, for the sheets of one table
    "Inv.-Nr." = "unit"
    "Gebäude" = "sites.name"         # in a units sheet, also what is known of the site …
    "Pads bis" = "parts.pads-adult.label_date"      # … and of the parts in the unit
    "Schlüsselkasten" = "notes+"     # kept in the notes, behind its heading
    "Farbe" = ""                     # not wanted, and not to be remarked on
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from .. import files
from ..errors import UserError
from .cells import Refused
from .days import Days
from .fields import FIELDS, converter
from .found import TABLES, Value
from .headings import normal
from .vocabulary import KINDS

NOTES_TOO = "notes+"
_PART_FIELDS = ("lot", "label_date", "fitted_on", "udi", "cost")


@dataclass(slots=True)
class Mapping:
    """`layout`: None where it is to be found by the headings, "" for none. `constants`: table → field → value."""

    layout: str | None = None
    source: str = ""
    sheets: dict[str, str] = field(default_factory=dict)
    constants: dict[str, dict[str, Value]] = field(default_factory=dict)
    headings: dict[str, dict[str, str]] = field(default_factory=dict)


def read_mapping(path: Path | None, layouts: tuple[str, ...]) -> Mapping:
    """The mapping of a file, or an empty one. Raises UserError, naming every key that is wrong."""
    if path is None:
        return Mapping()
    try:
        given = files.toml(files.read_bytes(path).decode("utf-8-sig"))
    except files.Unfit as unfit:
        raise UserError(f"mapping {path.name} {unfit}") from None
    except OSError as error:
        raise UserError(f"mapping {path} cannot be read ({error.strerror}); give the path of a TOML file") from None
    except UnicodeDecodeError:
        raise UserError(f"mapping {path.name} is not UTF-8 text; save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"mapping {path.name} is not TOML: {error}; correct that place") from None
    wrong: list[str] = []
    mapping = Mapping()
    for key, value in given.items():
        if key in ("layout", "source"):
            _word(mapping, key, value, layouts, wrong)
        elif key in ("sheets", "constants", *TABLES):
            _table(mapping, key, value, wrong)
        else:
            wrong.append(f"key {key} is not known; use layout, source, sheets, constants or a table")
    if wrong:
        raise UserError(f"mapping {path.name}: " + "; ".join(wrong))
    return mapping


def is_target(table: str, target: str) -> bool:
    """Whether a heading of that table's sheets can mean this."""
    if target in FIELDS[table]:
        return True
    if table != "units":
        return False
    if target == NOTES_TOO:
        return True
    room, _, rest = target.partition(".")
    if room == "sites":
        return rest in FIELDS["sites"] and rest != "site"
    kind, _, name = rest.partition(".")
    return room == "parts" and (kind in KINDS or kind.startswith("kit-")) and name in _PART_FIELDS


def _word(mapping: Mapping, key: str, value: object, layouts: tuple[str, ...], wrong: list[str]) -> None:
    if not isinstance(value, str):
        wrong.append(f'key {key} is not a text; write it between "quotes"')
    elif key == "source":
        mapping.source = value.strip()
    elif value in layouts:
        mapping.layout = value
    elif value == "none":
        mapping.layout = ""
    else:
        wrong.append(f"layout {value!r} is not known; use one of: none, {', '.join(layouts)}")


def _table(mapping: Mapping, key: str, value: object, wrong: list[str]) -> None:
    if not isinstance(value, dict) or not all(isinstance(item, str) for item in value.values()):
        wrong.append(f'[{key}] holds "heading" = "field" lines only')
        return
    for name, target in value.items():
        if key == "sheets":
            if target and target not in TABLES:
                wrong.append(f"[sheets] {name}: {target!r} is no table; use one of: {', '.join(TABLES)}")
            mapping.sheets[normal(name)] = target
        elif key == "constants":
            _constant(mapping, name, target, wrong)
        elif target and not is_target(key, target):
            wrong.append(f"[{key}] {name}: {target!r} is no field; use one of: {', '.join(FIELDS[key])}")
        else:
            mapping.headings.setdefault(key, {})[normal(name)] = target


def _constant(mapping: Mapping, name: str, text: str, wrong: list[str]) -> None:
    table, _, field_name = name.partition(".")
    if table not in FIELDS or field_name not in FIELDS[table]:
        wrong.append(f'[constants] {name} is no field; write a table and a field, such as "sites.country"')
        return
    if not text.strip():
        wrong.append(f"[constants] {name} is empty; write a value, or take the line out")
        return
    try:
        value = converter(FIELDS[table][field_name], Days("iso"))(text)
    except Refused as refused:
        wrong.append(f"[constants] {name}: {text!r} {refused}")
        return
    mapping.constants.setdefault(table, {})[field_name] = value
