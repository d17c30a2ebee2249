"""The feed over HTTP. RFC 9110: conditional requests §8.8.3, §13.1, §13.2.2, §15.4.5; dates §5.6.7; coding §12.5.3."""

from __future__ import annotations

import gzip
import http.client
import io
import json
import logging
import socket
import threading
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import delete, event
from sqlalchemy.exc import OperationalError
from starlette.applications import Starlette
from starlette.datastructures import Headers
from starlette.testclient import TestClient

from nightround.bootstrap import Program, system_clock
from nightround.calendars import feed as feeds
from nightround.calendars import kept, keys
from nightround.logs import Lines
from nightround.pages import calendar
from nightround.pages.access import Access
from nightround.pages.app import build
from nightround.pages.conditional import (
    answer_status,
    gzip_tag,
    gzipped,
    read_date,
    strongly_equal,
    tags,
    takes_gzip,
    weakly_equal,
    write_date,
)
from nightround.settings import Settings
from nightround.store.tables import duties
from tests.calendars.agreement import agreed
from tests.calendars.build import Fleet, components
from tests.conftest import Clock

from .serving import serving

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
PLAIN = {"Accept-Encoding": "identity"}


def _app(program: Program) -> Any:
    return Access(Starlette(routes=calendar.routes(program)), program.clock)


@pytest.fixture
def fleet(program: Program) -> Fleet:
    fleet = Fleet(program)
    site = fleet.site()
    for n in range(1, 6):
        fleet.duty(fleet.unit(site, f"MILL-0{n}"), site, "look", f"2026-12-0{n}")
    return fleet


@pytest.fixture
def client(program: Program) -> TestClient:
    return TestClient(_app(program))


def _path(key: str) -> str:
    return f"/calendar/{key}.ics"


