"""The command line: puts the commands of each room together and turns errors into one sentence and an exit status.

Exit: 0 good, 1 failed, 2 bad usage or bad input, 3 looked and found problems.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence
from typing import Any

import click
from sqlalchemy.exc import DBAPIError

from . import __version__
from .commands.desk import Desk, visible
from .errors import Failure, UserError
from .store.database import disk_full

# Command → module in `commands`; a module is read only when its command runs, so that `--help` is quick.
_WHERE: dict[str, str] = {
    "setup": "setting_up",
    "import": "register",
    "export": "register",
    "deliver": "post",
    "demo": "demo",
    "migrate": "upkeep",
    "backup": "upkeep",
    "restore": "upkeep",
    "verify": "upkeep",
    "round": "watch",
    "scan": "scanning",
    "label": "labels",
    "calendar": "calendar",
    "today": "watch",
    "duties": "watch",
    "cases": "watch",
    "take": "watch",
    "serve": "watch",
    "sign-in-link": "pages",
    "sessions": "sessions",
    "letter": "letters",
    "log": "logbook",
    "strike": "logbook",
    "history": "logbook",
    "rehearse": "rehearsing",
    "rules": "rules",
    "discard": "discard",
    "notice": "notices",
    "person": "people",
    "rota": "rota",
    "away": "rota",
    "close-site": "rota",
}


class _Rooms(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(_WHERE)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _WHERE:
            return None
        module: Any = importlib.import_module(f"nightround.commands.{_WHERE[cmd_name]}")
        command: click.Command = getattr(module, cmd_name.replace("-", "_") + "_command")
        return command


@click.group(cls=_Rooms, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="nightround")
@click.option("--config", metavar="FILE", help="The settings file (else $NIGHTROUND_CONFIG, ./nightround.toml, /etc).")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output and nothing else there.")
@click.pass_context
def cli(ctx: click.Context, config: str | None, as_json: bool) -> None:
    """What a fleet of defibrillators owes: reckoned every night, told in time."""
    ctx.obj = Desk(config, as_json)


def run(arguments: Sequence[str] | None = None) -> int:
    """Runs one command line and gives its exit status."""
    try:
        outcome = cli.main(args=list(arguments) if arguments is not None else None, standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return 2
    except click.exceptions.Exit as error:
        return error.exit_code
    except click.Abort:
        sys.stderr.write("nightround: stopped\n")
        return 1
    except UserError as error:
        sys.stderr.write(visible(f"nightround: {error}\n"))
        return 2
    except Failure as error:
        sys.stderr.write(visible(f"nightround: {error}\n"))
        return 1
    except DBAPIError as error:
        if disk_full(error):
            sys.stderr.write(
                "nightround: the disk of the database is full, so that this was not written; make room and run it "
                "again\n"
            )
            return 1
        why = " ".join(str(error.orig).split())
        sys.stderr.write(f"nightround: the database cannot be used ({why}); check database.url and that it runs\n")
        return 1
    return outcome if isinstance(outcome, int) else 0


def main() -> None:
    """Entry point of the `nightround` program."""
    sys.exit(run())
