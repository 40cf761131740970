"""The stand at work: one run, the check before it, the demo, limits tried on recorded runs."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, Captures, Out, Port, RpmPerVolt, StandFile, With
from rig.cli.output import nobody_reads, print_json
from rig.errors import DONE, SettingsError
from rig.text import plain

if TYPE_CHECKING:
    from rig import headless

Setup = Annotated[str | None, typer.Option(help="What is being tried in this run.")]
SimulatedRun = Annotated[
    bool, typer.Option("--simulated", help="Use a simulated board: of --stand, or else Marram's.")
]
SimulatedCheck = Annotated[
    bool, typer.Option("--simulated", help="Use a simulated board of the Marram stand.")
]
Motor = Annotated[
    Path | None, typer.Option(help="Simulated: the file of the motor, its rotor and its supply.")
]
Seconds = Annotated[float | None, typer.Option(help="How long the motor runs.")]
Throttle = Annotated[
    list[str] | None,
    typer.Option(help="Steps PERCENT:SECONDS, such as 40:5,80:10.", show_default=False),
]
Soak = Annotated[
    float, typer.Option(help="Seconds to record after standstill: temperatures peak then.")
]
Notes = Annotated[str, typer.Option(help="Kept in the capture.")]
Zero = Annotated[
    bool,
    typer.Option(
        "--zero", help="Nothing flows, pushes or pulls: take zeros before the run is armed."
    ),
]
Headless = Annotated[
    bool, typer.Option("--headless", help="A status line a second; so without a terminal.")
]
Seed = Annotated[
    int | None,
    typer.Option(help="Simulated: repeats a run's noise. [default: a new one]", min=0),
]
Timing = Annotated[float | None, typer.Option(help="Simulated: timing advance in degrees.")]
FaultsOfRun = Annotated[
    list[str] | None,
    typer.Option("--fault", help="Simulated: a fault, such as overheat@3.", show_default=False),
]
FaultsOfCheck = Annotated[
    list[str] | None,
    typer.Option("--fault", help="Simulated: a fault, such as no-watch.", show_default=False),
]
FastRun = Annotated[
    bool, typer.Option("--fast", help="Simulated: without a screen, faster than the wall.")
]
FastCheck = Annotated[bool, typer.Option("--fast", help="Simulated: faster than the wall.")]
FastDemo = Annotated[
    bool, typer.Option("--fast", help="Faster than the wall, in a time of its own.")
]
Turn = Annotated[
    bool, typer.Option("--turn", help="Turn the motor and prove that it can be stopped.")
]
Propeller = Annotated[str | None, typer.Option(help="`on` or `off`; asked for if not given.")]
StopInput = Annotated[
    bool | None,
    typer.Option(
        "--stop-input/--no-stop-input", help="Whether a stop input is wired; asked if not given."
    ),
]
Ceiling = Annotated[float, typer.Option(help="The most throttle, in percent.", min=1.0, max=50.0)]
Attended = Annotated[
    bool, typer.Option("--attended", help="No terminal: I have read the cautions and stand there.")
]
LimitsToTry = Annotated[
    Path | None,
    typer.Option(
        "--stand",
        help="The limits to try, a stand.toml. [default: those each run had]",
        show_default=False,
    ),
]


def run(
    setup: Setup = None,
    port: Port = None,
    simulated: SimulatedRun = False,
    stand: StandFile = None,
    motor: Motor = None,
    seconds: Seconds = None,
    throttle: Throttle = None,
    soak: Soak = 20.0,
    notes: Notes = "",
    pairs: With = None,
    zero: Zero = False,
    out: Out = None,
    headless: Headless = False,
    timing: Timing = None,
    fault: FaultsOfRun = None,
    seed: Seed = None,
    fast: FastRun = False,
    as_json: AsJson = False,
) -> None:
    """Run the motor once, watch its limits, keep a capture."""
    from rig import bench

    request = bench.Request(
        setup=setup,
        port=port,
        simulated=simulated,
        stand=stand,
        seconds=seconds,
        throttle=tuple(throttle or ()),
        soak_s=soak,
        notes=notes,
        pairs=tuple(pairs or ()),
        folder=out,
        motor=motor,
        timing_deg=timing,
        seed=seed,
        faults=tuple(fault or ()),
        zero=zero,
        fast=fast,
    )
    has_screen = sys.stdin.isatty() and sys.stdout.isatty() and not (headless or as_json or fast)
    if has_screen:
        outcome = bench.on_screen(request)
    else:
        outcome = bench.run_once(request, live_line=not headless and sys.stderr.isatty())
    if outcome is None:
        raise typer.Exit(DONE)
    _print_outcome(outcome, as_json)
    raise typer.Exit(outcome.exit_code)


def _print_outcome(outcome: headless.Outcome, as_json: bool) -> None:
    try:
        if as_json:
            print_json(outcome.as_dict())
        else:
            print(plain(outcome.sentence()))
        sys.stdout.flush()
    except BrokenPipeError:
        nobody_reads()  # how the run ended is in the exit code all the same


def check(
    turn: Turn = False,
    port: Port = None,
    simulated: SimulatedCheck = False,
    stand: StandFile = None,
    propeller: Propeller = None,
    stop_input: StopInput = None,
    ceiling: Ceiling = 25.0,
    rpm_per_volt: RpmPerVolt = None,
    attended: Attended = False,
    fault: FaultsOfCheck = None,
    fast: FastCheck = False,
    as_json: AsJson = False,
) -> None:
    """Check the stand at rest, without arming it: what each input reads, and what is not right.

    Every run begins with the same check. With --turn: that the tachometer counts, and that a
    stop stops the motor.
    """
    from rig import bench

    request = bench.Request(
        port=port, simulated=simulated, stand=stand, faults=tuple(fault or ()), fast=fast
    )
    if not turn:
        from rig.check.at_rest import check_at_rest

        found = check_at_rest(request)
        if as_json:
            print_json(found.as_dict())
        else:
            found.print()
        raise typer.Exit(found.exit_code)
    from rig.proving import turn as turning
    from rig.proving.tester import Answers

    if propeller not in (None, "on", "off"):
        raise SettingsError(f"{propeller!r} is neither on nor off", where="--propeller")
    checked = turning.check_turn(
        request, Answers(propeller, stop_input, attended), ceiling_pct=ceiling,
        rpm_per_volt=rpm_per_volt,
    )  # fmt: skip
    if as_json:
        print_json(checked.as_dict())
    else:
        print(plain(checked.sentence()))
    raise typer.Exit(checked.exit_code)


def demo(out: Out = None, fast: FastDemo = False, as_json: AsJson = False) -> None:
    """Do the whole job on a simulated stand."""
    from rig import demo as marram

    result = marram.demo(out, fast=fast)
    if as_json:
        print_json(result.as_dict())
    else:
        result.print()


def limits(paths: Captures, stand: LimitsToTry = None, as_json: AsJson = False) -> None:
    """Replay runs through limits: what would warn or trip."""
    from rig import limits as tried
    from rig.stand.settings import load_stand

    found = tried.try_limits(paths, None if stand is None else load_stand(stand))
    if as_json:
        print_json(found.as_dict())
    else:
        found.print()
