"""The commands as a tester runs them: real processes, a real pty, real signals."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pandas as pd
import pytest

from rig.captures.capture import load, read_meta
from rig.captures.convert import convert
from rig.simulator.process import SimulatedBoard
from tests.bench.scripted import ScriptedBoard
from tests.e2e.slow_disk import trip_while_the_disk_hangs

RIG = [sys.executable, "-m", "rig.cli"]
ROOT = Path(__file__).parents[2]
MARRAM = ROOT / "rig" / "stand" / "marram.toml"
RUN = [*RIG, "run", "--setup", "early", "--throttle", "60:60", "--soak", "0.2", "--headless"]


def rig(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*RIG, *map(str, arguments)], capture_output=True, text=True, timeout=90, check=False
    )


def short_run(folder: Path, *more: str) -> subprocess.CompletedProcess[str]:
    return rig(
        "run", "--simulated", "--setup", "early", "--throttle", "60:2", "--soak", "0.2",
        "--seed", "0", "--headless", "--json", "--out", folder, *more,
    )  # fmt: skip


def until(condition: Callable[[], object], limit_s: float = 20.0) -> None:
    """Wait for something to become true; its file or process has no event to wait on."""
    end_s = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end_s, "what was waited for did not come"
        time.sleep(0.01)


def start(folder: Path, port: str, stand: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*RUN, "--port", port, "--stand", str(stand), "--out", str(folder)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def child_of(parent: int) -> int:
    """The recorder process of a front."""
    done = subprocess.run(
        ["ps", "-o", "pid=,args=", "--ppid", str(parent)],
        capture_output=True,
        text=True,
        check=True,
    )
    return next(int(row.split()[0]) for row in done.stdout.splitlines() if "rig.recorder" in row)


@pytest.fixture
def stand() -> Path:
    return MARRAM


def driven(truth: Path) -> bool:
    """Whether the motor is driven, by the newest whole row of the truth."""
    if not truth.exists():
        return False
    with truth.open("rb") as file:
        file.seek(max(0, file.seek(0, os.SEEK_END) - 1000))
        rows = file.read().split(b"\n")
    return len(rows) > 2 and rows[-2].endswith(b",1")


def test_a_run_on_a_real_pty_is_complete_and_can_be_shown_compared_exported(tmp_path: Path) -> None:
    with ThreadPoolExecutor(2) as both:
        runs = both.map(lambda setup: short_run(tmp_path, "--setup", setup), ("early", "late"))
    for done in runs:
        assert done.returncode == 0, done.stderr
    capture = Path(json.loads(done.stdout)["capture"])
    frame = load(capture).frame
    assert (frame["sequence"].diff().dropna() == 1).all()
    assert read_meta(capture).statistics["lost"] == 0
    listed = json.loads(rig("runs", tmp_path, "--json").stdout)
    assert [row["outcome"] for row in listed] == ["done", "done"]
    shown = rig("show", capture)
    assert "Current, A" in shown.stdout
    assert json.loads(rig("show", capture, "--json").stdout)["figures"]["current_a"] > 5
    compared = json.loads(rig("compare", tmp_path, "--baseline", "early", "--json").stdout)
    changes = compared["variants"]["late"]["changes"]
    assert abs(changes["speed_rpm"]["change_pct"]) < 1.0
    assert rig("export", capture, tmp_path / "x.csv").returncode == 0
    assert len(pd.read_csv(tmp_path / "x.csv")) == len(frame)
    again = rig("recalibrate", tmp_path, "--stand", MARRAM)
    assert again.returncode == 0
    assert again.stdout.count("written: ") == 2
    once = json.loads(rig("compare", tmp_path, "--baseline", "early", "--json").stdout)
    assert once["variants"]["late"]["changes"]["speed_rpm"] == changes["speed_rpm"]
    (line,) = [words for words in once["warnings"] if "a run counts once" in words]
    assert line.startswith("2 files are left out") and "recalibrated/" in line
    listed = json.loads(rig("runs", tmp_path, "--json").stdout)
    assert [bool(row["same_as"]) for row in listed] == [True, True, False, False]
    assert "does not count: the same run as recalibrated/" in rig("runs", tmp_path).stdout


@pytest.mark.parametrize(
    "command",
    [
        ("compare", "--baseline", "early"),
        ("report", "--baseline", "early"),
        ("show",),
        ("recalibrate", "--stand", MARRAM),
        ("export", "x.csv"),
        ("salvage",),
        ("amend", "--setup", "early"),
    ],
)
def test_a_fifo_is_refused_at_once_by_every_command(
    tmp_path: Path, command: tuple[str, ...]
) -> None:
    fifo = tmp_path / "x.parquet"
    os.mkfifo(fifo)
    name, *more = command
    done = rig(name, fifo, *more)
    assert done.returncode == 2
    assert done.stderr.startswith(f"rig: {fifo}: a FIFO, not a regular file")


def test_a_run_keeps_its_pairs_and_a_new_setup_is_named_as_new(tmp_path: Path) -> None:
    done = short_run(
        tmp_path, "--fast", "--with", "pack=P 1", "--with", "fan=F=1", "--notes", "[b]cold[/]"
    )
    assert done.returncode == 0, done.stderr
    assert "new setup" not in done.stderr
    capture = Path(json.loads(done.stdout)["capture"])
    assert read_meta(capture).pairs == {"pack": "P 1", "fan": "F=1"}
    again = short_run(tmp_path, "--fast", "--setup", "erly")
    assert again.returncode == 0, again.stderr
    assert "new setup 'erly' (known here: early)\n" in again.stderr
    mistyped = json.loads(again.stdout)["capture"]
    assert rig("amend", mistyped, "--setup", "early").returncode == 0
    listed = rig("runs", tmp_path).stdout.splitlines()
    assert len(listed) == 3
    assert "pack: P 1; fan: F=1; [b]cold[/]" in listed[1]
    assert Path(mistyped).name in listed[2] and " early " in listed[2]
    shown = rig("show", mistyped).stdout
    assert "setup was 'erly'" in shown


@pytest.mark.parametrize("option", ["--setup", "--notes", "--with"])
def test_words_that_are_not_unicode_are_refused_at_the_door(tmp_path: Path, option: str) -> None:
    word = b"pack=caf\xe9" if option == "--with" else b"caf\xe9"
    done = subprocess.run(
        [*RUN, "--simulated", "--out", tmp_path, option, word], capture_output=True, check=False
    )
    assert done.returncode == 2
    assert done.stderr.count(b"\n") <= 2 and option.encode() in done.stderr
    assert not list(tmp_path.iterdir())


def test_a_run_over_tcp_is_complete_too(tmp_path: Path, stand: Path) -> None:
    with SimulatedBoard(["--tcp", "--lines=1000"]) as board:
        done = rig(
            "run", "--port", board.url, "--stand", stand, "--setup", "tcp", "--throttle", "50:2",
            "--soak", "0", "--headless", "--json", "--out", tmp_path,
        )  # fmt: skip
    assert done.returncode == 0, done.stderr
    capture = Path(json.loads(done.stdout)["capture"])
    assert read_meta(capture).statistics["lost"] == 0
    assert (load(capture).frame["sequence"].diff().dropna() == 1).all()


def test_a_thousand_lines_a_second_over_a_pty_are_all_kept(tmp_path: Path, stand: Path) -> None:
    board = ScriptedBoard(line_hz=1000)
    board.noise = 6
    run = subprocess.Popen(
        [
            *RIG, "run", "--port", board.url, "--stand", stand, "--setup", "fast",
            "--throttle", "50:5", "--soak", "0", "--headless", "--json", "--out", tmp_path,
        ],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    board.serve(lambda: run.poll() is not None)
    out, errors = run.communicate()
    board.close()
    assert run.returncode == 0, errors
    capture = load(json.loads(out)["capture"])
    assert capture.meta.statistics["lost"] == 0
    assert sum(capture.meta.statistics["rejected"].values()) == 0
    assert (capture.frame["sequence"].diff().dropna() == 1).all()
    assert len(capture.frame) > 5000
    assert capture.frame["time_s"].diff().dropna().to_numpy() == pytest.approx(0.001)


@pytest.mark.parametrize(
    ("fault", "code", "words"),
    [
        ("overvolt@1", 3, "Voltage"),
        # It waits 10 s for the link to come back, as `test_a_port_that_vanishes...` does.
        pytest.param("silent@1", 4, "o line", marks=pytest.mark.long),
        ("motor-open@1", 3, "open"),
    ],
)
def test_trips_end_with_their_code_and_a_capture(
    tmp_path: Path, fault: str, code: int, words: str
) -> None:
    done = short_run(tmp_path, "--fault", fault)
    assert done.returncode == code, done.stderr
    assert "!!!" in done.stderr
    outcome = json.loads(done.stdout)
    assert words in outcome["cause"]
    assert load(outcome["capture"]).meta.alarms


def test_ctrl_c_stops_the_motor_and_saves(tmp_path: Path, stand: Path) -> None:
    truth = tmp_path / "truth.csv"
    with SimulatedBoard([f"--truth={truth}"]) as board:
        front = start(tmp_path, board.url, stand)
        until(lambda: driven(truth))
        front.send_signal(signal.SIGINT)
        _, errors = front.communicate(timeout=30)
        assert front.returncode == 3, errors
        assert not driven(truth)
    (capture,) = tmp_path.glob("*.parquet")
    assert read_meta(capture).outcome == "operator"


def test_a_killed_front_stops_the_motor_within_a_second_and_leaves_a_capture(
    tmp_path: Path, stand: Path
) -> None:
    truth = tmp_path / "truth.csv"
    with SimulatedBoard([f"--truth={truth}"]) as board:
        front = start(tmp_path, board.url, stand)
        until(lambda: driven(truth))
        front.kill()
        killed_s = time.monotonic()
        front.communicate()
        until(lambda: not driven(truth))
        assert time.monotonic() - killed_s < 1.0
        until(lambda: list(tmp_path.glob("*.parquet")) and not list(tmp_path.glob("*.journal")))
    (capture,) = tmp_path.glob("*.parquet")
    meta = read_meta(capture)
    assert (meta.outcome, meta.statistics["lost"]) == ("front lost", 0)


KILLS = 20


@pytest.mark.long
@pytest.mark.timeout(400)  # twenty runs, three at a time; on a busy machine they take minutes
def test_a_recorder_killed_at_any_moment_loses_nothing_older_than_half_a_second(
    tmp_path: Path, stand: Path
) -> None:
    random_ = random.Random(11)
    moments_s = [random_.uniform(0.0, 0.8) for _ in range(KILLS)]
    with ThreadPoolExecutor(3) as several:
        jobs = [
            several.submit(kill_recorders, tmp_path / str(number), stand, moments_s[number::3])
            for number in range(3)
        ]
        for job in jobs:
            job.result()


def kill_recorders(folder: Path, stand: Path, moments_s: list[float]) -> None:
    """A board whose every run loses its recorder."""
    folder.mkdir()
    truth = folder / "truth.csv"
    with SimulatedBoard([f"--truth={truth}"]) as board:
        for number, moment_s in enumerate(moments_s):
            kill_a_recorder(folder / str(number), board.url, stand, truth, moment_s)


def kill_a_recorder(folder: Path, port: str, stand: Path, truth: Path, moment_s: float) -> None:
    """One run whose recorder is killed `moment_s` after the motor is first driven."""
    front = start(folder, port, stand)
    until(lambda: driven(truth))
    time.sleep(moment_s)
    os.kill(child_of(front.pid), signal.SIGKILL)
    killed_s = time.monotonic()
    until(lambda: not driven(truth))
    assert time.monotonic() - killed_s < 1.5, "the board did not cut by itself"
    output, errors = front.communicate(timeout=20)
    assert front.returncode == 4
    assert "THE RUN IS UNPROTECTED" in output + errors
    assert "rig salvage" in output + errors
    (journal,) = folder.glob("*.journal")
    assert rig("salvage", journal).returncode == 0
    capture = load(journal.with_suffix(".parquet"))
    assert capture.meta.outcome == "cut off"
    assert capture.meta.statistics["lost"] == 0
    host = pd.read_csv(truth)
    # Board time at the kill, by the truth's record of both clocks.
    at_kill_s = float(host.loc[host["host_s"] <= killed_s, "time_s"].iloc[-1])
    assert capture.frame["tick"].iloc[-1] / 2_000_000 >= at_kill_s - 0.5


def test_a_port_that_vanishes_ends_the_run_with_code_4_and_a_capture(
    tmp_path: Path, stand: Path
) -> None:
    truth = tmp_path / "truth.csv"
    board = SimulatedBoard([f"--truth={truth}"])
    front = start(tmp_path, board.url, stand)
    until(lambda: driven(truth))
    board.process.kill()
    board.process.wait()
    output, errors = front.communicate(timeout=20)
    assert front.returncode == 4, errors
    assert "LINK IS LOST" in errors
    assert "capture:" in output


def test_a_full_disk_stops_the_motor_with_code_5_and_keeps_what_is_there(
    tmp_path: Path, stand: Path
) -> None:
    truth = tmp_path / "truth.csv"
    small = "import resource,signal,sys,os; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
    small += "resource.setrlimit(resource.RLIMIT_FSIZE, (60000, 60000)); "
    small += "os.execv(sys.executable, sys.argv[1:])"
    with SimulatedBoard([f"--truth={truth}"]) as board:
        done = subprocess.run(
            [sys.executable, "-c", small, *RUN, "--port", board.url, "--stand", str(stand),
             "--out", str(tmp_path)],
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert done.returncode == 5, done.stderr
        assert not driven(truth)
    assert "disk refused" in done.stdout + done.stderr
    (kept,) = [*tmp_path.glob("*.parquet"), *tmp_path.glob("*.journal")]
    rows = read_meta(kept if kept.suffix == ".parquet" else convert(kept)).rows
    assert rows > 300


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["run", "--setup", "x", "--port", "/dev/nothing", "--seconds", "1", "--stand",
          str(MARRAM)], 4, "rig ports"),
        (["run", "--setup", "x", "--port", "COM99:", "--seconds", "1", "--stand", "nowhere.toml"],
         2, "--stand"),
        (["run", "--setup", "x", "--simulated"], 2, "--seconds"),
        (["run", "--setup", "x", "--simulated", "--throttle", "120:4"], 2, "--throttle"),
        (["run", "--setup", "x", "--simulated", "--seconds", "1", "--fault", "fire"], 2, "fault"),
        (["show", str(ROOT / "README.md")], 2, "capture"),
        (["compare", str(ROOT / "rig"), "--baseline", "a"], 2, "no capture"),
        (["export", "README.md", "x.txt"], 2, ".csv"),
        (["runs", "nowhere"], 2, "folder"),
        (["salvage", str(ROOT / "README.md")], 2, "no line of a board"),
        (["firmware", str(ROOT / "rig" / "firmware")], 2, "there already"),
        (["firmware", str(ROOT / "README.md" / "x")], 5, "cannot be made"),
        (["nonsense"], 2, "nonsense"),
    ],
)  # fmt: skip
def test_mistakes_end_in_one_message_and_the_right_code(
    arguments: list[str], code: int, words: str, tmp_path: Path
) -> None:
    extra = ["--out", str(tmp_path)] if arguments[0] == "run" else []
    done = rig(*arguments, *extra)
    assert done.returncode == code, done.stderr
    assert words in done.stdout + done.stderr
    assert "Traceback" not in done.stdout + done.stderr


def test_a_label_with_separators_and_escapes_stays_in_its_folder(tmp_path: Path) -> None:
    done = short_run(tmp_path, "--setup", "../../x\x1b[31m/y")
    assert done.returncode == 0, done.stderr
    (capture,) = tmp_path.glob("*.parquet")
    shown = rig("show", capture)
    assert "\x1b[31m" not in shown.stdout
    assert "\\x1b[31m" in shown.stdout


def test_the_recorder_process_imports_nothing_heavy() -> None:
    code = "import rig.recorder.__main__, sys; print(*sorted(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = {name.partition(".")[0] for name in done.stdout.split()}
    assert not loaded & {
        "pandas",
        "pyarrow",
        "pydantic",
        "scipy",
        "textual",
        "uncertainties",
        "typer",
    }


def test_a_disk_that_hangs_delays_neither_trip_nor_heartbeat(tmp_path: Path) -> None:
    """The journal's flush is made to hang for 5 s inside a recorder process on a real pty."""
    code = (
        "import os, sys, time\n"
        "flush = os.fsync\n"
        "hung = []\n"
        "def slow(fd):\n"
        "    if not hung: hung.append(1); time.sleep(5.0)\n"
        "    flush(fd)\n"
        "os.fsync = slow\n"
        "from rig.recorder.__main__ import main\n"
        "sys.exit(main())\n"
    )
    latency_s, longest_gap_s = trip_while_the_disk_hangs(code, tmp_path)
    assert latency_s < 0.05
    assert longest_gap_s < 0.4


@pytest.mark.long
def test_a_board_on_a_port_is_checked_against_the_rules() -> None:
    with SimulatedBoard() as board:
        refused = rig("verify-board", "--port", board.url)
        assert refused.returncode == 2
        assert "supply off" in refused.stderr
        done = rig("verify-board", "--port", board.url, "--supply-off", "--json")
    found = json.loads(done.stdout)
    assert [row for row in found["rules"] if row["verdict"] == "broken"] == []
    assert done.returncode == 0
    assert len(found["rules"]) == 41
    assert any("second arm" in hint for hint in found["unseen"])
    gone = rig("verify-board", "--port", "/dev/nothing", "--supply-off")
    assert gone.returncode == 4
