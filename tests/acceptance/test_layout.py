"""The layout holds: rooms import in one direction, nobody reads the clock by himself, the top level stays as it is."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import click
import pytest

import nightround
from nightround import cli

TOP = Path(__file__).parents[2]
SOURCE = Path(nightround.__file__).parent

BASE = {
    "errors", "files", "settings", "bootstrap", "resources", "colors", "addresses", "settings_cases", "waits",
    "masking", "emergency",
}  # fmt: skip
FACTS = {"reckoning", "store"}
# Who may import whom. A name is a folder or a module right under the package. `reckoning` imports nothing of ours.
MAY: dict[str, set[str]] = {
    "errors": set(),
    "files": set(),
    "resources": set(),
    "addresses": set(),
    "logs": {"masking"},
    "masking": {"errors", "settings"},
    "colors": {"errors"},
    "reckoning": set(),
    "store": {"reckoning", "errors", "files"},
    "waits": set(),
    "settings_section": set(),
    "settings_cases": {"waits", "settings_section"},
    "settings": {"errors", "files", "store", "colors", "settings_cases", "settings_section"},
    "settings_file": {"errors", "files", "settings"},
    "emergency": {"resources", "settings"},
    "bootstrap": {"errors", "settings", "store"},
    "installation": {"errors", "settings", "settings_file", "store"},
    "demo": {"errors"},
    "register": BASE | FACTS,
    "rounds": BASE | FACTS | {"register"},
    "cases": BASE | FACTS | {"register", "rounds"},
    "letters": BASE | FACTS | {"register", "rounds", "cases"},
    "calendars": BASE | FACTS | {"register", "rounds", "cases", "letters"},
    "labels": BASE | FACTS | {"letters"},
}
# These stand at the edge and import everything but what stands further out, which is what comes later here.
EDGE = ("rehearsal", "pages", "connections", "daemon", "commands", "cli", "__main__")


def _modules() -> list[Path]:
    return sorted(SOURCE.rglob("*.py"))


@cache
def _tree(file: Path) -> ast.Module:
    return ast.parse(file.read_text("utf-8"))


def _room(file: Path) -> str:
    first = file.relative_to(SOURCE).parts[0]
    return first.removesuffix(".py")


def _imported(file: Path) -> Iterator[tuple[int, str]]:
    """Line and room of each import of ours, the lazy ones within functions too."""
    package = list(file.relative_to(SOURCE).parts[:-1])
    for node in ast.walk(_tree(file)):
        if isinstance(node, ast.Import):
            for name in node.names:
                if name.name.split(".")[0] == "nightround":
                    yield node.lineno, [*name.name.split("."), ""][1]
        elif isinstance(node, ast.ImportFrom):
            parts = (node.module or "").split(".") if node.module else []
            if node.level == 0:
                if parts[0] != "nightround":
                    continue
                parts = parts[1:]
            else:
                parts = package[: len(package) - (node.level - 1)] + parts
            for name in node.names:
                yield node.lineno, parts[0] if parts else name.name


def test_rooms_import_in_one_direction() -> None:
    wrong = [
        f"{file.relative_to(SOURCE)}:{line}: {_room(file)} imports {other}"
        for file in _modules()
        for line, other in _imported(file)
        if other != _room(file) and (_room(file) == "__init__" or not _may(_room(file), other))
    ]
    assert not wrong, "\n".join(wrong)


def _may(room: str, other: str) -> bool:
    if other == "__version__":
        return True
    if room in MAY:
        return other in MAY[room]
    if room in EDGE:
        return other not in EDGE or EDGE.index(other) < EDGE.index(room)
    return other not in EDGE  # what ties rooms together, such as one look round


def test_every_room_is_known_to_this_test() -> None:
    tying = {"sweeping", "sending"}
    assert {_room(file) for file in _modules()} - {"__init__"} - tying <= set(MAY) | set(EDGE)


def test_only_the_bootstrap_reads_the_clock() -> None:
    told = [f"{file.relative_to(SOURCE)}:{line}" for file in _modules() for line in _clock_readings(file)]
    assert [where.split(":")[0] for where in told] == ["bootstrap.py"], "\n".join(told)


def _clock_readings(file: Path) -> Iterator[str]:
    """Line and text of whatever tells the time in a module, or has the database tell it."""
    for node in ast.walk(_tree(file)):
        if isinstance(node, ast.Attribute) and node.attr in ("now", "utcnow", "today"):
            whose = ast.unparse(node.value)
            if whose.split(".")[-1] in ("datetime", "date", "dt", "func", "arrow", "pendulum"):
                yield f"{node.lineno}: {whose}.{node.attr}"
        if isinstance(node, ast.Attribute) and ast.unparse(node) in ("time.time", "time.sleep", "time.localtime"):
            yield f"{node.lineno}: {ast.unparse(node)}"
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and _is_sql(node.value):
            yield f"{node.lineno}: {node.value[:60]}"


def _is_sql(text: str) -> bool:
    return bool(re.search(r"\b(CURRENT_(DATE|TIME|TIMESTAMP)|now\s*\(\s*\))", text)) and " " in text


def test_every_module_says_first_what_it_is_for() -> None:
    silent = [
        str(file.relative_to(SOURCE)) for file in _modules() if _tree(file).body and not ast.get_docstring(_tree(file))
    ]
    assert not silent


def test_the_top_level_holds_what_it_should_and_nothing_else() -> None:
    made_here = {"try", "dist", "build"}  # git-ignored
    found = {path.name for path in TOP.iterdir() if not path.name.startswith(".")} - made_here
    assert {name for name in found if not name.endswith(".egg-info")} == {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "src", "config", "tests", "deploy"
    }  # fmt: skip


@pytest.mark.parametrize("name", sorted(cli._WHERE))
def test_every_command_is_there_and_explains_itself(name: str) -> None:
    command = cli.cli.get_command(click.Context(cli.cli), name)
    assert command is not None
    assert command.name == name
    assert command.help
