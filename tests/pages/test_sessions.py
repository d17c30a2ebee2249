"""Sessions live on the server: signing out ends them, they can be listed and ended, and a link signs in once."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from nightround import cli
from nightround.bootstrap import Program
from nightround.letters import links
from nightround.sweeping import tidy
from tests.conftest import Clock

from .conftest import BASE, NewVisitor, Visitor, words
from .test_signing_in import ask, letters, links_in, session_cookie


class Commands:
    """The program's commands on the settled fleet, by the standing clock."""

    def __init__(self, config: Path, clock: Clock, capsys: pytest.CaptureFixture[str]) -> None:
        self._config, self._clock, self._capsys = config, clock, capsys

    def __call__(self, *words: object) -> tuple[int, str, str]:
        self._capsys.readouterr()
        status = cli.run(["--config", str(self._config), *map(str, words)], clock=self._clock)
        said = self._capsys.readouterr()
        return status, said.out, said.err

    def sessions(self, *words: str) -> list[dict[str, str]]:
        status, out, err = self("--json", "sessions", *words)
        assert status == 0, err
        found: list[dict[str, str]] = json.loads(out)
        return found

    def bring(self, folder: Path, lines: str) -> None:
        folder.mkdir(exist_ok=True)
        (folder / "people.csv").write_text(lines, encoding="utf-8")
        status, out, err = self("import", folder)
        assert status == 0, out + err


@pytest.fixture
def commands(settled: Program, clock: Clock, capsys: pytest.CaptureFixture[str]) -> Commands:
    file = settled.settings.folder / "nightround.toml"
    url = settled.store.engine.url.render_as_string(hide_password=False)
    file.write_text(file.read_text("utf-8") + f'[database]\nurl = "{url}"\n', "utf-8")
    return Commands(file, clock, capsys)


def holding(visitor: NewVisitor, program: Program, cookie: str) -> Visitor:
    """Somebody who has got hold of a session's cookie."""
    web = visitor(program)
    web.web.cookies.set("nightround", cookie)
    return web


def signed_in(web: Visitor) -> bool:
    return web.get("/me").status_code == 200


