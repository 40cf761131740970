"""The commands: parse, call, print. No logic lives here, and nothing heavy is imported
before a command needs it, so that `rig --help` answers at once.

A file per job, `options` for what several commands have, `output` for how they print.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Annotated

import typer

from rig.cli import board, captures, compare, run, stand
from rig.cli.jobs import ByJob
from rig.cli.output import nobody_reads
from rig.errors import DISK_REFUSED, DONE, USAGE, RigError
from rig.text import plain

app = typer.Typer(
    name="rig",
    cls=ByJob,
    help="Logger and judge for a home-built motor test stand.",
    epilog="Stopping by software is no substitute for a hand-operated cut in the supply.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
for command in (
    run.run, run.check, run.demo, run.limits,
    captures.runs, captures.show, captures.export, captures.amend, captures.salvage,
    compare.compare, compare.report,
    stand.recalibrate,
    board.ports, board.firmware,
):  # fmt: skip
    app.command()(command)
app.command("help")(stand.help_page)
app.command("verify-board")(board.verify_board)
app.command(
    add_help_option=False,
    context_settings={"ignore_unknown_options": True, "allow_extra_args": True},
)(board.simulate)


def _say_version(wanted: bool) -> None:
    if wanted:
        from rig.version import version

        typer.echo(f"rig {version()}")
        raise typer.Exit(DONE)


@app.callback()
def _options(
    _: Annotated[
        bool,
        typer.Option("--version", help="Show the version.", callback=_say_version, is_eager=True),
    ] = False,
    verbose: Annotated[
        bool, typer.Option("--verbose", help="Log what the command does; a run also to a file.")
    ] = False,
) -> None:
    if verbose:
        from rig import logs

        logs.to_terminal()


def main(arguments: Sequence[str] | None = None) -> int:
    """The one place where errors become a message and an exit code."""
    try:
        app(args=arguments)
    except SystemExit as done:
        if isinstance(done.__context__, BrokenPipeError):
            return nobody_reads()
        return done.code if isinstance(done.code, int) else USAGE
    except RigError as error:
        print(plain(f"rig: {error}"), file=sys.stderr)
        return error.exit_code
    except OSError as error:
        print(plain(f"rig: {error}\n  Is there room on the disk?"), file=sys.stderr)
        return DISK_REFUSED
    return DONE
