"""`python -m rig.simulator`, also reached as `rig simulate`: a simulated board on a port.

It prints the port's URL, one line, and serves until its input ends or it is interrupted.
"""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from rig.errors import DISK_REFUSED, RigError
from rig.simulator.board import Board, Settings
from rig.simulator.faults import NAMES, parse_fault
from rig.simulator.plant import Drive, another_day
from rig.simulator.serve import TruthFile, open_wire, serve

NEAR_THE_WRAP = (65_500, 2**32 - 2_000_000, 65_500)


def parser() -> argparse.ArgumentParser:
    """The options of `rig simulate`."""
    faults = "; ".join(f"{name}: {what}" for name, what in NAMES.items())
    options = argparse.ArgumentParser(
        prog="rig simulate",
        description="Serve a simulated board of the Marram stand. Prints the port and serves.",
        epilog=f"Faults are NAME, NAME@SECONDS or NAME=SHARE. {faults}.",
    )
    add = options.add_argument
    add("--timing", type=float, default=10.0, metavar="DEG", help="timing advance (10)")
    add("--volts", type=float, default=24.6, help="the pack's voltage at rest (24.6)")
    add("--seed", type=int, default=0, help="of noise, faults and the day (0)")
    add("--lines", type=int, default=200, metavar="HZ", help="data lines a second (200)")
    add("--pace", type=float, default=1.0, help="times real time (1)")
    add("--fault", action="append", default=[], help="a fault; may be given again")
    add("--listen-only", action="store_true", help="a board that only talks")
    add("--by-hand", action="store_true", help="a board that cannot drive the throttle")
    add("--near-wrap", action="store_true", help="all counters start shortly before they wrap")
    add("--tcp", action="store_true", help="serve TCP also where there is a pty")
    add("--truth", type=Path, metavar="FILE", help="write what is really so, as CSV")
    return options


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve; the exit code."""
    chosen = parser().parse_args(arguments)
    try:
        faults = tuple(map(parse_fault, chosen.fault))
        settings = Settings(
            seed=chosen.seed,
            line_hz=min(max(chosen.lines, 1), 10_000),
            abilities="" if chosen.listen_only else "SLZ" if chosen.by_hand else "STLZ",
            faults=faults,
            start=NEAR_THE_WRAP if chosen.near_wrap else (0, 0, 0),
        )
    except RigError as error:
        print(f"rig: {error}", file=sys.stderr)
        return error.exit_code
    drive = another_day(Drive(timing_deg=chosen.timing, pack_v=chosen.volts), chosen.seed)
    board = Board(drive, settings)
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with ExitStack() as stack:
        truth = None
        if chosen.truth is not None:
            try:
                truth = TruthFile(stack.enter_context(chosen.truth.open("w")))
            except OSError as error:
                print(f"rig: {chosen.truth}: {error.strerror}", file=sys.stderr)
                return DISK_REFUSED
        wire = open_wire(tcp=chosen.tcp)
        stack.callback(wire.close)
        print(wire.url, flush=True)
        try:
            held = not sys.stdin.isatty()
            serve(board, wire, pace=chosen.pace, until_closed=held, truth=truth)
        except KeyboardInterrupt:
            return 0
    return 0


if __name__ == "__main__":
    sys.exit(main())
