"""What the demo fleet owes on four dates, line by line, against files that were reviewed by reading.

The fleet is invented for 2026-11-25 with seed 1. The dates are that day, the last day of the year, the Sunday on which
Europe's clocks go forward (Easter, too), and a leap day. A difference is either a mistake or a change of rules that
somebody has to read line by line: `python -m tests.acceptance.test_golden_duties` writes the files anew.
"""

from __future__ import annotations

import itertools
import tempfile
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from nightround.bootstrap import Program
from nightround.demo.fleet import write_fleet
from nightround.register.importing import import_file
from nightround.rounds.asking import Wanted, duties_on
from nightround.rounds.rulebook import load as load_rulebook
from nightround.settings import load
from nightround.store.database import open_store
from nightround.store.schema import migrate

MADE_FOR = date(2026, 11, 25)
DATES = (MADE_FOR, date(2026, 12, 31), date(2027, 3, 28), date(2028, 2, 29))
FOLDER = Path(__file__).parent / "golden"
NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def found(folder: Path, url: str) -> dict[date, list[str]]:
    """The lines of each date, from a fleet that is imported into that (migrated) database."""
    (folder / "nightround.key").write_bytes(b"k" * 43)
    (folder / "nightround.toml").write_text('[fleet]\ntime_zone = "Europe/Berlin"\n', "utf-8")
    settings = load(folder / "nightround.toml")
    write_fleet(folder / "files", 60, 1, MADE_FOR, lambda done, total: None)
    program = Program(settings, open_store(url), lambda: NOW)
    import_file(program, folder / "files")
    book = load_rulebook(settings)
    with program.store.read() as conn:
        lines = {day: [_line(duty) for duty in duties_on(conn, book, day, Wanted(), settings)] for day in DATES}
    program.store.close()
    return lines


def _line(duty: dict[str, Any]) -> str:
    """Who owes what, its dates and the rule that decides: what a coordinator would check by hand."""
    winner = duty["because"][0]
    cells = [
        duty["unit"] or duty.get("person") or duty["site"],
        duty["subject"],
        duty["standing"],
        f"opens {duty['opens']}" if duty["opens"] else "",
        f"order by {duty['order_by']}" if duty["order_by"] else "",
        f"good to {duty['last_good_day']}" if duty["last_good_day"] else "no date",
        f"until {duty['deadline']}" if duty["deadline"] else "",
        f"by {winner['rule']}: {winner['evidence']}",
    ]
    return " | ".join(str(cell) for cell in cells if cell)


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> dict[date, list[str]]:
    folder = tmp_path_factory.mktemp("golden")
    url = f"sqlite:///{folder / 'nightround.db'}"
    store = open_store(url)
    migrate(store, NOW)
    store.close()
    return found(folder, url)


@pytest.mark.parametrize("day", DATES, ids=str)
def test_the_demo_fleet_owes_what_was_read_and_found_right(lines: dict[date, list[str]], day: date) -> None:
    assert lines[day] == (FOLDER / f"{day}.txt").read_text("utf-8").splitlines()


def test_postgresql_gives_the_same_lines(lines: dict[date, list[str]], tmp_path: Path, database_of: Any) -> None:
    assert found(tmp_path, database_of("postgresql")) == lines


def test_from_date_to_date_nothing_that_is_overdue_comes_right_by_itself(lines: dict[date, list[str]]) -> None:
    """Time alone mends nothing: what is overdue on one date is overdue on each later one, with the same last day."""
    for earlier, later in itertools.pairwise(DATES):
        after = set(lines[later])
        for line in lines[earlier]:
            if " | overdue | " in line:
                assert line in after, f"{line} is not so on {later}"


def main() -> None:
    """Writes the files anew, to be read before they are kept."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        url = f"sqlite:///{folder / 'nightround.db'}"
        store = open_store(url)
        migrate(store, NOW)
        store.close()
        for day, listed in found(folder, url).items():
            (FOLDER / f"{day}.txt").write_text("\n".join(listed) + "\n", "utf-8")


if __name__ == "__main__":
    main()
