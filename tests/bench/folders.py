"""A season's captures: the figures of all of them, the first time and again."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import duckdb
import pyarrow.parquet as pq

from rig.captures.convert import convert
from rig.protocol.records import Hello
from tests.bench.figures import Figure, journal

SECONDS, LINE_HZ = 60, 200
FIRST_S, AGAIN_S = 60.0, 2.0


def folders(captures: int) -> list[Figure]:
    """`rig.figures` over `captures` runs of a minute, against DuckDB's plain means."""
    with tempfile.TemporaryDirectory() as folder:
        runs = Path(folder) / "runs"
        runs.mkdir()
        _fill(runs, captures)
        environment = {"XDG_CACHE_HOME": folder, "PATH": "/usr/bin"}
        first_s, first_mib = _figures(runs, environment)
        again_s, _ = _figures(runs, environment)
        began_s = time.perf_counter()
        duckdb.sql(
            "SELECT filename, avg(current_a), avg(voltage_v), avg(power_w), avg(speed_rpm) "
            f"FROM read_parquet('{runs}/*.parquet', filename=true) GROUP BY filename"
        ).fetchall()
        plain_s = time.perf_counter() - began_s
    share = captures / 1000.0
    return [
        Figure(
            f"figures of {captures} captures, s / {FIRST_S * share:g} s",
            first_s / (FIRST_S * share),
            1.0,
            False,
            f"{first_s:.1f} s, {first_s / plain_s:.0f} times DuckDB's plain means, "
            f"peak {first_mib:.0f} MiB",
        ),
        Figure(
            f"the same again, s / {AGAIN_S:g} s", again_s / AGAIN_S, 1.0, False, f"{again_s:.2f} s"
        ),
    ]


def _fill(runs: Path, captures: int) -> None:
    one = convert(journal(runs / "one.journal", SECONDS * LINE_HZ, LINE_HZ))
    table = pq.read_table(one)
    meta = json.loads(pq.read_metadata(one).metadata[b"rig"]) | {"identity": ""}
    board = Hello.parse(meta["hello"].split(",")[1:])
    one.unlink()
    (runs / "one.journal").unlink()
    for number in range(captures):
        # A boot of its own makes it a run of its own; its identity is for `rig.figures` to find.
        hello = replace(board, boot=number).body()
        meta |= {"run": number, "setup": "ab"[number % 2], "outcome": "done", "hello": hello}
        own = table.replace_schema_metadata({b"rig": json.dumps(meta).encode()})
        pq.write_table(own, runs / f"{number:04}.parquet", compression="zstd")


def _figures(runs: Path, environment: dict[str, str]) -> tuple[float, float]:
    """Seconds and peak memory of a process of its own."""
    code = (
        "import re, sys, rig; from pathlib import Path; table = rig.figures(sys.argv[1]); "
        "assert table['speed_rpm'].notna().all(); "
        "status = Path('/proc/self/status').read_text(); "
        "print(int(re.search(r'VmHWM:\\s+(\\d+)', status)[1]) / 1024)"
    )
    began_s = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, str(runs)],
        env=environment, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return time.perf_counter() - began_s, float(done.stdout)
