"""A recorder whose disk hangs, on a scripted board: how late are the stop and the heartbeats?"""

from __future__ import annotations

import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path
from unittest import mock

from rig.recorder import handle
from rig.recorder.messages import Plan
from rig.stand.settings import demo_stand
from tests.bench.scripted import ScriptedBoard


def trip_while_the_disk_hangs(code: str, folder: Path) -> tuple[float, float]:
    """Seconds from the offending line to the stop, and the longest gap between heartbeats."""
    board = ScriptedBoard(200)
    journal, steps = folder / "run.journal", ((50.0, 30.0),)
    plan = Plan(demo_stand(), board.url, journal, {}, throttle=steps, soak_s=0.0)
    popen = subprocess.Popen

    def patched(_: list[str], **options: object) -> subprocess.Popen[bytes]:
        return popen([sys.executable, "-c", code], **options)  # type: ignore[call-overload,no-any-return]

    with mock.patch.object(handle.subprocess, "Popen", patched):
        recorder = handle.Recorder(plan, lambda _: None)
    beats: list[float] = []

    def look() -> bool:
        seen = board.heard.count(b"beat")
        if seen > len(beats):
            beats.extend([time.monotonic()] * (seen - len(beats)))
        return board.armed and len(beats) > 15

    try:
        board.serve(look)
        board.heard = b""
        board.counts = (16_000, *board.counts[1:])
        board.write(board.data_line())
        sent_s = time.monotonic()
        while b"stop" not in board.heard:
            board.read(0.01)
            assert time.monotonic() - sent_s < 5.0
        latency_s = time.monotonic() - sent_s
    finally:
        recorder.process.kill()
        recorder.wait(5.0)
        board.close()
    gaps = [later - before for before, later in pairwise(beats)]
    return latency_s, max(gaps)
