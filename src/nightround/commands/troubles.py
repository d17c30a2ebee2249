"""What commands that work on the service say of it at their end: on standard error, and by their exit status."""

from __future__ import annotations

from collections.abc import Container

from ..rounds.troubles import Trouble
from ..sweeping import speak_up
from .desk import Desk


def speak_of_troubles(desk: Desk, leave_out: Container[str]) -> list[Trouble]:
    """Prints what is wrong with the service but for the kinds left out, tells the calendars, and gives what it said."""
    found = [trouble for trouble in speak_up(desk.program) if trouble.kind not in leave_out]
    for trouble in found:
        detail = f" ({trouble.detail})" if trouble.detail else ""
        desk.err.print(f"nightround: {trouble.sentence}{detail}", markup=False)
    return found
