"""Reads one rule pack: a TOML file of rules. Says all that is wrong with it, and never guesses what was meant.

A pack is `[pack]` with title, country, subdivision, note, and any number of `[[rule]]`. Country and subdivision of the
pack hold for each of its rules that says none of its own.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from ..reckoning.placing import MOVED, OCCASIONS, PLACED
from ..reckoning.rules import Force, Rule, Shape, Span, Subject
from ..reckoning.site_types import SITE_TYPES
from ..register.tomlfile import Table, meant
from .shapes import PARTS, PEOPLE, PLACING, ROUNDS, SPANS, read_keep, read_shape, read_staffing

_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_COUNTRY = re.compile(r"[A-Z]{2}")
_SUBDIVISION = re.compile(r"[A-Z0-9]{1,3}")
_MISTAKEN = {"UK": "GB", "EL": "GR"}  # in common use, and not what ISO 3166-1 says

# Reasons that reckoning gives without a pack; a rule of that name could not be told from them.
RESERVED = (
    "crew-note",
    "download",
    "download-memory",
    "drain-budget",
    "label",
    "no-contact",
    "printed",
    "put-right",
    "reading-empty",
    "reading-low",
    "reading-pads",
    "responders-set",
    "restore",
    "standby-life",
)
LONGEST_PART = 40  # likewise
LONGEST_ID = 80  # it is part of a duty's key, and of what the log says of a report


class Pack(NamedTuple):
    """A pack as read. `name` is its file's name without `.toml`; `file` is how errors and lists call the file."""

    name: str
    file: str
    title: str
    note: str
    rules: tuple[Rule, ...]


def read_pack(name: str, top: Table) -> Pack:
    """The pack; rules that are not whole are left out of it and their faults noted in `top.problems`."""
    head = top.table("pack", required=True) or Table({}, top.where, [])
    title = head.text("title", required=True)
    scope = _scope(head)
    note = head.text("note", lines=True)
    kinds = (*SITE_TYPES, *head.texts("site_types"))
    head.finish()
    rules = []
    given = top.value("rule")
    if given is not None and not (isinstance(given, list) and all(isinstance(item, dict) for item in given)):
        top.wrong("rule", "rules are written as [[rule]], each on a line of its own; correct the heading")
        given = None
    for number, item in enumerate(given or (), start=1):
        rule = _read_rule(item, top, number, scope, kinds)
        if rule is not None:
            rules.append(rule)
    top.finish()
    return Pack(name, top.where, title, note, tuple(rules))


