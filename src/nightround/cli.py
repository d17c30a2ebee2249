"""The command line: puts the commands of each room together and turns errors into one sentence and an exit status.

Exit: 0 good, 1 failed, 2 bad usage or bad input, 3 looked and found problems.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence
from typing import Any, NamedTuple

import click

from . import __version__
from .bootstrap import Clock, Program, system_clock
from .commands.desk import Desk, visible
from .errors import Failure, UserError


class _Where(NamedTuple):
    module: str  # in `commands`; read only when the command runs
    does: str  # what `nightround --help` says of it


_WHERE: dict[str, _Where] = {
    "setup": _Where("setting_up", "make a folder with settings, key and empty database"),
    "import": _Where("register", "read units, parts, people and log from files"),
    "export": _Where("register", "write the register and its log as files"),
    "deliver": _Where("post", "send what waits in the letter box, once"),
    "demo": _Where("demo", "write an invented fleet as files to import"),
    "migrate": _Where("upkeep", "bring the database to the newest schema"),
    "backup": _Where("upkeep", "write a consistent copy of the database"),
    "restore": _Where("upkeep", "fill an empty database from a copy"),
    "verify": _Where("upkeep", "look over settings, database, people and mail"),
    "round": _Where("watch", "run the nightly round, once"),
    "scan": _Where("scanning", "decode the GS1 or HIBC label of a part"),
    "label": _Where("labels", "make cabinet labels to print"),
    "calendar": _Where("calendar", "calendars to subscribe to"),
    "today": _Where("watch", "what is wrong today, worst first"),
    "duties": _Where("watch", "what is owed, worst first, and why"),
    "cases": _Where("watch", "what needs a person now"),
    "take": _Where("watch", "say that a person takes care of a case"),
    "serve": _Where("watch", "the service: rounds, letters, calendars, pages"),
    "sign-in-link": _Where("pages", "print a link that signs a person in"),
    "sessions": _Where("sessions", "who is signed in where, and how to end it"),
    "letter": _Where("letters", "the weekly letter as it would be sent"),
    "log": _Where("logbook", "record a check, a new part, a use, a fault …"),
    "strike": _Where("logbook", "take back a wrong log entry; it stays readable"),
    "history": _Where("logbook", "everything logged for a unit"),
    "rehearse": _Where("rehearsing", "who would be told what in the coming days"),
    "rules": _Where("rules", "which rules bind where, and what is to come"),
    "discard": _Where("discard", "discard what old log entries say"),
    "notice": _Where("notices", "safety notices and the units they mean"),
    "person": _Where("people", "who is in the register, and who leaves"),
    "rota": _Where("rota", "who is on call: now, next and when"),
    "away": _Where("rota", "record when a person is away"),
    "close-site": _Where("rota", "record when a site is closed"),
}


class _Rooms(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(_WHERE)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _WHERE:
            return None
        module: Any = importlib.import_module(f"nightround.commands.{_WHERE[cmd_name].module}")
        command: click.Command = getattr(module, cmd_name.replace("-", "_") + "_command")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """From the table, so that help needs none of the modules."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, _WHERE[name].does) for name in self.list_commands(ctx)])


@click.group(cls=_Rooms, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="nightround")
@click.option("--config", metavar="FILE", help="The settings file (else $NIGHTROUND_CONFIG, ./nightround.toml, /etc).")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output and nothing else there.")
@click.pass_context
def cli(ctx: click.Context, config: str | None, as_json: bool) -> None:
    """What a fleet of defibrillators owes: reckoned every night, told in time."""
    given: Given = ctx.obj or Given(system_clock, None)
    ctx.obj = Desk(config, as_json, given.clock, given.program)


class Given(NamedTuple):
    """What whoever runs a command line hands to it beside its words."""

    clock: Clock
    program: Program | None


def run(arguments: Sequence[str] | None = None, *, clock: Clock = system_clock, program: Program | None = None) -> int:
    """Runs one command line and gives its exit status. With `program`, on that one as it is, its clock included."""
    given = Given(clock if program is None else program.clock, program)
    words = list(arguments) if arguments is not None else None
    try:
        outcome = cli.main(args=words, standalone_mode=False, obj=given)
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
    except Exception as error:
        why = _of_the_database(error)
        if why is None:
            raise
        sys.stderr.write(f"nightround: {why}\n")
        return 1
    return outcome if isinstance(outcome, int) else 0


def _of_the_database(error: Exception) -> str | None:
    """The one sentence for an error of the database; None where it is another."""
    # Here, since whoever asks for help or the version needs no database.
    from sqlalchemy.exc import DBAPIError

    from .store.database import disk_full

    if not isinstance(error, DBAPIError):
        return None
    if disk_full(error):
        return "the disk of the database is full, so that this was not written; make room and run it again"
    why = " ".join(str(error.orig).split())
    return f"the database cannot be used ({why}); check database.url and that it runs"


def main() -> None:
    """Entry point of the `nightround` program."""
    sys.exit(run())
