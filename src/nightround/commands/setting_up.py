"""`setup`: makes a new installation."""

from __future__ import annotations

from pathlib import Path

import click

from ..errors import UserError
from ..installation import install
from .desk import Desk, pass_desk


@click.command("setup")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--set", "chosen", metavar="KEY=VALUE", multiple=True, help="Sets a key in the new settings file: mail.host=…"
)
@pass_desk
def setup_command(desk: Desk, folder: Path, chosen: tuple[str, ...]) -> None:
    """Makes DIR with a commented settings file, a key and an empty database. Overwrites nothing."""
    made = install(folder, dict(_pair(text) for text in chosen), desk.clock())
    if desk.json:
        desk.answer(
            {
                "folder": made.folder,
                "settings": made.settings,
                "key": made.key,
                "database": made.database,
                "schema": made.schema,
            }
        )
        return
    desk.say(f"settings  {made.settings}  (read it: every key says what it does)")
    desk.say(f"key       {made.key}  (keep a copy of it somewhere safe)")
    desk.say(f"database  {made.database}")
    desk.say(f"next      nightround --config {made.settings} import YOUR-REGISTER.xlsx --check")


def _pair(text: str) -> tuple[str, str]:
    key, sign, value = text.partition("=")
    if not sign or not key.strip():
        raise UserError(f"--set {text}: write it as KEY=VALUE, such as mail.host=mail.example.org")
    return key.strip(), value.strip()
