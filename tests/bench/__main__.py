"""The figures we promise: `python -m tests.bench [--json FILE] [--trips N] [--captures N]`
(`--help` lists more).

Each is a ratio, or a share, measured against something else in the same run on the same
machine; the absolute stands beside it. The last column says what the figure must be.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path

from tests.bench.figures import Figure, captures, decoding, load, start_up, trips
from tests.bench.folders import folders
from tests.bench.long_journal import long_journal
from tests.bench.screen import screen, slow_terminals


def main() -> int:
    """Measure, print, and fail when a figure does not hold."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--json", type=Path, help="write the figures there too")
    parser.add_argument("--trips", type=int, default=1000, help="trips to time")
    parser.add_argument("--screen-trips", type=int, default=100, help="trips, screen live")
    parser.add_argument("--slow-keys", type=int, default=20, help="stop keys on slow terminals")
    parser.add_argument("--journal", type=int, default=10**9, help="bytes of a long journal")
    parser.add_argument("--captures", type=int, default=1000, help="captures in a folder")
    arguments = parser.parse_args()
    parts: list[Callable[[], list[Figure]]] = [
        decoding,
        captures,
        load,
        lambda: trips(arguments.trips),
        lambda: screen(arguments.screen_trips),
        lambda: slow_terminals(arguments.slow_keys),
        start_up,
        lambda: folders(arguments.captures),
        lambda: long_journal(arguments.journal),
    ]
    figures: list[Figure] = []
    print(f"{'figure':<44} {'measured':>12} {'must be':>12}  absolute")
    for part in parts:
        for figure in part():
            figures.append(figure)
            verdict = "" if figure.holds else "  DOES NOT HOLD"
            print(
                f"{figure.name:<44} {figure.measured:>12.3f} {figure.bound:>12}  "
                f"{figure.absolute}{verdict}",
                flush=True,
            )
    if arguments.json:
        arguments.json.write_text(json.dumps([f.as_dict() for f in figures], indent=2) + "\n")
    return 0 if all(figure.holds for figure in figures) else 1


if __name__ == "__main__":
    sys.exit(main())
