"""What one data line costs the session: `python -m tests.recorder.per_line`, microseconds."""

from __future__ import annotations

import gc
import time
from pathlib import Path

from rig.recorder.messages import Plan
from rig.recorder.session import Session
from rig.recorder.states import State
from rig.simulator.board import demo_board
from rig.stand.settings import demo_stand

LINES = 30_000
AT_ONCE = 500


def main() -> None:
    """The best and the median of many short rounds, a line at a time, as a live port gives them."""
    board = demo_board(line_hz=1000, seed=1)
    plan = Plan(demo_stand(), "none", Path("none"), {}, throttle=((70.0, 1e5),))
    session = Session(plan, 0.0, send=board.receive, keep=lambda _: None, tell=lambda _: None)
    now_s, rounds, taken_s, lines = 0.0, [], 0.0, 0
    gc.freeze()
    while len(rounds) * AT_ONCE < LINES:
        now_s += 0.001
        data = board.advance(0.001)
        running = session.state is State.RUNNING
        began_s = time.perf_counter()
        if data:
            session.on_bytes(data, now_s)
        if running and data.count(b"\n") == 1:
            taken_s += time.perf_counter() - began_s
            lines += 1
            if lines == AT_ONCE:
                rounds.append(1e6 * taken_s / lines)
                taken_s, lines = 0.0, 0
        if round(now_s * 1000) % 10 == 0:
            session.on_time(now_s)
    assert session.state is State.RUNNING
    rounds.sort()
    print(f"{rounds[0]:.2f} us a line at best, {rounds[len(rounds) // 2]:.2f} in the median")


if __name__ == "__main__":
    main()
