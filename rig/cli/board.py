"""Boards: found, simulated, flashed, checked against the protocol."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from rig.cli.options import AsJson
from rig.cli.output import print_json, table
from rig.errors import DONE, LINK_LOST, SettingsError
from rig.text import plain


def ports(as_json: AsJson = False) -> None:
    """List the serial ports of this machine."""
    from rig.recorder.ports import list_ports

    found = list_ports()
    if as_json:
        print_json(found)
    elif not found:
        print("No serial port is there. Is the board plugged in?")
    else:
        table(["port", "what it says it is"], [[p["port"], p["description"]] for p in found])


def simulate(context: typer.Context) -> None:
    """Serve a simulated board on a port of its own."""
    from rig.simulator.__main__ import main as serve

    raise typer.Exit(serve(context.args))


def verify_board(
    port: Annotated[str, typer.Option(help="The board's port; see `rig ports`.")],
    baud: Annotated[int, typer.Option(help="Its speed.", min=300)] = 115_200,
    supply_off: Annotated[
        bool, typer.Option("--supply-off", help="I have taken the motor's supply off.")
    ] = False,
    turning: Annotated[
        bool,
        typer.Option(
            "--turning",
            help="Tachometer edges come all the time, from a spun rotor or a generator.",
        ),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Check a board against firmware_protocol.md."""
    from rig.conformance.board import CAUTION, verify_board
    from rig.conformance.rules import UNSEEN

    if not supply_off:
        raise SettingsError(CAUTION, where="verify-board", to_do="Then add --supply-off.")
    findings = []
    for found in verify_board(port, baud, turning=turning):
        findings.append(found)
        if not as_json:
            detail = f": {found.detail}" if found.detail else ""
            typer.echo(plain(f"{found.verdict:<14}  {found.rule} ({found.section}){detail}"))
    broken = sum(found.verdict == "broken" for found in findings)
    unjudged = sum(found.verdict == "not judged" for found in findings)
    if as_json:
        rules = [asdict(found) for found in findings]
        print_json({"broken": broken, "not_judged": unjudged, "rules": rules, "unseen": UNSEEN})
    else:
        typer.echo("\nA port does not show these. Check them at the board:")
        for hint in UNSEEN:
            typer.echo(f"  - {hint}")
        typer.echo(f"\n{broken} of {len(findings)} rules broken")
        if unjudged:
            typer.echo(f"{unjudged} not judged: close what keeps this computer busy, then again")
    raise typer.Exit(LINK_LOST if broken or unjudged else DONE)


def firmware(
    folder: Annotated[Path, typer.Argument(help="Where to write them.", metavar="DIR")],
    as_json: AsJson = False,
) -> None:
    """Write out the reference board's sketches."""
    from rig.firmware import write_out

    written = write_out(folder)
    if as_json:
        print_json({"written": [str(path) for path in written]})
    else:
        for path in written:
            typer.echo(plain(f"written: {path}"))