class TestConditions:
    """The rules by themselves, as the standard's tables have them."""

    @pytest.mark.parametrize(
        ("one", "other", "strong", "weak"),
        [
            ('W/"1"', 'W/"1"', False, True),
            ('W/"1"', 'W/"2"', False, False),
            ('W/"1"', '"1"', False, True),
            ('"1"', '"1"', True, True),
        ],
    )
    def test_the_standards_table_of_comparisons(self, one: str, other: str, strong: bool, weak: bool) -> None:
        # RFC 9110 §8.8.3.2, the table of examples.
        (first,), (second,) = tags(one), tags(other)
        assert strongly_equal(first, second) is strong
        assert weakly_equal(first, second) is weak

    @pytest.mark.parametrize(
        "text",
        ["Sun, 06 Nov 1994 08:49:37 GMT", "Sunday, 06-Nov-94 08:49:37 GMT", "Sun Nov  6 08:49:37 1994"],
    )
    def test_all_three_forms_of_a_date_are_read(self, text: str) -> None:
        # RFC 9110 §5.6.7: the three examples are one instant.
        assert read_date(text, NOW) == datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)

    def test_only_the_fixed_form_is_written(self) -> None:
        assert write_date(datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)) == "Sun, 06 Nov 1994 08:49:37 GMT"

    @pytest.mark.parametrize(
        ("text", "year"),
        [
            ("Friday, 06-Nov-76 08:49:37 GMT", 2076),  # fifty years ahead of 2026 is still ahead
            ("Saturday, 06-Nov-77 08:49:37 GMT", 1977),  # more than fifty: the past one
        ],
    )
    def test_a_two_digit_year_is_never_more_than_fifty_years_ahead(self, text: str, year: int) -> None:
        found = read_date(text, NOW)
        assert found is not None and found.year == year

    @pytest.mark.parametrize(
        "text",
        [
            "",
            "0",
            "yesterday",
            "2026-11-25T09:00:00Z",
            "Sun, 06 Nov 1994 08:49:37",
            "Sun, 06 Nov 1994 08:49:37 CET",
            "Sun, 31 Feb 1994 08:49:37 GMT",
            "Sun, 06 Nov 1994 25:49:37 GMT",
            "sun, 06 nov 1994 08:49:37 gmt",
        ],
    )
    def test_what_is_no_date_is_none(self, text: str) -> None:
        assert read_date(text, NOW) is None

    @pytest.mark.parametrize(
        ("headers", "method", "status"),
        [
            ({}, "GET", None),
            ({"If-None-Match": '"now"'}, "GET", 304),
            ({"If-None-Match": '"now"'}, "HEAD", 304),
            ({"If-None-Match": 'W/"now"'}, "GET", 304),  # weak comparison
            ({"If-None-Match": '"then", W/"now"'}, "GET", 304),
            ({"If-None-Match": "*"}, "GET", 304),
            ({"If-None-Match": '"then"'}, "GET", None),
            ({"If-None-Match": "now"}, "GET", None),  # not a tag
            ({"If-None-Match": ""}, "GET", None),
            ({"If-None-Match": '"now"'}, "POST", 412),
            # If-None-Match beats If-Modified-Since, in both directions (§13.1.3)
            ({"If-None-Match": '"then"', "If-Modified-Since": "Wed, 25 Nov 2026 08:00:00 GMT"}, "GET", None),
            ({"If-None-Match": '"now"', "If-Modified-Since": "Wed, 25 Nov 1998 08:00:00 GMT"}, "GET", 304),
            ({"If-Modified-Since": "Wed, 25 Nov 2026 08:00:00 GMT"}, "GET", 304),  # the very second
            ({"If-Modified-Since": "Wed, 25 Nov 2026 08:00:01 GMT"}, "HEAD", 304),
            ({"If-Modified-Since": "Wed, 25 Nov 2026 07:59:59 GMT"}, "GET", None),
            ({"If-Modified-Since": "Wednesday, 25-Nov-26 08:00:00 GMT"}, "GET", 304),
            ({"If-Modified-Since": "Wed Nov 25 08:00:00 2026"}, "GET", 304),
            ({"If-Modified-Since": "last week"}, "GET", None),
            ({"If-Modified-Since": "Wed, 25 Nov 2026 08:00:00 GMT"}, "POST", None),
            ({"If-Match": '"now"'}, "GET", None),
            ({"If-Match": 'W/"now"'}, "GET", 412),  # strong comparison
            ({"If-Match": "*"}, "GET", None),
            ({"If-Match": '"then"'}, "GET", 412),
            ({"If-Match": '"then"', "If-None-Match": '"now"'}, "GET", 412),  # §13.2.2: first
            ({"If-Match": '"now"', "If-None-Match": '"now"'}, "GET", 304),
            ({"If-Match": '"now"', "If-Unmodified-Since": "Wed, 25 Nov 1998 08:00:00 GMT"}, "GET", None),
            ({"If-Unmodified-Since": "Wed, 25 Nov 2026 07:59:59 GMT"}, "GET", 412),
            ({"If-Unmodified-Since": "Wed, 25 Nov 2026 08:00:00 GMT"}, "GET", None),
            ({"If-Unmodified-Since": "never"}, "GET", None),
        ],
    )
    def test_the_order_and_outcome_of_preconditions(
        self, headers: dict[str, str], method: str, status: int | None
    ) -> None:
        modified = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
        assert answer_status(method, Headers(headers), "now", modified, NOW) == status

    def test_a_field_on_two_lines_is_one_list(self) -> None:
        headers = Headers(raw=[(b"if-none-match", b'"a"'), (b"if-none-match", b'"now"')])
        assert answer_status("GET", headers, "now", NOW, NOW) == 304

    @pytest.mark.parametrize(
        ("value", "taken"),
        [
            (None, False),
            ("", False),
            ("gzip", True),
            ("GZIP", True),
            ("x-gzip", True),
            ("deflate, gzip;q=0.5", True),
            ("gzip;q=0", False),
            ("gzip; q=0.0, *", False),
            ("*", True),
            ("*;q=0", False),
            ("identity", False),
            ("identity;q=1, gzip;q=0.5", False),
            ("identity;q=0.5, gzip;q=1.0", True),
            ("br", False),
            ("gzip;q=2", False),
            ("gzip;q=high", False),
        ],
    )
    def test_gzip_is_used_where_it_is_liked(self, value: str | None, taken: bool) -> None:
        assert takes_gzip(Headers({} if value is None else {"Accept-Encoding": value})) is taken

    def test_gzip_gives_the_same_bytes_for_the_same_bytes(self) -> None:
        body = b"BEGIN:VCALENDAR\r\n" * 1000
        assert gzipped(body) == gzipped(body)
        assert gzip.decompress(gzipped(body)) == body
        assert gzipped(body)[4:8] == b"\0\0\0\0"  # no time in the header (RFC 1952 §2.3.1)


