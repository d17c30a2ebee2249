"""What an operator's watch asks: is the service alive, is it doing its job, and how much there is to do.

`/healthz` says that the process answers; `/readyz` that it works, every zone's round is done and what was recorded is
reckoned; `/metrics` counts what the database holds at that moment. Nothing here names a unit, a place or a person, and
nothing here changes anything. From afar only the status is told, unless the request shows the token of
`web.metrics_token_file`.
"""

from __future__ import annotations

import logging
import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime, timedelta
from typing import Any

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.exposition import CONTENT_TYPE_LATEST
from prometheus_client.registry import Collector
from sqlalchemy import Connection, func, select
from sqlalchemy.exc import SQLAlchemyError
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from ..bootstrap import Program
from ..calendars.sentinel import newest
from ..errors import UserError
from ..reckoning.dates import local_instant
from ..reckoning.owed import Condition, Standing
from ..rounds.loading import zones
from ..rounds.looks import Looks
from ..rounds.recent import Recent, recent
from ..rounds.troubles import Kind, troubles
from ..rounds.zones import owed_date
from ..store import marks
from ..store.schema import require_newest
from ..store.tables import cases, conditions, duties, messages, units
from .whence import may_see_inside

logger = logging.getLogger("nightround.web")

# A round may be this old although a newer one is owed: an autumn day has 25 hours, and a round takes its time.
OLDEST_ROUND = timedelta(hours=28)

NOT_RECKONED = "not reckoned"
SEVERITIES = ("urgent", "soon", "routine")
LETTER_STATES = ("waiting", "sending", "sent", "given up")


def routes(program: Program, looks: Looks | None = None) -> list[BaseRoute]:
    """The three addresses; `looks`: how the looks round of this very process go, where it makes any."""
    registry = CollectorRegistry()
    registry.register(_Counts(program))

    async def healthz(_request: Request) -> Response:
        return JSONResponse({"status": "alive"})

    def readyz(request: Request) -> Response:
        reasons, rounds, to_reckon = _readiness(program)
        if looks is not None:
            reasons = [*looks.wrong(timedelta(minutes=program.settings.watch.silence_minutes)), *reasons]
        body: dict[str, Any] = {"ready": not reasons}
        if may_see_inside(request, program.settings):
            body |= {"reasons": reasons, "rounds": rounds, "to_reckon": to_reckon}
        return JSONResponse(body, 503 if reasons else 200)

    def metrics(request: Request) -> Response:
        if not may_see_inside(request, program.settings):
            why = "Shown to this machine alone, or to whoever sends the token of web.metrics_token_file.\n"
            return Response(why, 403, media_type="text/plain")
        try:
            text = generate_latest(registry)
        except (SQLAlchemyError, UserError) as error:
            logger.warning("metrics not read", extra={"why": type(error).__name__})
            return Response("The database cannot be read.\n", 503, media_type="text/plain")
        return Response(text, headers={"Content-Type": CONTENT_TYPE_LATEST})

    answers: Iterable[tuple[str, Callable[..., Any]]] = (
        ("/healthz", healthz),
        ("/readyz", readyz),
        ("/metrics", metrics),
    )
    return [Route(path, answer, methods=["GET", "HEAD"]) for path, answer in answers]


def _readiness(program: Program) -> tuple[list[str], list[dict[str, Any]], int | None]:
    """Why the service is not doing its job (empty: it is), how each zone's round stands, and how many units, sites and
    notices were recorded and not reckoned (None: nobody knows)."""
    try:
        require_newest(program.store)
        with program.store.read() as conn:
            now = program.clock()
            rounds = [_round(program, zone, kept, now) for zone, kept in recent(conn, zones(conn), now).items()]
            wrong = troubles(conn, program.settings, now, full=program.store.full)
            to_reckon, _ = marks.owing(conn)
    except UserError as error:
        return [str(error)], [], None
    except SQLAlchemyError as error:
        # The text of such an error may hold what was asked and of whom; its kind is enough here.
        logger.warning("database cannot be read", extra={"why": type(error).__name__})
        return [f"the database cannot be reached ({type(error).__name__})"], [], None
    reasons = []
    for found in rounds:
        if found["done"] is None:
            reasons.append(f"{found['zone']}: no round has finished yet, owed since {found['owed']}")
        elif not found["ok"]:
            reasons.append(
                f"{found['zone']}: the round of {found['owed']} is owed, the newest finished is that of "
                f"{found['done']}, {found['age_hours']} hours ago"
            )
    # Rounds that are owed are told above, and not before they are too old.
    reasons += [trouble.said for trouble in wrong if trouble.kind != Kind.ROUND_OWED]
    return reasons, rounds, to_reckon


