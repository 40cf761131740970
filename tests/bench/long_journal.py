"""A journal of a gigabyte: converted in the memory that a short one takes."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from rig.protocol.framing import frame
from rig.protocol.records import Data
from tests.bench.figures import Figure
from tests.captures import journals

SHORT_BYTES = 50_000_000


def long_journal(size: int) -> list[Figure]:
    """Peak memory and time of the conversion of a journal of `size` bytes."""
    with tempfile.TemporaryDirectory() as folder:
        short_mb, _ = _converted(Path(folder) / "short.journal", SHORT_BYTES)
        long_mb, seconds = _converted(Path(folder) / "long.journal", size)
    name = f"memory for a journal of {size / 1e9:g} GB over {SHORT_BYTES / 1e9:g} GB"
    absolute = f"{long_mb:.0f} MB over {short_mb:.0f} MB, {size / 1e6 / seconds:.0f} MB/s"
    return [Figure(name, long_mb / short_mb, 1.5, False, absolute)]


def _converted(journal: Path, size: int) -> tuple[float, float]:
    """Peak memory in MB and the time in s."""
    # 65,536 lines after which sequence and tick stand where they stood: they can be repeated.
    lines = b"".join(
        frame(Data(row, row << 16, row, row << 16, 1, journals.COUNTS).body())
        for row in range(2**16)
    )
    with journal.open("wb") as file:
        file.write(journals.begin() + journals.introduction())
        for _ in range(size // len(lines)):
            file.write(lines)
    began_s = time.perf_counter()
    process = subprocess.Popen([sys.executable, "-P", "-m", "rig.captures", str(journal)])
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError("the journal was not converted")
    return usage.ru_maxrss / 1e3, time.perf_counter() - began_s