def test_the_feed_is_served_with_what_a_reader_needs(program: Program, fleet: Fleet, client: TestClient) -> None:
    feed, key = fleet.feed()
    answer = client.get(_path(key), headers=PLAIN)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    assert answer.headers["cache-control"] == "private"
    assert answer.headers["vary"] == "Accept-Encoding"
    assert "content-disposition" not in answer.headers
    assert answer.headers["last-modified"] == "Wed, 25 Nov 2026 08:59:59 GMT"
    built = feeds.build(program, feed, source=keys.address(program.settings, key))
    assert answer.content == built.body
    assert answer.headers["etag"] == f'"{built.etag}"'
    assert answer.headers["content-length"] == str(len(built.body))
    assert len(agreed(answer.content)) == 6


def test_tasks_are_asked_for_by_name(fleet: Fleet, client: TestClient) -> None:
    _, key = fleet.feed()
    assert {item.name for item in components(client.get(_path(key) + "?kind=tasks").content)} == {"VTODO"}
    assert {item.name for item in components(client.get(_path(key) + "?kind=events").content)} == {"VEVENT"}
    answer = client.get(_path(key) + "?kind=all")
    assert (answer.status_code, answer.text) == (400, "kind: use one of events, tasks.\n")


def test_each_kind_has_a_state_of_its_own(fleet: Fleet, client: TestClient) -> None:
    _, key = fleet.feed()
    as_events = client.get(_path(key), headers=PLAIN).headers["etag"]
    as_tasks = client.get(_path(key) + "?kind=tasks", headers=PLAIN).headers["etag"]
    assert as_events != as_tasks
    assert client.get(_path(key), headers=PLAIN | {"If-None-Match": as_tasks}).status_code == 200
    assert client.get(_path(key) + "?kind=tasks", headers=PLAIN | {"If-None-Match": as_tasks}).status_code == 304


def test_an_unchanged_feed_is_answered_without_reading_an_event(
    program: Program, fleet: Fleet, client: TestClient
) -> None:
    _, key = fleet.feed()
    first = client.get(_path(key), headers=PLAIN)
    asked: list[str] = []
    event.listen(program.store.engine, "before_cursor_execute", lambda *args: asked.append(args[2]))
    again = client.get(_path(key), headers=PLAIN | {"If-None-Match": first.headers["etag"]})
    assert again.status_code == 304
    assert again.content == b""
    for name in ("etag", "vary", "cache-control", "last-modified"):
        assert again.headers[name] == first.headers[name]
    for name in ("content-type", "content-length", "content-encoding"):
        assert name not in again.headers
    assert asked
    assert not any("events" in statement or "duties" in statement for statement in asked)
    assert not any(statement.startswith(("INSERT", "UPDATE", "DELETE")) for statement in asked)


def test_a_change_is_seen_by_tag_and_by_time(fleet: Fleet, client: TestClient, clock: Clock) -> None:
    _, key = fleet.feed()
    first = client.get(_path(key), headers=PLAIN)
    by_tag = PLAIN | {"If-None-Match": first.headers["etag"]}
    by_time = PLAIN | {"If-Modified-Since": first.headers["last-modified"]}
    assert client.get(_path(key), headers=by_time).status_code == 304
    fleet.change(1, standing="overdue")  # in the very second in which the feed was served
    for headers in (by_tag, by_time):
        answer = client.get(_path(key), headers=headers)
        assert answer.status_code == 200
        assert b"Overdue: look at MILL-01" in answer.content
    # Never a time that is still to come (§8.8.2.1).
    assert answer.headers["last-modified"] == first.headers["last-modified"]
    clock.forward(seconds=5)
    assert client.get(_path(key), headers=by_time).headers["last-modified"] == "Wed, 25 Nov 2026 09:00:00 GMT"


def test_a_duty_that_went_is_a_change(fleet: Fleet, program: Program, client: TestClient, clock: Clock) -> None:
    _, key = fleet.feed()
    first = client.get(_path(key), headers=PLAIN)
    clock.forward(hours=1)
    with program.store.write() as conn:
        conn.execute(delete(duties).where(duties.c.id == 2))
    fleet.changed()
    for headers in (
        {"If-None-Match": first.headers["etag"]},
        {"If-Modified-Since": first.headers["last-modified"]},
    ):
        answer = client.get(_path(key), headers=PLAIN | headers)
        assert (answer.status_code, len(components(answer.content))) == (200, 4)


