"""`python -m rig.simulator`, also reached as `rig simulate`: a simulated board on a port.

It prints the port's URL, one line, and serves until its input ends or it is interrupted.
"""

from __future__ import annotations

import argparse
import signal
import sys
import time
from collections import deque
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from rig.errors import DONE, DiskError, RigError, SettingsError
from rig.simulator.board import EVENTS, Board
from rig.simulator.day import plant_for, supply_warning
from rig.simulator.drive import Drive
from rig.simulator.examples import write_examples
from rig.simulator.faults import KINDS, parse_fault
from rig.simulator.motor_file import load_drive
from rig.simulator.serve import input_ends, open_wire, serve
from rig.simulator.settings import BY_HAND, EVERYTHING, NEAR_THE_WRAP, NOTHING, Settings, marram
from rig.simulator.truth import TruthFile
from rig.stand.settings import load_stand


def parser() -> argparse.ArgumentParser:
    """The options of `rig simulate`."""
    kinds = "".join(
        f"\n  {name:19} {what}" + ("" if value is None else f" ({value:g})")
        for name, (what, value) in KINDS.items()
    )
    options = argparse.ArgumentParser(
        prog="rig simulate",
        description="Serve a simulated board of a stand, Marram's unless one is named. Prints\n"
        "the port and serves until its input ends or it is interrupted. Lines on its\n"
        f"input are what hands do at the stand: {', '.join(EVENTS)}.\n"
        "One `turn` is one turn of the shaft with the marks; `button` is the stop input.",
        epilog="Faults are written NAME, NAME@SECONDS, NAME=VALUE or NAME@SECONDS=VALUE.\n"
        "SECONDS count from when the motor is first driven. VALUE is a share or a level:\n"
        f"{kinds}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    standard, add = Settings(), options.add_argument
    add("--stand", type=Path, metavar="FILE", help="the stand's settings, stand.toml")
    add("--motor", type=Path, metavar="FILE", help="its motor, rotor and supply")
    add("--examples", type=Path, metavar="DIR", help="write out examples of both files, and end")
    add(
        "--timing",
        type=float,
        metavar="DEG",
        help="advance of the controller",
    )
    add("--cells", type=int, metavar="N", help="of the pack")
    add("--volts", type=float, metavar="V", help="the supply's volts at rest")
    add("--bench-supply", action="store_true", help="a bench supply in place of the pack")
    add("--seed", type=int, default=0, help="of noise, faults and the day (%(default)s)")
    add("--stand-seed", type=int, default=0, help="of the stand's own errors (%(default)s)")
    add("--ideal", action="store_true", help="a stand without errors of its own")
    add(
        "--lines",
        type=int,
        default=standard.line_hz,
        metavar="HZ",
        help="lines a second (%(default)s)",
    )
    add("--baud", type=int, default=0, help="line speed that holds the bytes back (none)")
    add("--pace", type=float, default=1.0, help="times real time (%(default)g)")
    add("--fault", action="append", default=[], help="a fault, see below; may be repeated")
    add("--reference", action="store_true", help="a board that measures its supply too")
    add("--listen-only", action="store_true", help="a board that only talks")
    add("--by-hand", action="store_true", help="a board that cannot drive the throttle")
    add("--throttle", type=float, default=0.0, metavar="PCT", help="set by hand, for these two")
    add("--near-wrap", action="store_true", help="counters start shortly before they wrap")
    add("--tcp", action="store_true", help="serve TCP also where there is a pty")
    add("--truth", type=Path, metavar="FILE", help="write what is really so, as CSV")
    return options


def settings_of(chosen: argparse.Namespace) -> Settings:
    """The board's settings for these options. Raises SettingsError."""
    stand = marram() if chosen.stand is None else load_stand(chosen.stand)
    drive = Drive() if chosen.motor is None else load_drive(chosen.motor)
    return Settings(
        stand=stand,
        drive=drive,
        timing_deg=chosen.timing,
        cells=chosen.cells,
        volts=chosen.volts,
        bench_supply=chosen.bench_supply,
        throttle=chosen.throttle / 100.0,
        seed=chosen.seed,
        stand_seed=chosen.stand_seed,
        ideal=chosen.ideal,
        line_hz=chosen.lines,
        baud=chosen.baud,
        reference=chosen.reference or stand.reference is not None,
        start=NEAR_THE_WRAP if chosen.near_wrap else (0, 0, 0),
        abilities=NOTHING if chosen.listen_only else BY_HAND if chosen.by_hand else EVERYTHING,
        faults=tuple(map(parse_fault, chosen.fault)),
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve; gives the exit code."""
    chosen = parser().parse_args(arguments)
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    if hasattr(signal, "SIGTTIN"):
        # In the background its terminal is not ours to read, and no reason to stand still.
        signal.signal(signal.SIGTTIN, signal.SIG_IGN)
    try:
        if chosen.examples is not None:
            for path in write_examples(chosen.examples):
                print(path)
            return DONE
        with ExitStack() as stack:
            _serve(chosen, stack)
    except RigError as error:
        print(f"rig: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        pass  # Being told to end is the usual end.
    return DONE


def _serve(chosen: argparse.Namespace, stack: ExitStack) -> None:
    settings = settings_of(chosen)
    if not 0.01 <= chosen.pace <= 100.0:
        raise SettingsError(f"{chosen.pace:g} is not in 0.01 to 100", where="--pace")
    if words := supply_warning(settings):
        print(f"rig: {words}", file=sys.stderr)
    board = Board(plant_for(settings), settings)
    if chosen.truth is not None:
        try:
            file = stack.enter_context(chosen.truth.open("w", encoding="utf-8"))
        except OSError as error:
            raise DiskError(f"cannot be written: {error.strerror}", where="--truth") from error
        board.on_line = TruthFile(file, time.monotonic).write
    wire = open_wire(tcp=chosen.tcp)
    stack.callback(wire.close)
    events: deque[str] = deque()
    ended = input_ends(events)
    print(wire.url, flush=True)
    serve(board, wire, ended, pace=chosen.pace, events=events)


if __name__ == "__main__":
    sys.exit(main())
