"""A service whose looks round hang or fail says so by itself, whatever the database can still say."""

from __future__ import annotations

from datetime import timedelta

import pytest
from starlette.applications import Starlette
from starlette.testclient import TestClient

from nightround.bootstrap import Program
from nightround.pages import health
from nightround.rounds.looks import Looks

HOUR = timedelta(hours=1)


class Steady:
    """Seconds that pass when a test says so."""

    now = 1000.0

    def __call__(self) -> float:
        return self.now


def test_a_look_that_hangs_makes_the_service_not_ready_until_it_comes_back(program: Program) -> None:
    steady = Steady()
    looks = Looks(steady)
    web = TestClient(Starlette(routes=health.routes(program, looks)), client=("127.0.0.1", 50_000))
    with looks.look():
        steady.now += 3600
        assert web.get("/readyz").status_code == 200
        steady.now += 60
        answer = web.get("/readyz")
        assert answer.status_code == 503
        assert answer.json()["reasons"] == ["The service hangs: it has been at one look for 61 minutes. Restart it."]
    assert web.get("/readyz").status_code == 200


def test_three_looks_that_fail_one_after_the_other_are_told_and_a_good_one_ends_it() -> None:
    looks = Looks(Steady())
    for number in range(1, 5):
        with looks.look():
            looks.failed()
        assert bool(looks.wrong(HOUR)) == (number >= 3)
    assert looks.wrong(HOUR) == ["The service failed at its last 4 looks. Its log says why."]
    with looks.look():
        pass
    assert looks.wrong(HOUR) == []
    for _ in range(3):
        with pytest.raises(OSError, match="gone"), looks.look():
            raise OSError("gone")
    assert looks.wrong(HOUR) != []
