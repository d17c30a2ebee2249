"""Which invented units were moved of late, or stand in for a withdrawn one. Only units that are well are chosen.

A block's stories are changed after they were dealt; at most two pairs of units change places.
"""

from __future__ import annotations

from .places import KINDS

MOVED = "moved of late"
ON_LOAN = "on loan for "
_ASKS_TO_BE_TOLD = "ESTA"  # its place wants to hear of each move within fifteen business days
_WELL, _WITHDRAWN = "well", "withdrawn"


def arrange(stories: list[str], block: int) -> list[str]:
    """The stories of one block with a unit moved of late, and a loan unit beside the withdrawn one."""
    found = list(stories)
    sites: list[tuple[str, range]] = []
    first = 0
    for kind in KINDS:
        code = kind.code if block == 0 else f"{kind.code}{block + 1}"
        sites.append((code, range(first, first + kind.units)))
        first += kind.units
    for kind, (_, places) in zip(KINDS, sites, strict=True):
        if kind.code == _ASKS_TO_BE_TOLD:
            well = [place for place in places if found[place] == _WELL]
            place, other = (well or list(places))[0], found.index(_WELL)
            if not well:
                found[other] = found[place]
            found[place] = MOVED
    _lend(found, sites)
    return found


def _lend(stories: list[str], sites: list[tuple[str, range]]) -> None:
    """A loan unit beside the withdrawn one; where none there is well, the two change places with a pair that is."""
    if _WITHDRAWN not in stories:
        return
    gone = stories.index(_WITHDRAWN)
    code, places = next(site for site in sites if gone in site[1])
    well = [place for place in places if stories[place] == _WELL]
    if not well:
        pairs = [(site, [place for place in site[1] if stories[place] == _WELL]) for site in sites]
        (code, places), well = next((site, free) for site, free in pairs if len(free) > 1)
        other = well.pop(0)
        stories[gone], stories[other] = stories[other], stories[gone]
        gone = other
    stories[well[0]] = f"{ON_LOAN}{code}-{gone - places.start + 1:02}"
