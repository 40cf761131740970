"""A season's captures: the figures of all of them, the first time and again."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from rig.captures.convert import convert
from rig.protocol.records import Hello
from tests.bench.figures import Figure, journal

SECONDS, LINE_HZ = 60, 200
STEPS = 6
FIRST_S, AGAIN_S = 60.0, 2.0


def folders(captures: int) -> list[Figure]:
    """`rig.figures` over `captures` runs of a minute with one step, against DuckDB's plain means,
    and over as many with six steps.
    """
    with tempfile.TemporaryDirectory() as folder:
        one, six = Path(folder) / "one", Path(folder) / "six"
        _fill(one, captures, 1)
        _fill(six, captures, STEPS)
        environment = {"XDG_CACHE_HOME": folder, "PATH": "/usr/bin"}
        first, again, steps, steps_again = (
            _figures(runs, environment) for runs in (one, one, six, six)
        )
        began_s = time.perf_counter()
        duckdb.sql(
            "SELECT filename, avg(current_a), avg(voltage_v), avg(power_w), avg(speed_rpm) "
            f"FROM read_parquet('{one}/*.parquet', filename=true) GROUP BY filename"
        ).fetchall()
        plain_s = time.perf_counter() - began_s
    share = captures / 1000.0
    return [
        Figure(
            f"figures of {captures} captures, s / {FIRST_S * share:g} s",
            first.wall_s / (FIRST_S * share),
            1.0,
            False,
            f"{first.wall_s:.1f} s, {first.wall_s / plain_s:.0f} times DuckDB's plain means, "
            f"peak {first.peak_mib:.0f} MiB",
        ),
        Figure(
            f"the same again, s / {AGAIN_S:g} s",
            again.wall_s / AGAIN_S,
            1.0,
            False,
            f"{again.wall_s:.2f} s",
        ),
        Figure(
            f"figures of {captures} captures with {STEPS} steps / with one, processor time",
            steps.cpu_s / first.cpu_s,
            1.3,
            False,
            f"{steps.wall_s:.1f} s, again {steps_again.wall_s:.2f} s",
        ),
    ]


def _fill(runs: Path, captures: int, steps: int) -> None:
    runs.mkdir()
    one = convert(journal(runs / "one.journal", SECONDS * LINE_HZ, LINE_HZ))
    table = _stepped(pq.read_table(one), steps)
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


def _stepped(table: pa.Table, steps: int) -> pa.Table:
    """The same lines, under so many throttle steps of equal length."""
    at = table.schema.get_field_index("throttle_pct")
    field = table.schema.field(at)
    throttle = 30.0 + 10.0 * (np.arange(len(table)) * steps // len(table))
    return table.set_column(at, field, pa.array(throttle, field.type))


class _Took(NamedTuple):
    wall_s: float
    cpu_s: float
    """Of all its processes."""
    peak_mib: float


def _figures(runs: Path, environment: dict[str, str]) -> _Took:
    """`rig.figures` over a folder in a process of its own."""
    code = (
        "import re, sys, rig; from pathlib import Path; table = rig.figures(sys.argv[1]); "
        "assert table['speed_rpm'].notna().all(); "
        "status = Path('/proc/self/status').read_text(); "
        "print(int(re.search(r'VmHWM:\\s+(\\d+)', status)[1]) / 1024)"
    )
    began_s, used_s = time.perf_counter(), _children_s()
    done = subprocess.run(
        [sys.executable, "-c", code, str(runs)],
        env=environment, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return _Took(time.perf_counter() - began_s, _children_s() - used_s, float(done.stdout))


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime
