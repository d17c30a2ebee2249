"""The invented fleet's people: who looks after what, who is on call, who was trained."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta

from .names import RIGHT_TO_LEFT, person_name
from .places import Kind
from .rows import Row

COORDINATOR = "COORD"
EVERY_SITE = "*"
REGIONS = ("americas", "europe", "pacific")

_ON_CALL = ("OC-1", "OC-2", "OC-3")
_HOME = {"americas": "America/New_York", "europe": "Europe/Berlin", "pacific": "Asia/Singapore"}


def of_the_fleet(rng: random.Random) -> Iterator[Row]:
    """The coordinator, the technician and those on call, for every site."""
    name = person_name("fr", rng)
    yield (COORDINATOR, name, _mail(COORDINATOR), "", "coordinator", EVERY_SITE, "en", "Europe/Berlin", "")
    yield ("TECH", person_name("de", rng), _mail("TECH"), "", "responder", EVERY_SITE, "de", "Europe/Berlin", "")
    for code, region, language in zip(_ON_CALL, REGIONS, ("en", "de", "en"), strict=True):
        yield (code, person_name(language, rng), _mail(code), "", "on-call", EVERY_SITE, language, _HOME[region], "")


def manager(rng: random.Random, region: str, block: int, sites: list[str]) -> Row:
    """The manager of a region's sites, who gets the weekly letter for them."""
    language = {"americas": "en", "europe": "nl", "pacific": "en"}[region]
    code = f"M-{region.upper()}-{block + 1}"
    # The first holds two roles, as people do.
    roles = "manager; on-call" if region == "europe" and block == 0 else "manager"
    return (code, person_name(language, rng), _mail(code), "", roles, "; ".join(sites), language, _HOME[region], "")


def site_people(rng: random.Random, kind: Kind, site: str, on: date) -> tuple[list[Row], list[Row]]:
    """The site contact and responders of one site, and their certificates."""
    contact = f"C-{site}"
    name = RIGHT_TO_LEFT if kind.code == "MAIR" else person_name(kind.language, rng)
    email = "" if kind.code == "GULF" else _mail(contact)  # one in each block whom no letter can reach
    # The only contact of one site in each block has left: it is without contact since today.
    left_on = str(on - timedelta(days=1)) if kind.code == "QUAY" else ""
    people: list[Row] = [(contact, name, email, _phone(kind, rng), "site-contact", site, kind.language, "", left_on)]
    training: list[Row] = []
    count = 2 if kind.site_type in ("school", "sports", "workplace") else 1
    for number in range(1, count + 1):
        code = f"R-{site}-{number}"
        people.append(
            (code, person_name(kind.language, rng), _mail(code), "", "responder", site, kind.language, "", "")
        )
        training.append(_settled(kind, number, code, on) or _certificate(rng, code, on))
    return people, training


def responders_wanted(kind: Kind) -> str:
    """How many responders the site is to have; "" where nobody set a number."""
    return "2" if kind.code in ("OAKS", "MILL") else ""


def _settled(kind: Kind, number: int, code: str, on: date) -> Row | None:
    """Certificates that show something: too few responders, one that ends within weeks, rules of three kinds."""
    if (kind.code, number) == ("OAKS", 2):
        return (code, "CPR and defibrillator", str(on - timedelta(days=734)), str(on - timedelta(days=4)))
    if (kind.code, number) == ("MILL", 1):
        return (code, "First aid at work", str(on - timedelta(days=400)), "")  # three years, and a refresher each year
    if (kind.code, number) == ("MILL", 2):
        return (code, "First aid at work", str(on - timedelta(days=1000)), str(on + timedelta(days=19)))
    if (kind.code, number) == ("GULF", 1):
        return (code, "Provide first aid", str(on - timedelta(days=350)), "")  # three years, resuscitation one
    return None


def rota(on: date) -> Iterator[Row]:
    """Who is on call: a week each in turn, from two weeks back to ten weeks ahead, without a gap."""
    monday = on - timedelta(days=on.weekday() + 14)
    for week in range(12):
        start = datetime.combine(monday + timedelta(days=7 * week), time(8), UTC)
        code = _ON_CALL[(start.date().toordinal() // 7) % len(_ON_CALL)]
        yield (code, start.isoformat(), (start + timedelta(days=7)).isoformat())


def _certificate(rng: random.Random, code: str, on: date) -> Row:
    """Good through the end of the month, two years on; about one in five has lapsed."""
    issued = on - timedelta(days=rng.randint(10, 900))
    return (code, "Basic life support with defibrillator", issued.isoformat(), f"{issued.year + 2}-{issued.month:02}")


def _phone(kind: Kind, rng: random.Random) -> str:
    """Numbers that are kept for fiction; none where we know of none."""
    if kind.country == "US":
        return f"+1 202 555 01{rng.randrange(100):02}"
    if kind.country == "GB":
        return f"+44 20 7946 0{rng.randrange(1000):03}"
    return ""


def _mail(code: str) -> str:
    return f"{code.lower()}@example.org"
