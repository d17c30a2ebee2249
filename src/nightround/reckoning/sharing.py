"""Promises the spares of a site to the parts of its units that would be ordered otherwise, each spare to one of them.

Pure: the same claims and spares give the same promises, whichever of the units is asked about.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import NamedTuple

from .facts import Part


class Claim(NamedTuple):
    """A fitted part that has to be replaced, and for which neither a spare of its unit nor an order is at hand.

    In the order in which they are served: by `last_good_day` of the part, then by the unit's code.
    """

    last_good_day: date
    unit: str
    kind: str
    part_id: int  # 0: the unit ought to have one of the kind, and none is fitted


def promised(day: date, spares: Iterable[Part], claims: Iterable[Claim]) -> dict[Claim, date]:
    """By claim the last good day of the spare that is promised to it; claims for which there is none are left out.

    A spare serves only what it outlasts, and only while `day` is not past its own last good day. Of those that do the
    one that is good the shortest is promised: the better ones are left for parts that are good for longer, so that as
    many as can be are served, and spares are used up in the order in which they expire.
    """
    left: dict[str, list[date]] = {}
    for spare in spares:
        if spare.last_good_day is not None and spare.last_good_day >= day:
            left.setdefault(spare.kind, []).append(spare.last_good_day)
    for days in left.values():
        days.sort()
    found: dict[Claim, date] = {}
    for claim in sorted(claims):
        days = left.get(claim.kind, [])
        serves = next((good for good in days if good > claim.last_good_day), None)
        if serves is not None:
            days.remove(serves)
            found[claim] = serves
    return found
