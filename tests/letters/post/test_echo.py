"""A mail server that repeats what it was sent: the password is neither kept nor shown, in any form."""

from __future__ import annotations

import base64
import json
import logging
import re
from pathlib import Path

import pytest

from nightround.bootstrap import Program
from nightround.letters.delivery import deliver
from nightround.store import happenings

from .build import letter, office, post, rows
from .faulty import Fault, Faulty, Stage
from .receiver import CA

USER, PASSWORD = "round", "tea & Kettles+77"


def b64(text: str) -> str:
    return base64.b64encode(text.encode()).decode()


ECHOES = {
    "as it is": PASSWORD,
    "in capitals": PASSWORD.upper(),
    "plain": b64(f"\0{USER}\0{PASSWORD}"),
    "login": b64(PASSWORD),
    "cut off": b64(f"\0{USER}\0{PASSWORD}")[:24],
}


def with_login(folder: Path) -> dict[str, object]:
    file = folder / "smtp-password"
    file.write_text(PASSWORD + "\n", "utf-8")
    return {"username": USER, "password_file": file, "security": "starttls", "ca_file": CA, "lanes": 1}


@pytest.mark.parametrize("stage", ["AUTH", "RCPT"])
@pytest.mark.parametrize("echo", ECHOES.values(), ids=ECHOES)
def test_a_password_that_the_server_repeats_is_neither_kept_nor_shown(
    one: Program, tmp_path: Path, caplog: pytest.LogCaptureFixture, stage: Stage, echo: str
) -> None:
    says = {"AUTH": b"535 5.7.8 no: ", "RCPT": b"451 4.7.1 who logged in with "}[stage] + echo.encode()
    script = {stage: Fault(stage, says)}
    with Faulty(lambda _to, at: script.get(at), starttls=True, login=True) as server:
        here = office(one, server.port, **with_login(tmp_path))
        post(here, letter("a"))
        done = deliver(here)
    row = rows(here)["a"]
    with here.store.read() as conn:
        lost = happenings.beat(conn, happenings.MAIL_LOST)
    logged = json.dumps([str(vars(record)) for record in caplog.records if record.levelno >= logging.INFO])
    everything = " ".join([row.last_answer, done.trouble, lost.note if lost else "", logged])
    assert "***" in row.last_answer
    assert re.match(r"(login: 535 5.7.8 no|RCPT: 451 4.7.1 who logged in with)", row.last_answer)
    for secret in (echo, PASSWORD, *ECHOES.values()):
        assert secret.casefold() not in everything.casefold()
