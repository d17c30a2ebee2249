"""`sign-in-link`: an operator hands somebody a way in without mail."""

from __future__ import annotations

import json

import pytest

from nightround.bootstrap import Program
from nightround.cli import run

from .conftest import BASE, NewVisitor, words


@pytest.fixture
def config(settled_once: Program) -> str:
    """The settings file of the settled program, with its database in it."""
    file = settled_once.settings.folder / "nightround.toml"
    url = settled_once.store.engine.url.render_as_string(hide_password=False)
    file.write_text(file.read_text("utf-8") + f'[database]\nurl = "{url}"\n', "utf-8")
    return str(file)


def test_the_printed_link_signs_that_person_in(
    config: str, settled_once: Program, visitor: NewVisitor, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["--config", config, "--json", "sign-in-link", "--person", "P2", "--days", "30"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["person"] == "P2"
    web = visitor(settled_once)
    path = answer["url"].removeprefix(BASE)
    assert "Sign in as Ben Oakes" in words(web.get(path))
    assert web.send(path, path).headers["location"] == "/"
    assert "Ben Oakes" in web.get("/").text


def test_standard_output_holds_the_address_alone(config: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--config", config, "sign-in-link", "--person", "P2"]) == 0
    said = capsys.readouterr()
    assert said.out.startswith(f"{BASE}/me/") and said.out.count("\n") == 1
    assert "Ben Oakes" in said.err


def test_an_unknown_person_is_refused_in_a_sentence(config: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--config", config, "sign-in-link", "--person", "P99"]) == 2
    assert "person 'P99' is not in the register" in capsys.readouterr().err


@pytest.mark.parametrize("days", ["0", "367", "-1"])
def test_a_link_cannot_last_longer_than_a_year(config: str, days: str) -> None:
    assert run(["--config", config, "sign-in-link", "--person", "P2", "--days", days]) == 2