def test_a_change_elsewhere_is_none_here(fleet: Fleet, client: TestClient, clock: Clock) -> None:
    _, key = fleet.feed(site_id=1)
    first = client.get(_path(key), headers=PLAIN)
    clock.forward(hours=1)
    pier = fleet.site("PIER")
    fleet.duty(fleet.unit(pier, "PIER-01"), pier)
    again = client.get(_path(key), headers=PLAIN | {"If-None-Match": first.headers["etag"]})
    assert again.status_code == 304
    assert again.headers["last-modified"] == first.headers["last-modified"]


def test_gzip_has_a_tag_of_its_own(fleet: Fleet, client: TestClient) -> None:
    # RFC 9110 §8.8.3.3: two codings of one thing must not share a strong tag.
    _, key = fleet.feed()
    plain = client.get(_path(key), headers=PLAIN)
    packed = client.get(_path(key), headers={"Accept-Encoding": "gzip"})
    assert packed.headers["content-encoding"] == "gzip"
    assert int(packed.headers["content-length"]) < len(plain.content)
    assert packed.content == plain.content
    assert packed.headers["etag"] == f'"{gzip_tag(plain.headers["etag"].strip(chr(34)))}"'
    assert packed.headers["vary"] == "Accept-Encoding"
    gzip_wanted = {"Accept-Encoding": "gzip"}
    for wanted, tag, status in (
        (gzip_wanted, packed.headers["etag"], 304),
        (gzip_wanted, "W/" + packed.headers["etag"], 304),
        (gzip_wanted, plain.headers["etag"], 200),
        (PLAIN, plain.headers["etag"], 304),
        (PLAIN, packed.headers["etag"], 200),
    ):
        answer = client.get(_path(key), headers=wanted | {"If-None-Match": tag})
        assert answer.status_code == status
        if status == 304:
            assert answer.headers["etag"] == tag.removeprefix("W/")


@pytest.mark.parametrize("coding", ["identity", "gzip"])
def test_head_says_what_get_would(fleet: Fleet, client: TestClient, coding: str) -> None:
    _, key = fleet.feed()
    wanted = {"Accept-Encoding": coding}
    get, head = client.get(_path(key), headers=wanted), client.head(_path(key), headers=wanted)
    assert head.status_code == 200
    assert head.content == b""
    assert dict(head.headers) == dict(get.headers)
    assert client.head(_path(key), headers=wanted | {"If-None-Match": head.headers["etag"]}).status_code == 304


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH"])
def test_the_feed_is_only_read(fleet: Fleet, client: TestClient, method: str) -> None:
    _, key = fleet.feed()
    answer = client.request(method, _path(key))
    assert answer.status_code == 405
    assert set(answer.headers["allow"].split(", ")) == {"GET", "HEAD"}


def test_a_wrong_key_and_a_withdrawn_one_are_answered_alike(program: Program, fleet: Fleet, client: TestClient) -> None:
    feed, key = fleet.feed()
    known = client.get(_path(key), headers=PLAIN)
    asked: list[str] = []
    event.listen(program.store.engine, "before_cursor_execute", lambda *args: asked.append(args[2]))
    wrong = client.get(_path("x" * 32))
    for_wrong, asked[:] = list(asked), []
    with program.store.write() as conn:
        keys.withdraw(conn, feed.id, NOW)
    asked[:] = []
    gone = client.get(_path(key), headers={"If-None-Match": known.headers["etag"]})
    assert asked == for_wrong  # the same questions, so about the same time
    assert (wrong.status_code, gone.status_code) == (404, 404)
    assert wrong.content == gone.content == b"There is no such calendar.\n"
    assert dict(wrong.headers) == dict(gone.headers)
    assert wrong.headers["cache-control"] == "no-store"
    assert "etag" not in gone.headers
    for odd in ("%00", "%FF%FE", "ü" * 40, "..%2f..", "a" * 4000):
        assert client.get(_path(odd)).status_code == 404


def test_a_busy_database_costs_only_the_keeping(
    program: Program, fleet: Fleet, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*_: Any, **__: Any) -> Any:
        raise OperationalError("INSERT", {}, Exception("database is locked"))

    _, key = fleet.feed()
    monkeypatch.setattr(kept, "keep_events", busy)
    monkeypatch.setattr(kept, "keep_state", busy)
    first = client.get(_path(key), headers=PLAIN)
    assert (first.status_code, len(components(first.content))) == (200, 5)
    monkeypatch.undo()
    again = client.get(_path(key), headers=PLAIN)
    assert again.content == first.content
    assert again.headers["etag"] == first.headers["etag"]


