"""The commands: parse, call, print. No logic lives here, and nothing heavy is imported
before a command needs it, so that `rig --help` answers at once."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from rig.errors import DISK_REFUSED, DONE, LINK_LOST, USAGE, RigError, SettingsError
from rig.jobs import ByJob
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

AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]


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


Out = Annotated[Path | None, typer.Option("--out", help="Where to write.", show_default=False)]
StandFile = Annotated[
    Path | None, typer.Option("--stand", help="The stand's settings, stand.toml.")
]

Captures = Annotated[
    list[Path], typer.Argument(help="Captures, or folders of them.", metavar="CAPTURES")
]
Baseline = Annotated[str, typer.Option(help="The setup the others are compared with.")]
Worth = Annotated[
    float | None,
    typer.Option(
        help="The smallest gain of speed worth having, in percent. Without it nothing is called "
        "worth it.",
        min=0.0,
        show_default=False,
    ),
]
Cost = Annotated[
    list[str] | None,
    typer.Option(
        help="The most it may cost: current=5%, power=5%, efficiency=1% (a loss) or motor=10K "
        "(a rise of temperature).",
        show_default=False,
    ),
]
ExponentU = Annotated[
    float | None,
    typer.Option(
        help="Standard uncertainty of this rotor's exponent of power over speed, if it is known "
        "better than that of propellers in general.",
        min=0.0,
        max=1.0,
        show_default=False,
    ),
]
Air = Annotated[
    list[str] | None,
    typer.Option(help="A setup's air: SETUP=DEGC,HPA or SETUP=DEGC,HPA,HUMIDITY in percent."),
]
OtherRotor = Annotated[
    bool,
    typer.Option(
        "--other-rotor", help="The fan or propeller was changed too, or the load is none."
    ),
]
RpmPerVolt = Annotated[
    float | None,
    typer.Option(help="The motor's own rpm per volt, for estimates of other changes.", min=1.0),
]
Teeth = Annotated[
    str | None, typer.Option(help="PINION/SPUR, where the motor drives through a gear.")
]
Window = Annotated[
    str | None,
    typer.Option(
        help="Take FROM:TO, in seconds from the start of the throttle hold, "
        "as each run's steady part."
    ),
]

AtStep = Annotated[
    float | None,
    typer.Option(
        "--step",
        help="Use each run's throttle step of so many percent. [default: its last step]",
        min=0.0,
        max=100.0,
        show_default=False,
    ),
]

Use = Annotated[
    str | None,
    typer.Option(
        help="Share of time at each throttle step (percent) or speed (rpm): 30:20,60:70,90:10. "
        "Gives the change in energy, for runs with several steps.",
        show_default=False,
    ),
]

With = Annotated[
    list[str] | None,
    typer.Option(
        "--with", help="KEY=VALUE, kept in the capture, such as pack=P1.", show_default=False
    ),
]


@app.command()
def ports(as_json: AsJson = False) -> None:
    """List the serial ports of this machine."""
    from rig.recorder.ports import list_ports

    found = list_ports()
    if as_json:
        _print_json(found)
    elif not found:
        print("No serial port is there. Is the board plugged in?")
    else:
        _table(["port", "what it says it is"], [[p["port"], p["description"]] for p in found])


@app.command(
    add_help_option=False,
    context_settings={"ignore_unknown_options": True, "allow_extra_args": True},
)
def simulate(context: typer.Context) -> None:
    """Serve a simulated board on a port of its own."""
    from rig.simulator.__main__ import main as serve

    raise typer.Exit(serve(context.args))


@app.command("verify-board")
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
        _print_json({"broken": broken, "not_judged": unjudged, "rules": rules, "unseen": UNSEEN})
    else:
        typer.echo("\nA port does not show these. Check them at the board:")
        for hint in UNSEEN:
            typer.echo(f"  - {hint}")
        typer.echo(f"\n{broken} of {len(findings)} rules broken")
        if unjudged:
            typer.echo(f"{unjudged} not judged: close what keeps this computer busy, then again")
    raise typer.Exit(LINK_LOST if broken or unjudged else DONE)


@app.command()
def check(
    turn: Annotated[
        bool, typer.Option("--turn", help="Turn the motor and prove that it can be stopped.")
    ] = False,
    port: Annotated[str | None, typer.Option(help="The board's port; see `rig ports`.")] = None,
    simulated: Annotated[
        bool, typer.Option("--simulated", help="Use a simulated board of the Marram stand.")
    ] = False,
    stand: StandFile = None,
    propeller: Annotated[
        str | None, typer.Option(help="`on` or `off`; asked for if not given.")
    ] = None,
    stop_input: Annotated[
        bool | None,
        typer.Option(
            "--stop-input/--no-stop-input",
            help="Whether a stop input is wired; asked if not given.",
        ),
    ] = None,
    ceiling: Annotated[
        float, typer.Option(help="The most throttle, in percent.", min=1.0, max=50.0)
    ] = 25.0,
    rpm_per_volt: RpmPerVolt = None,
    attended: Annotated[
        bool,
        typer.Option("--attended", help="No terminal: I have read the cautions and stand there."),
    ] = False,
    fault: Annotated[
        list[str] | None,
        typer.Option(help="Simulated: a fault, such as no-watch.", show_default=False),
    ] = None,
    fast: Annotated[bool, typer.Option("--fast", help="Simulated: faster than the wall.")] = False,
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
            _print_json(found.as_dict())
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
        _print_json(checked.as_dict())
    else:
        print(plain(checked.sentence()))
    raise typer.Exit(checked.exit_code)


@app.command()
def firmware(
    folder: Annotated[Path, typer.Argument(help="Where to write them.", metavar="DIR")],
    as_json: AsJson = False,
) -> None:
    """Write out the reference board's sketches."""
    from rig.firmware import write_out

    written = write_out(folder)
    if as_json:
        _print_json({"written": [str(path) for path in written]})
    else:
        for path in written:
            typer.echo(plain(f"written: {path}"))


