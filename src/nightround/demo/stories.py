"""What has become of each unit of the invented fleet. A deck of sixty, dealt anew to every block of sixty units.

Units past a date and units with no date recorded are about as common as each other, as an audit found: of 235 units, 57
past a date and 47 with none recorded (Keelung, Taiwan, 2025).
"""

from __future__ import annotations

from .dice import dice
from .moving import arrange

DECK: tuple[str, ...] = (
    *["well"] * 24,
    *["pads past"] * 5,
    *["battery past"] * 2,
    *["pads date not recorded"] * 4,
    *["battery date not recorded"] * 3,
    *["pads due"] * 4,
    *["pads due, ordered"] * 2,
    "pads due, order overdue",
    "pads due, spare at hand",
    "spare past",
    "battery standby over",
    "battery low",
    *["look overdue"] * 2,
    "not looked at for long",
    "never checked",
    "nothing recorded",
    "fault reported by a passer-by",
    "used, not restored",
    "used and restored",
    "withdrawn",
    "withdrawn and returned",
    "pads opened",
)


def dealt(seed: int, block: int) -> list[str]:
    """The stories of one block's units, in order."""
    deck = list(DECK)
    dice(seed, "deck", block).shuffle(deck)
    return arrange(deck, block)