def test_a_cookie_that_was_copied_is_worth_nothing_after_signing_out(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P1")
    copied = session_cookie(web)
    other = holding(visitor, settled, copied)
    assert signed_in(other)
    assert web.send("/", "/sign-out").status_code == 303
    assert not signed_in(other)


def test_a_link_from_a_letter_signs_in_once(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled)
    ask(web, "ada@example.org")
    (path,) = links_in(letters(settled)[0])
    thief = visitor(settled)
    token = thief.token(path)
    assert web.send(path, path).status_code == 303
    for answer in (thief.get(path), thief.post(path, {"form_token": token})):
        assert answer.status_code == 410
        assert "used already" in words(answer) and 'href="/sign-in"' in answer.text
    assert not signed_in(thief) and signed_in(web)


def test_two_letters_of_one_moment_have_a_link_each(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once)
    paths = set()
    for _ in range(2):
        ask(web, "ada@example.org")
    url = links.sign_in_url(settled_once.settings, "P1", "ada@example.org", settled_once.clock())
    assert url != links.sign_in_url(settled_once.settings, "P1", "ada@example.org", settled_once.clock())
    for letter in letters(settled_once):
        paths.update(links_in(letter))
        path = links_in(letter)[0]
        assert visitor(settled_once).send(path, path).status_code == 303
    assert paths


def test_a_link_from_the_operator_signs_in_once(commands: Commands, settled: Program, visitor: NewVisitor) -> None:
    status, out, _ = commands("--json", "sign-in-link", "--person", "P2", "--days", "30")
    assert status == 0
    path = json.loads(out)["url"].removeprefix(BASE)
    assert visitor(settled).send(path, path).status_code == 303
    assert visitor(settled).get(path).status_code == 410


def test_a_person_sees_their_own_sessions_and_ends_another_one(settled: Program, visitor: NewVisitor) -> None:
    here, lost = visitor(settled, "P2"), visitor(settled)
    lost.web.headers["User-Agent"] = "Pocket Browser 7 <b>"
    lost.sign_in("P2")
    visitor(settled, "P1")
    page = here.get("/me")
    numbers = re.findall(r'name="end" value="(\d+)"', page.text)
    assert len(numbers) == 2 and "Pocket Browser 7 <b>" in words(page) and "<b>" not in page.text
    (theirs,) = [n for n in numbers if f"End session {n}" in page.text and _device(page.text, n).startswith("Pocket")]
    assert here.send("/me", "/me/sessions", end=theirs).status_code == 303
    assert not signed_in(lost) and signed_in(here)


def _device(page: str, number: str) -> str:
    found = re.search(rf'name="end" value="{number}">.*?<bdi>(.*?)</bdi>', page, re.S)
    assert found
    return found[1]


def test_all_others_end_at_once(settled_once: Program, visitor: NewVisitor) -> None:
    here, *others = [visitor(settled_once, "P2") for _ in range(3)]
    stranger = visitor(settled_once, "P1")
    here.send("/me", "/me/sessions", end="others")
    assert signed_in(here) and signed_in(stranger) and not any(signed_in(web) for web in others)


def test_nobody_ends_somebody_else_s_session_by_its_number(
    commands: Commands, settled: Program, visitor: NewVisitor
) -> None:
    mine, other = visitor(settled, "P2"), visitor(settled, "P1")
    (number,) = [one["id"] for one in commands.sessions("--person", "P1")]
    mine.send("/me", "/me/sessions", end=str(number))
    assert mine.send("/me", "/sessions", end=str(number)).status_code == 404
    assert mine.get("/sessions").status_code == 404
    assert signed_in(other)


def test_a_coordinator_ends_sessions_of_their_people_and_of_no_others(settled: Program, visitor: NewVisitor) -> None:
    ben, dev, chloe = (visitor(settled, person) for person in ("P2", "P4", "P3"))
    ada = visitor(settled, "P1")
    page = ada.get("/sessions")
    assert all(name in words(page) for name in ("Ben Oakes", "Dev Rana", "Chloé Varnier", "Ada Ferrow"))
    assert ada.send("/sessions", "/sessions", person="P2").status_code == 303
    assert not signed_in(ben) and signed_in(dev)
    hers = words(chloe.get("/sessions"))  # coordinator of HALL/2 alone
    assert "Chloé Varnier" in hers and "Dev Rana" not in hers and "Ada Ferrow" not in hers
    assert chloe.send("/sessions", "/sessions", person="P4").status_code == 409
    assert signed_in(dev)


def test_the_command_lists_and_ends_them(commands: Commands, settled: Program, visitor: NewVisitor) -> None:
    first, second, other = visitor(settled, "P2"), visitor(settled, "P2"), visitor(settled, "P1")
    listed = commands.sessions()
    assert [one["person"] for one in listed] == ["P1", "P2", "P2"]
    assert listed[0]["began_at"] == "2026-11-25T09:00:00+00:00" and "digest" not in listed[0]
    status, out, _ = commands("sessions", "--person", "P2")
    assert status == 0 and out.count("Ben Oakes") == 2 and "Ada" not in out
    number = listed[1]["id"]
    assert commands("sessions", "end", number)[:2] == (0, "1 session ended.\n")
    assert signed_in(first) != signed_in(second)
    status, _, err = commands("sessions", "end", number)
    assert status == 2 and f"session {number} is not there" in err
    assert commands("sessions", "end", "--person", "P2")[1] == "1 session ended.\n"
    assert not signed_in(first) and not signed_in(second) and signed_in(other)
    assert commands("sessions", "end", "--all")[0] == 0
    assert not signed_in(other) and commands.sessions() == []
    assert commands("sessions", "end")[0] == 2
    assert "person 'P99' is not in the register" in commands("sessions", "--person", "P99")[2]


def test_another_address_ends_them_and_the_old_one_does_not_bring_them_back(
    commands: Commands, settled: Program, visitor: NewVisitor, tmp_path: Path
) -> None:
    web = visitor(settled, "P2")
    commands.bring(tmp_path / "in", "person,email\nP2,benjamin@example.org\n")
    assert not signed_in(web)
    commands.bring(tmp_path / "in", "person,email\nP2,ben@example.org\n")
    assert not signed_in(web) and commands.sessions() == []


def test_whoever_leaves_is_signed_out_and_stays_so(
    commands: Commands, settled: Program, visitor: NewVisitor, clock: Clock
) -> None:
    web = visitor(settled, "P2")
    assert commands("person", "leave", "P2", "--on", "2026-11-25")[0] == 0
    assert signed_in(web), "this is still a day with us"
    clock.forward(days=1)
    assert not signed_in(web)
    tidy(settled)  # the service's next tick
    assert commands("person", "leave", "P2", "--stays")[0] == 0
    assert not signed_in(web) and commands.sessions() == []


def test_a_session_that_is_over_is_put_away_by_the_tick(
    commands: Commands, settled: Program, visitor: NewVisitor, clock: Clock
) -> None:
    visitor(settled, "P2")
    clock.forward(days=30, seconds=1)
    assert commands.sessions() == []
    tidy(settled)
    clock.forward(days=-1)
    assert commands.sessions() == []


def test_a_copy_that_is_restored_signs_nobody_in_again(
    commands: Commands, settled: Program, visitor: NewVisitor, tmp_path: Path
) -> None:
    web = visitor(settled, "P1")
    assert commands("backup", tmp_path / "copy.db")[0] == 0
    web.send("/", "/sign-out")
    assert commands("setup", tmp_path / "new")[0] == 0
    config = tmp_path / "new" / "nightround.toml"
    assert cli.run(["--config", str(config), "restore", str(tmp_path / "copy.db")], clock=commands._clock) == 0
    assert Commands(config, commands._clock, commands._capsys).sessions() == []