def _read_rule(
    item: dict[str, object], top: Table, number: int, scope: tuple[str, str], kinds: tuple[str, ...]
) -> Rule | None:
    before = len(top.problems)
    named = item.get("id")
    where = f"rule {named}" if isinstance(named, str) else f"rule number {number}"
    table = Table(item, f"{top.where}, {where}", top.problems)
    rule_id = table.text("id", required=True)
    if rule_id and not _ID.fullmatch(rule_id):
        table.wrong("id", f"{rule_id!r} will not do; write lower-case letters, digits and hyphens")
    if len(rule_id) > LONGEST_ID:
        table.wrong("id", f"has {len(rule_id)} characters; {LONGEST_ID} are the most, so shorten it")
    if rule_id in RESERVED:
        table.wrong("id", f"{rule_id!r} names something that is always reckoned; choose another name")
    title = table.text("title", required=True)
    subject = table.word("subject", [subject.value for subject in Subject], required=True)
    shape = _read_shape(table, subject)
    country, subdivision = _scope(table, scope)
    site_types = table.texts("site_types")
    for word in site_types:
        if word not in kinds:
            known = ", ".join(kinds)
            cure = f"write one of: {known}; or name it in site_types under [pack]"
            table.wrong("site_types", f"{word!r} is not known{meant(word, kinds)}; {cure}")
    force = table.word("force", [force.value for force in Force], required=True)
    source = table.text("source", required=True)
    verified_on = table.day("verified_on", required=True)
    start, end = table.day("effective_from"), table.day("effective_to")
    if start is not None and end is not None and end < start:
        table.wrong("effective_to", f"{end} lies before effective_from, {start}; correct one of them")
    replaces = table.texts("replaces")
    use_counts = table.yes("use_counts")
    lead = table.number("order_lead_months", 0, 60)
    window = table.number("opens_days", 1, 366)
    in_service_from = table.day("in_service_from")
    occasions = _occasions(table, subject)
    not_in_force = table.text("not_in_force")
    certificates = table.texts("certificates")
    part = table.text("part")
    staffing = read_staffing(table, "responders") if subject == Subject.RESPONDERS else None
    note = table.text("note", lines=True)
    if subject in PEOPLE and not certificates and not table.holds("certificates"):
        table.wrong("certificates", 'is missing; write the names of the certificates, or ["*"] for every one')
    if len(part) > LONGEST_PART:
        table.wrong("part", f"has {len(part)} characters; {LONGEST_PART} are the most, so shorten it")
    if subject:
        _only(table, "certificates", subject, PEOPLE)
        _only(table, "part", subject, (Subject.CERTIFICATE,))
        _only(table, "use_counts", subject, ROUNDS)
        _only(table, "opens_days", subject, (*ROUNDS, *PEOPLE, Subject.RENEW))
        _only(table, "in_service_from", subject, (*ROUNDS, *PLACING))
        _only(table, "occasions", subject, PLACING)
        _only(table, "order_lead_months", subject, PARTS)
    if window is not None and shape is not None and shape.period:
        table.wrong("opens_days", "a calendar period opens on its first day; take the key out")
    table.finish()
    if len(top.problems) > before or shape is None or verified_on is None:
        return None
    return Rule(
        id=rule_id,
        title=title,
        subject=Subject(subject),
        shape=shape,
        country=country,
        subdivision=subdivision,
        site_types=site_types,
        force=Force(force),
        source=source,
        verified_on=verified_on,
        effective_from=start,
        effective_to=end,
        replaces=replaces,
        use_counts=use_counts,
        order_lead_months=lead,
        opens_days=window,
        note=note,
        in_service_from=in_service_from,
        occasions=occasions,
        not_in_force=not_in_force,
        certificates=certificates,
        part=part,
        staffing=staffing,
    )


def _read_shape(table: Table, subject: str) -> Shape | None:
    if subject == Subject.RECORDS:
        if table.holds("shape"):
            table.value("shape")
            table.wrong("shape", "records are not done but kept; write keep = { months = 24 } in its place")
            return None
        return read_keep(table, "keep")
    if subject == Subject.RESPONDERS:
        if table.holds("shape"):
            table.value("shape")
            table.wrong("shape", "people are counted, not dated; write responders = { at_least = 2 } in its place")
            return None
        return Shape(Span.NUMBER)
    spans = SPANS[Subject(subject)] if subject else tuple({span for every in SPANS.values() for span in every})
    return read_shape(table, "shape", spans)


def _occasions(table: Table, subject: str) -> tuple[str, ...]:
    """What a rule about placing asks by. Where it does not say, by placing a unit and by moving it."""
    told = table.texts("occasions")
    for word in told:
        if word not in OCCASIONS:
            table.wrong("occasions", f"{word!r} is not known{meant(word, OCCASIONS)}; write {', '.join(OCCASIONS)}")
    return told or ((PLACED, MOVED) if subject in PLACING else ())


def _scope(table: Table, inherited: tuple[str, str] = ("", "")) -> tuple[str, str]:
    """Country and subdivision. A rule that says its country says its whole scope; else the pack's holds."""
    country, subdivision = table.text("country"), table.text("subdivision")
    if country in _MISTAKEN:
        table.wrong("country", f"{country!r} is not the ISO 3166-1 code; write {_MISTAKEN[country]}")
    elif country and not _COUNTRY.fullmatch(country):
        table.wrong("country", f"{country!r} is not a country; write its ISO 3166-1 code of two letters, such as FR")
    if subdivision and not _SUBDIVISION.fullmatch(subdivision):
        cure = "write its ISO 3166-2 code without the country, such as CA"
        table.wrong("subdivision", f"{subdivision!r} is not a subdivision; {cure}")
    if country:
        return country, subdivision
    if subdivision and not inherited[0]:
        table.wrong("subdivision", "means nothing without a country; write the country too")
    return inherited[0], subdivision or inherited[1]


def _only(table: Table, key: str, subject: str, subjects: tuple[Subject, ...]) -> None:
    if table.holds(key) and subject not in subjects:
        table.wrong(key, f"has no meaning for {subject}, only for {', '.join(subjects)}; take it out")