@app.command()
def run(
    setup: Annotated[str | None, typer.Option(help="What is being tried in this run.")] = None,
    port: Annotated[str | None, typer.Option(help="The board's port; see `rig ports`.")] = None,
    simulated: Annotated[
        bool,
        typer.Option("--simulated", help="Use a simulated board: of --stand, or else Marram's."),
    ] = False,
    stand: StandFile = None,
    motor: Annotated[
        Path | None,
        typer.Option(help="Simulated: the file of the motor, its rotor and its supply."),
    ] = None,
    seconds: Annotated[float | None, typer.Option(help="How long the motor runs.")] = None,
    throttle: Annotated[
        list[str] | None,
        typer.Option(help="Steps PERCENT:SECONDS, such as 40:5,80:10.", show_default=False),
    ] = None,
    soak: Annotated[
        float, typer.Option(help="Seconds to record after standstill: temperatures peak then.")
    ] = 20.0,
    notes: Annotated[str, typer.Option(help="Kept in the capture.")] = "",
    pairs: With = None,
    zero: Annotated[
        bool,
        typer.Option(
            "--zero", help="Nothing flows, pushes or pulls: take zeros before the run is armed."
        ),
    ] = False,
    out: Out = None,
    headless: Annotated[
        bool, typer.Option("--headless", help="A status line a second; so without a terminal.")
    ] = False,
    timing: Annotated[
        float | None, typer.Option(help="Simulated: timing advance in degrees.")
    ] = None,
    fault: Annotated[
        list[str] | None,
        typer.Option(help="Simulated: a fault, such as overheat@3.", show_default=False),
    ] = None,
    seed: Annotated[
        int | None,
        typer.Option(help="Simulated: repeats a run's noise. [default: a new one]", min=0),
    ] = None,
    fast: Annotated[
        bool, typer.Option("--fast", help="Simulated: without a screen, faster than the wall.")
    ] = False,
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
    try:
        if as_json:
            _print_json(outcome.as_dict())
        else:
            print(plain(outcome.sentence()))
        sys.stdout.flush()
    except BrokenPipeError:
        _nobody_reads()  # how the run ended is in the exit code all the same
    raise typer.Exit(outcome.exit_code)


@app.command()
def runs(
    folder: Annotated[Path, typer.Argument(help="A folder of captures.", metavar="DIR")],
    step: AtStep = None,
    as_json: AsJson = False,
) -> None:
    """List the runs in a folder, and journals to salvage."""
    from rig import review
    from rig.report.runs import print_runs

    listed = review.runs(folder, step)
    if as_json:
        _print_json(review.runs_data(listed))
    elif not listed:
        print(plain(f"No run is in {folder}."))
    else:
        print_runs(listed, step)


@app.command()
def show(
    capture: Annotated[Path, typer.Argument(metavar="CAPTURE")],
    step: AtStep = None,
    as_json: AsJson = False,
) -> None:
    """Show one run: figures, events, a small plot."""
    from rig import review

    shown = review.show(capture, step)
    if as_json:
        _print_json(shown.as_dict())
    else:
        shown.print()


@app.command()
def compare(
    paths: Captures,
    baseline: Baseline,
    worth: Worth = None,
    cost: Cost = None,
    air: Air = None,
    other_rotor: OtherRotor = False,
    exponent_u: ExponentU = None,
    rpm_per_volt: RpmPerVolt = None,
    teeth: Teeth = None,
    window: Window = None,
    step: AtStep = None,
    use: Use = None,
    as_json: AsJson = False,
) -> None:
    """Compare setups: what changed, how surely, at what cost."""
    from rig import review
    from rig.report.data import as_data

    question = review.question(
        worth, air or [], other_rotor, rpm_per_volt, teeth,
        cost=cost or (), exponent_u=exponent_u, use=use,
    )  # fmt: skip
    comparisons = review.compare(paths, baseline, question, review.window(window), step)
    if as_json:
        _print_json(as_data(comparisons))
        return
    from rig.report.sections import comparison_blocks
    from rig.report.terminal import print_blocks

    print_blocks(comparison_blocks(comparisons))


@app.command()
def report(
    paths: Captures,
    baseline: Baseline,
    worth: Worth = None,
    cost: Cost = None,
    air: Air = None,
    other_rotor: OtherRotor = False,
    exponent_u: ExponentU = None,
    rpm_per_volt: RpmPerVolt = None,
    teeth: Teeth = None,
    window: Window = None,
    step: AtStep = None,
    use: Use = None,
    out: Annotated[
        Path, typer.Option("--out", help="A file that ends in .html, .md or .json.")
    ] = Path("report.html"),
    as_json: AsJson = False,
) -> None:
    """Write a comparison to a file: HTML, Markdown or JSON."""
    from rig import review

    question = review.question(
        worth, air or [], other_rotor, rpm_per_volt, teeth,
        cost=cost or (), exponent_u=exponent_u, use=use,
    )  # fmt: skip
    made = datetime.now(UTC)
    written = review.report(paths, baseline, out, made, question, review.window(window), step)
    _print_path(written, as_json)


@app.command()
def export(
    capture: Annotated[Path, typer.Argument(metavar="CAPTURE")],
    out: Annotated[Path, typer.Argument(help="A file that ends in .csv or .xlsx.")],
    as_json: AsJson = False,
) -> None:
    """Write a capture as CSV or Excel, units in the header."""
    from rig.captures.export import export_csv, export_excel

    writers = {".csv": export_csv, ".xlsx": export_excel}
    writer = writers.get(out.suffix.lower())
    if writer is None:
        raise SettingsError(
            f"cannot write {out.suffix or 'a file without an ending'}",
            where=str(out),
            to_do="Choose a name that ends in .csv or .xlsx.",
        )
    written = writer(capture, out)
    _print_path(written, as_json)


@app.command()
def salvage(
    journal: Annotated[Path, typer.Argument(help="A journal, or a log of a board's lines.")],
    stand: StandFile = None,
    setup: Annotated[str | None, typer.Option(help="For a plain log: what was tried.")] = None,
    as_json: AsJson = False,
) -> None:
    """Make captures of what a crash left, or of a log.

    A log is what a serial terminal took of a board; it needs --stand. The journal stays
    where it is.
    """
    from rig.salvage import salvage

    salvaged = salvage(journal, stand, setup)
    if as_json:
        _print_json(salvaged.as_dict())
    else:
        print(plain(salvaged.sentence()))


@app.command()
def amend(
    captures: Annotated[list[Path], typer.Argument(metavar="CAPTURE...")],
    setup: Annotated[str | None, typer.Option(help="The right name of the setup.")] = None,
    notes: Annotated[str | None, typer.Option(help="The right notes.")] = None,
    pairs: With = None,
    as_json: AsJson = False,
) -> None:
    """Correct the setup, notes or pairs of captures.

    The old words are kept, and all data.

    `--with KEY=` removes a pair.
    """
    from rig import review

    amended = review.amend(captures, setup, notes, pairs or [], datetime.now(UTC))
    if as_json:
        _print_json([{"capture": str(path), "amended": changes} for path, changes in amended])
        return
    for path, changes in amended:
        print(plain(f"{'amended' if changes else 'as it was'}: {path}"))


@app.command()
def recalibrate(
    paths: Captures,
    stand: StandFile = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="A folder; for one capture also a .parquet file. [default: recalibrated/ "
            "in the capture's folder or in the folder named]",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Compute captures anew with a newer stand.toml."""
    from rig.captures.recalibration import recalibrate_all
    from rig.plans import find_stand
    from rig.stand.settings import load_stand

    made = datetime.now(UTC).isoformat(timespec="milliseconds")
    done = recalibrate_all(paths, load_stand(find_stand(stand)), made, out)
    if as_json:
        _print_json({"written": list(map(str, done.written)), "left_out": list(done.left_out)})
        return
    for path in done.written:
        print(plain(f"written: {path}"))
    for line in done.left_out:
        print(plain(line))


@app.command()
def limits(
    paths: Captures,
    stand: Annotated[
        Path | None,
        typer.Option(
            "--stand",
            help="The limits to try, a stand.toml. [default: those each run had]",
            show_default=False,
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Replay runs through limits: what would warn or trip."""
    from rig import limits as tried
    from rig.stand.settings import load_stand

    found = tried.try_limits(paths, None if stand is None else load_stand(stand))
    if as_json:
        _print_json(found.as_dict())
    else:
        found.print()


@app.command("help")
def help_page(
    topic: Annotated[str | None, typer.Argument(metavar="TOPIC", show_default=False)] = None,
) -> None:
    """Show a reference page, such as the keys of stand.toml."""
    from rig import help as pages

    if topic is None:
        for name, what in pages.TOPICS.items():
            typer.echo(f"rig help {name:<10} {what}")
    else:
        _print_markdown(pages.page(topic))


@app.command()
def demo(
    out: Out = None,
    fast: Annotated[
        bool, typer.Option("--fast", help="Faster than the wall, in a time of its own.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Do the whole job on a simulated stand."""
    from rig import demo as marram

    result = marram.demo(out, fast=fast)
    if as_json:
        _print_json(result.as_dict())
    else:
        result.print()


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    from rig.report.document import Column, Table
    from rig.report.terminal import print_blocks

    print_blocks([Table(tuple(map(Column, heads)), tuple(map(tuple, rows)))])


def _print_markdown(text: str) -> None:
    """Set out for a terminal; as it is into a pipe or a file."""
    if not sys.stdout.isatty():
        print(text, end="")
        return
    from rich.console import Console
    from rich.markdown import Markdown

    Console().print(Markdown(text))


def _print_json(value: Any) -> None:
    print(json.dumps(value, indent=2, allow_nan=False))


def _print_path(path: Path, as_json: bool) -> None:
    if as_json:
        _print_json({"written": str(path)})
    else:
        print(plain(f"written: {path}"))


def _nobody_reads() -> int:
    """Whoever read our output, such as `head`, has had enough: no mistake of anybody's."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return DONE


def main(arguments: Sequence[str] | None = None) -> int:
    """The one place where errors become a message and an exit code."""
    try:
        app(args=arguments)
    except SystemExit as done:
        if isinstance(done.__context__, BrokenPipeError):
            return _nobody_reads()
        return done.code if isinstance(done.code, int) else USAGE
    except RigError as error:
        print(plain(f"rig: {error}"), file=sys.stderr)
        return error.exit_code
    except OSError as error:
        print(plain(f"rig: {error}\n  Is there room on the disk?"), file=sys.stderr)
        return DISK_REFUSED
    return DONE


if __name__ == "__main__":
    sys.exit(main())
