"""`demo`: writes an invented fleet as import files."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import click

from ..demo.fleet import write_fleet
from .desk import Desk, pass_desk


@click.command("demo")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--units", type=click.IntRange(1, 1_000_000), default=60, show_default=True, help="How many units.")
@click.option("--seed", type=int, default=1, show_default=True, help="The same seed gives the same files.")
@click.option("--on", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE", help="The day it is invented for; else today.")
@click.option("--days", type=click.IntRange(1, 730), default=730, show_default=True, help="How far back the log goes.")
@pass_desk
def demo_command(desk: Desk, folder: Path, units: int, seed: int, on: datetime | None, days: int) -> None:
    """Writes an invented fleet into DIR as files that `import` reads. Nothing in it is real."""
    day: date = on.date() if on is not None else desk.clock().date()
    with desk.progress("inventing") as progress:
        rows = write_fleet(folder, units, seed, day, progress, days)
    if desk.json:
        desk.answer({"folder": folder, "on": day, "seed": seed, "rows": rows})
        return
    desk.say(f"{folder}: {', '.join(f'{count} {name}' for name, count in rows.items())}, invented for {day}")
