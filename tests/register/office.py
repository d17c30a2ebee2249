"""An installation whose commands are run as a person would, in this process and by a standing clock."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from nightround import cli
from nightround.store.database import Store
from tests.conftest import Clock


@dataclass(frozen=True)
class Answer:
    """What a command answered."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        return json.loads(self.out)

    def problems(self) -> list[tuple[str, int, str, str]]:
        """File or sheet, row, column and cure of each problem."""
        found = self.document["problems"]
        return [(one["sheet"] or one["file"], one["row"], one["column"], one["cure"]) for one in found]

    def changes(self) -> list[tuple[str, str, str, str]]:
        """Which, field, old and new of each change."""
        return [(one["key"], one["field"], one["old"], one["new"]) for one in self.document["changes"]]

    def missing(self) -> list[str]:
        return [f"{one['table']}: {one['key']}" for one in self.document["missing"]]

    def counts(self, table: str) -> tuple[int, int, int, int]:
        """Added, changed, unchanged, missing."""
        counts = self.document["tables"].get(table, {"added": 0, "changed": 0, "unchanged": 0, "missing": 0})
        return counts["added"], counts["changed"], counts["unchanged"], counts["missing"]


@dataclass(frozen=True)
class Office:
    """Runs commands, and looks into the database past them."""

    folder: Path
    store: Store
    capsys: pytest.CaptureFixture[str]
    clock: Clock

    def run(self, *arguments: object) -> Answer:
        """One command with --json."""
        return self._run(["--json", *map(str, arguments)])

    def say(self, *arguments: object) -> Answer:
        """One command as a person sees it, piped."""
        return self._run([str(argument) for argument in arguments])

    def bring(self, folder: Path, *options: str) -> Answer:
        """Imports a file or folder, which must be without problems."""
        answer = self.run("import", folder, *options)
        assert answer.status == 0, answer.out + answer.err
        return answer

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        with self.store.read() as conn:
            return [tuple(row) for row in conn.execute(text(query))]

    def everything(self) -> dict[str, list[tuple[Any, ...]]]:
        """Every row of the register, the log and the fleet's version."""
        tables = (
            "fleet",
            "sites",
            "units",
            "parts",
            "people",
            "person_roles",
            "person_sites",
            "training",
            "log",
            "rota",
            "absences",
            "closures",
        )
        return {table: sorted(self.rows(f"SELECT * FROM {table}"), key=str) for table in tables}

    def _run(self, arguments: Sequence[str]) -> Answer:
        self.capsys.readouterr()
        status = cli.run(arguments, clock=self.clock)
        captured = self.capsys.readouterr()
        return Answer(status, captured.out, captured.err)


def open_office(
    folder: Path,
    url: str,
    store: Store,
    clock: Clock,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> Office:
    """Settings on the database, and commands that go by the clock."""
    config = folder / "nightround.toml"
    config.write_text(f'[database]\nurl = "{url}"\n[mail]\nsecurity = "plain"\n', encoding="utf-8")
    monkeypatch.setenv("NIGHTROUND_CONFIG", str(config))
    return Office(folder, store, capsys, clock)


def write(folder: Path, **tables: str) -> Path:
    """A folder of CSV files: each table as lines of text, blanks around the cells for reading."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.csv"):
        old.unlink()
    for table, lines in tables.items():
        told = [",".join(cell.strip() for cell in line.split("|")) for line in lines.strip().splitlines()]
        (folder / f"{table}.csv").write_text("\n".join(told) + "\n", encoding="utf-8")
    return folder
