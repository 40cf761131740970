"""The longest silence that a board hears from its host: `python -m tests.recorder.silence`.

A run at 1,000 lines/s while another process spins on the other core, and each core's turn
is fought for. The board cuts after 500 ms without a word; 300 ms is the bound here.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time

import numpy as np

from tests.bench.figures import LINE_HZ, ScriptedRun

AT_MOST_S = 0.3


def longest_gaps_s(minutes: float, busy: int) -> np.ndarray:
    """The times between what the host sends while the motor is driven, in s, seen by the board."""
    spinners = [multiprocessing.Process(target=spin, daemon=True) for _ in range(busy)]
    for spinner in spinners:
        spinner.start()
    heard_s: list[float] = []
    try:
        with ScriptedRun("idle", seconds=60.0 * minutes + 30.0) as run:
            run.board.noise = 6
            run.until_running()
            ends_s = time.perf_counter() + 60.0 * minutes

            def over() -> bool:
                now_s = time.perf_counter()
                if run.board.heard:
                    run.board.heard = b""
                    heard_s.append(now_s)
                run.runs()
                return now_s > ends_s

            run.board.serve(over, limit_s=60.0 * minutes + 30.0)
            heard_s.append(time.perf_counter())
    finally:
        for spinner in spinners:
            spinner.kill()
    return np.diff(heard_s)


def spin() -> None:
    """Take a core."""
    while True:
        pass


def main() -> int:
    """Measure and print. 1 when a silence was longer than the bound."""
    parser = argparse.ArgumentParser(prog="python -m tests.recorder.silence", description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--busy", type=int, default=1, help="processes that spin")
    arguments = parser.parse_args()
    gaps_s = longest_gaps_s(arguments.minutes, arguments.busy)
    p50, p99 = np.percentile(gaps_s, [50, 99])
    print(
        f"{arguments.minutes:g} min at {LINE_HZ} lines/s, {arguments.busy} busy: {len(gaps_s)} "
        f"silences, p50 {1000 * p50:.1f}, p99 {1000 * p99:.1f}, "
        f"longest {1000 * gaps_s.max():.1f} ms (bound {1000 * AT_MOST_S:g})"
    )
    return 0 if gaps_s.max() <= AT_MOST_S else 1


if __name__ == "__main__":
    sys.exit(main())