def _raw(port: int, path: str, **headers: str) -> bytes:
    """One request on a connection of its own; every byte of the answer."""
    lines = [f"GET {path} HTTP/1.1", "Host: test", "Connection: close"]
    lines += [f"{name.replace('_', '-')}: {value}" for name, value in headers.items()]
    with socket.create_connection(("127.0.0.1", port), timeout=10) as conn:
        conn.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
        answer = b""
        while piece := conn.recv(65536):
            answer += piece
    return answer


def test_on_the_wire_304_has_a_date_and_no_body(program: Program, fleet: Fleet) -> None:
    _, key = fleet.feed()
    with serving(_app(program)) as port:
        conn = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        conn.request("GET", _path(key))
        first = conn.getresponse()
        assert first.read().startswith(b"BEGIN:VCALENDAR\r\n")
        etag = first.headers["ETag"]
        conn.request("HEAD", _path(key))
        head = conn.getresponse()
        assert head.read() == b""
        assert head.headers["Content-Length"] == first.headers["Content-Length"]
        conn.close()
        before, _, body = _raw(port, _path(key), If_None_Match=etag).partition(b"\r\n\r\n")
    assert before.startswith(b"HTTP/1.1 304 Not Modified\r\n")
    assert body == b""
    names = [line.split(b":")[0].lower() for line in before.split(b"\r\n")[1:]]
    for name in (b"date", b"etag", b"vary", b"cache-control"):
        assert names.count(name) == 1


def test_the_key_is_in_no_log(program: Program, fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """Everything that anything logs, at the lowest level, for good, wrong, withdrawn and failing requests."""
    feed, key = fleet.feed()
    _, failing = fleet.feed()
    seen = io.StringIO()
    handler = logging.StreamHandler(seen)
    handler.setFormatter(Lines())
    root = logging.getLogger()
    level = root.level
    root.addHandler(handler)
    root.setLevel(logging.DEBUG)
    try:
        with serving(build(program)) as port:
            for path in (_path(key), _path(key) + "?kind=tasks", _path(key) + "?kind=nonsense", _path(key + "x")):
                _raw(port, path)
            with program.store.write() as conn:
                keys.withdraw(conn, feed.id, NOW)
            assert b" 404 " in _raw(port, _path(key))
            fleet.duty(1, 1, "test", "2026-12-24", because="{")
            assert b" 200 " in _raw(port, _path(failing))
            monkeypatch.setattr(feeds, "build", lambda *_: 1 / 0)
            fleet.changed()
            assert b" 500 " in _raw(port, _path(failing))
    finally:
        root.removeHandler(handler)
        root.setLevel(level)
    said = seen.getvalue()
    assert key not in said
    assert failing not in said
    requests = [record for line in said.splitlines() if (record := json.loads(line))["act"] == "request"]
    assert {record["route"] for record in requests} == {"/calendar/{key}.ics"}
    assert [record["status"] for record in requests] == [200, 200, 400, 404, 404, 200, 500]
    assert "ZeroDivisionError" in said  # the failure itself is there


def test_readers_at_the_same_time_all_get_the_same(program: Program, fleet: Fleet) -> None:
    _, key = fleet.feed()
    got: list[bytes] = []
    with serving(_app(program)) as port:

        def read() -> None:
            got.append(_raw(port, _path(key)).partition(b"\r\n\r\n")[2])

        threads = [threading.Thread(target=read) for _ in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(30)
    assert len(got) == 8
    assert len(set(got)) == 1
    assert len(components(got[0])) == 5


@pytest.mark.parametrize("ahead", [0, 5], ids=["in step", "where the server's own Date lags"])
def test_on_the_wire_the_last_change_is_never_later_than_the_answer(
    settings: Settings, program: Program, fleet: Fleet, ahead: int
) -> None:
    # RFC 9110 §8.8.2.1. A web server's own Date is renewed once a second, and later where the machine is busy.
    _, key = fleet.feed()
    real = Program(settings, program.store, lambda: system_clock() + timedelta(seconds=ahead))
    with serving(_app(real)) as port:
        for n in range(12):
            fleet.change(1, sequence=n, subject=f"change {n}")
            answer = _raw(port, _path(key)).partition(b"\r\n\r\n")[0].decode()
            found = dict(line.split(": ", 1) for line in answer.split("\r\n")[1:])
            assert answer.lower().count("\r\ndate: ") == 1
            modified, date = (read_date(found[name], NOW) for name in ("last-modified", "date"))
            assert modified is not None and date is not None
            assert modified <= date
