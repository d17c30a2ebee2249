"""`scan`: what a label says."""

from __future__ import annotations

import click

from ..reckoning.dates import local_day
from ..register.scanning.scan import scan
from .desk import Desk, pass_desk


@click.command("scan")
@click.argument("text")
@pass_desk
def scan_command(desk: Desk, text: str) -> int:
    """Decodes the GS1 or HIBC label of a part. Exit status 3 where the label has something wrong with it."""
    label = scan(text, local_day(desk.clock(), desk.settings.fleet.time_zone))
    if desk.json:
        desk.answer(label.as_dict())
    else:
        rows = [(name.replace("_", " "), value) for name, value in label.as_dict().items() if name != "warnings"]
        desk.table(("field", "says"), [(name, repr(value)[1:-1] if name == "raw" else value) for name, value in rows])
        for warning in label.warnings:
            desk.say(f"careful: {warning}")
    return 3 if label.warnings else 0
