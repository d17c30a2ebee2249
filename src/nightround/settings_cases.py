"""Settings of cases and ladders: who is told of an open matter, when, and how much anybody gets."""

from __future__ import annotations

from datetime import time
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from . import waits
from .settings_section import Section

Severity = Literal["urgent", "soon", "routine"]
ROLES = ("on-call", "coordinator", "manager", "site-contact", "responder")


def _wait(text: str) -> str:
    waits.read(text)
    return text


def _cadence(text: str) -> str:
    waits.read(text, cadence=True)
    return text


class Step(Section):
    """One step of a ladder."""

    who: list[str] = Field(min_length=1)
    """A role (on-call, coordinator, manager, site-contact, responder), `rota` (who is on it now, nobody in its gaps),
    `person:CODE` or `address:MAILBOX`."""
    after: Annotated[str, AfterValidator(_wait)]
    """How long after the step before began ("4 hours", "3 working days"); the first, after the case opened."""
    repeat: Annotated[str, AfterValidator(_cadence)] | None = None
    """How often the step comes round again: a span, or `daily` or `weekly` at `letters.at`. Left out: once. Whoever
    was told already hears again with their letter of the day, `cases.repeat_days` apart at least."""
    stop_after: int | None = Field(None, ge=1, le=100)
    """How many times it comes round in all. Left out: until the next step begins."""

    @model_validator(mode="after")
    def _known(self) -> Step:
        for name in self.who:
            head, _, rest = name.partition(":")
            if name in (*ROLES, "rota") or (head in ("person", "address") and rest.strip()):
                continue
            raise ValueError(
                f"who: {name!r} is nobody; write a role ({', '.join(ROLES)}), rota, person:CODE or address:MAILBOX"
            )
        return self


class Ladder(Section):
    """Who is told about a case, in what order, after how long."""

    severity: Severity
    """Which cases: urgent, soon or routine."""
    site_types: list[str] = Field(default_factory=list)
    """At sites of these types only; empty: at all others."""
    told: Literal["at any hour", "outside quiet hours", "in working hours"] = "outside quiet hours"
    """When letters may go, by the clock and the holidays where each reader is."""
    steps: list[Step] = Field(min_length=1, max_length=12)
    """One after the other; a step that reaches nobody is passed over at once."""
    again: Annotated[str, AfterValidator(_cadence)] = "daily"
    """How long after the last time of the last step it is begun again at the top, where nobody took the case."""

    @model_validator(mode="after")
    def _ends(self) -> Ladder:
        last = self.steps[-1]
        if last.repeat is not None and last.stop_after is None:
            raise ValueError(
                "the last step repeats without end; give it stop_after, so that the ladder can begin again"
            )
        return self


def _ladders() -> list[Ladder]:
    on_call, both, everybody = ["on-call"], ["on-call", "coordinator"], ["on-call", "coordinator", "manager"]
    urgent = [
        Step(who=on_call, after="0 minutes"),
        Step(who=both, after="4 hours"),
        Step(who=everybody, after="20 hours", repeat="daily", stop_after=3),
    ]
    soon = [
        Step(who=on_call, after="0 minutes", repeat="daily"),
        Step(who=both, after="3 working days", repeat="daily"),
        Step(who=everybody, after="5 working days", repeat="daily", stop_after=5),
    ]
    routine = [
        Step(who=["coordinator"], after="0 minutes", repeat="weekly"),
        Step(who=["coordinator", "manager"], after="20 working days", repeat="weekly", stop_after=4),
    ]
    return [
        Ladder(severity="urgent", told="at any hour", steps=urgent),
        Ladder(severity="soon", steps=soon),
        Ladder(severity="routine", told="in working hours", steps=routine, again="weekly"),
    ]


class Cases(Section):
    """Open matters: who is told of them, when, and how much anybody gets."""

    work_from: time = time(8, 0)
    """Local time at which a working day begins; weekends and public holidays are those of the country."""
    work_until: time = time(18, 0)
    """When it ends; after `work_from`."""
    quiet_from: time = time(21, 0)
    """Local time from which only ladders that may write at any hour do. The same as `quiet_until`: no quiet hours."""
    quiet_until: time = time(7, 0)
    """When they end."""
    repeat_days: list[Annotated[int, Field(ge=1, le=90)]] = Field([1, 2, 4, 7], min_length=1, max_length=20)
    """Days from one letter about a case to the next to the same person, while nobody takes it: a day to the first
    repeat, two more to the second, and so on; the last goes on for ever. All repeats of a day come in one letter, at
    `letters.at`. Whoever hears of a case for the first time is not kept waiting by this."""
    person_hour: int = Field(6, ge=2, le=1000)
    """Letters about cases that one mailbox gets within an hour at most; what is more comes later, in one letter. First
    word of something that can wait, repeats, opening letters and closings are each counted apart. Something urgent that
    somebody has not been told of is never held; whoever has had that many such letters is told all the same, and the
    next on the ladder at once too."""
    fleet_hour: int = Field(300, ge=2, le=100_000)
    """The same for all mailboxes together; above it one letter to a coordinator stands for the rest."""
    strangers_hour: int = Field(2, ge=1, le=1000)
    """Letters that one mailbox gets within an hour, at most, about what strangers report at one cabinet or from one
    network. They are counted apart from those above; what is more comes later, in one letter."""
    long_overdue_days: int = Field(30, ge=1, le=3650)
    """Days after its last good day from which a duty is long overdue; one with a shorter interval is so after that."""
    not_recorded_days: int = Field(14, ge=1, le=3650)
    """Days that a date may be missing on record before it becomes a case."""
    group_from: int = Field(5, ge=2, le=1000)
    """As many cases of one site that share their reason are told as one."""
    ladders: list[Ladder] = Field(default_factory=_ladders)
    """Who is told, per severity and site type. A severity that is not named here keeps its ladder as shown."""

    @model_validator(mode="after")
    def _fits(self) -> Cases:
        if self.work_from >= self.work_until:
            raise ValueError("work_from is not before work_until; set the earlier time first")
        seen: set[tuple[str, str]] = set()
        for ladder in self.ladders:
            for site_type in ladder.site_types or [""]:
                if (ladder.severity, site_type) in seen:
                    where = f"site type {site_type!r}" if site_type else "all other site types"
                    raise ValueError(f"ladders: two for severity {ladder.severity} and {where}; keep one")
                seen.add((ladder.severity, site_type))
        return self