def _round(program: Program, zone: str, kept: Recent, now: datetime) -> dict[str, Any]:
    at = program.settings.rounds.at
    owed = owed_date(zone, now, at)
    done = kept.done_up_to(owed, local_instant(owed, at, zone))
    finished = kept.done[done] if done is not None else None
    age = now - finished if finished is not None else None
    ok = done is not None and (done >= owed or (age is not None and age <= OLDEST_ROUND))
    return {
        "zone": zone,
        "owed": owed.isoformat(),
        "done": done.isoformat() if done is not None else None,
        "age_hours": round(age.total_seconds() / 3600, 1) if age is not None else None,
        "ok": ok,
    }


class _Counts(Collector):
    """Reads the counts from the database each time it is asked."""

    def __init__(self, program: Program) -> None:
        self._program = program

    def describe(self) -> Iterable[Metric]:
        # Without this the registry would ask the database when the service starts.
        return ()

    def collect(self) -> Iterator[Metric]:
        with self._program.store.read() as conn:
            found = [*self._numbers(conn), self._to_reckon(conn), self._ages(conn), self._troubles(conn)]
        yield from found

    def _numbers(self, conn: Connection) -> Iterator[Metric]:
        with_condition = select(func.coalesce(conditions.c.condition, NOT_RECKONED), func.count()).select_from(
            units.outerjoin(conditions, conditions.c.unit_id == units.c.id)
        )
        yield _gauge(
            "nightround_units",
            "Units by condition.",
            "condition",
            [*Condition, NOT_RECKONED],
            conn.execute(with_condition.group_by(conditions.c.condition)).all(),
        )
        yield _gauge(
            "nightround_duties",
            "Duties by standing.",
            "standing",
            Standing,
            conn.execute(select(duties.c.standing, func.count()).group_by(duties.c.standing)).all(),
        )
        yield _gauge(
            "nightround_open_cases",
            "Cases that are not closed, by severity.",
            "severity",
            SEVERITIES,
            conn.execute(
                select(cases.c.severity, func.count())
                .where(cases.c.closed_at.is_(None), cases.c.group_id.is_(None))
                .group_by(cases.c.severity)
            ).all(),
        )
        yield _gauge(
            "nightround_letters",
            "Letters in the letter box by state.",
            "state",
            LETTER_STATES,
            conn.execute(select(messages.c.state, func.count()).group_by(messages.c.state)).all(),
        )

    def _to_reckon(self, conn: Connection) -> Metric:
        count, _ = marks.owing(conn)
        says = "Units, sites and notices about which something was recorded that is not reckoned yet."
        return GaugeMetricFamily("nightround_to_reckon", says, value=count)

    def _ages(self, conn: Connection) -> Metric:
        metric = GaugeMetricFamily(
            "nightround_last_round_age_seconds",
            "Seconds since the newest round of the zone finished; infinite where none has.",
            labels=["zone"],
        )
        now = self._program.clock()
        for zone in zones(conn):
            heard = newest(conn, zone)
            ran = heard is not None and heard.ran
            metric.add_metric([zone], (now - heard.at).total_seconds() if heard is not None and ran else math.inf)
        return metric

    def _troubles(self, conn: Connection) -> Metric:
        program = self._program
        wrong = troubles(conn, program.settings, program.clock(), full=program.store.full)
        counted = Counter(trouble.kind for trouble in wrong)
        return _gauge(
            "nightround_troubles",
            "What is wrong with the service itself, by kind; 0 where nothing of the kind is.",
            "kind",
            Kind,
            counted.items(),
        )


def _gauge(name: str, says: str, label: str, known: Iterable[str], rows: Iterable[Any]) -> Metric:
    """A gauge with a line for every known word, 0 where nothing has it, so that no alarm misses its line."""
    counts = {str(word): 0 for word in known} | {str(word): number for word, number in rows}
    metric = GaugeMetricFamily(name, says, labels=[label])
    for word, number in counts.items():
        metric.add_metric([word], number)
    return metric
