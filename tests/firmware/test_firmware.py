"""The reference firmware on a simulated microcontroller: its size, its stops, a whole run.

Select with `-m firmware`; where the tools are missing, the skip's reason tells how to get them.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.captures.capture import load
from rig.errors import LINK_LOST
from rig.protocol.commands import Arm, AskHello, Beat, Limit, Stop, Throttle, Zero
from rig.protocol.framing import frame
from tests.firmware import build
from tests.firmware.simulated import Chip, Host, motor_table, running

pytestmark = [
    pytest.mark.firmware,
    pytest.mark.skipif(build.MISSING, reason=build.INSTALL),
]

FLASH, RAM = 32 * 1024, 2 * 1024
STAND = Path(build.HERE.parents[1], "rig", "stand", "marram.toml")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("firmware")


@pytest.fixture(scope="module")
def bench(folder: Path) -> Path:
    motor_table(folder / "motor.txt")
    return build.bench(folder)


@pytest.fixture(scope="module")
def elf(folder: Path) -> Path:
    return build.board(folder, "-DTEST_HANG")[0]


@pytest.fixture
def chip(bench: Path, elf: Path) -> Iterator[Chip]:
    with running(bench, elf) as chip:
        yield chip


def boot_number(host: Host) -> int:
    assert host.tell(AskHello()) == "ok"
    return int(host.of_kind("H")[-1][4])


def arm(host: Host) -> None:
    assert host.tell(Arm(boot_number(host))) == "ok"


@pytest.mark.parametrize("language", ["c", "c++"])
def test_it_builds_without_a_warning_in_half_of_the_part(folder: Path, language: str) -> None:
    elf, said = build.board(folder, language=language)
    flash, ram = build.size(elf)
    print(f"{language}: {flash} bytes of flash, {ram} of RAM")
    assert not said
    assert flash <= FLASH // 2
    assert ram <= RAM // 2


@pytest.mark.parametrize("source", [build.BOARD, build.LISTENER], ids=["board", "listener"])
def test_it_builds_as_a_sketch_and_introduces_itself(
    folder: Path, bench: Path, source: Path
) -> None:
    elf = build.sketch(folder / source.stem, source)
    flash, ram = build.size(elf)
    print(f"{source.stem} as a sketch: {flash} bytes of flash, {ram} of RAM")
    assert flash <= FLASH // 2
    assert ram <= RAM // 2
    with running(bench, elf) as chip:
        host = Host(chip.port)
        if source == build.BOARD:
            boot_number(host)
        host.listen(2.5)
        hello = host.of_kind("H")[-1]
        assert len(host.of_kind("C")) >= int(hello[8])
        sequences = [int(fields[1]) for fields in host.of_kind("D")]
        assert len(sequences) > 100
        assert sequences == list(range(sequences[0], sequences[0] + len(sequences)))
        # Only the line that was under way when the port was opened.
        assert host.broken <= 1


def rig(*words: str) -> Any:
    """What a command prints as JSON; its exit code must be 0."""
    done = rig_started(*words).communicate(timeout=110)
    return json.loads(done[0])


def rig_started(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "rig.cli", *words, "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def started_run(chip: Chip, stand: Path, out: Path, throttle: str) -> subprocess.Popen[str]:
    return rig_started(
        "run", "--headless", "--port", chip.port, "--stand", str(stand), "--setup", "early",
        "--throttle", throttle, "--soak", "0.2", "--out", str(out),
    )  # fmt: skip


RATES = [(115200, 100, 16), (250000, 200, 16), (1000000, 500, 4)]
WRAPPING = ("-DSTART_SEQUENCE=65436u", "-DSTART_TICK=4291967296UL", "-DSTART_EDGES=65500u")


def at_rate(folder: Path, baud: int, line_hz: int, conversions: int) -> Path:
    """The firmware at such a rate, its counters about to wrap."""
    rate = (f"-DBAUD={baud}UL", f"-DLINE_HZ={line_hz}", f"-DCONVERSIONS={conversions}")
    return build.board(folder, *rate, *WRAPPING)[0]


def test_a_minute_at_each_rate_loses_no_line_and_reads_what_is_true(
    folder: Path, bench: Path, tmp_path: Path
) -> None:
    with ExitStack() as stack:
        runs = []
        for baud, line_hz, conversions in RATES:
            elf = at_rate(folder, baud, line_hz, conversions)
            stand = tmp_path / f"{baud}.toml"
            stand.write_text(STAND.read_text().replace("baud = 115200", f"baud = {baud}"))
            chip = stack.enter_context(running(bench, elf))
            runs.append((baud, line_hz, chip, started_run(chip, stand, tmp_path, "50:60")))
        for baud, line_hz, chip, process in runs:
            told, complaint = process.communicate(timeout=110)
            assert process.returncode == 0, complaint
            holds(f"{baud} baud, {line_hz} lines/s", chip, Path(json.loads(told)["capture"]))


def holds(rate: str, chip: Chip, path: Path) -> None:
    """No line is lost in this run, and its figures are those that the bench knows."""
    frame = load(path).frame
    steps = np.diff(frame["sequence"].to_numpy(np.int64)) % 2**16
    lost = int((steps - 1).sum())
    shown = rig("show", str(path))
    fastest = max(rpm for _, rpm, *_ in chip.truths())
    _, *true = next(row for row in reversed(chip.truths()) if row[1] == fastest)
    print(f"{rate}: {len(frame)} lines, {lost} lost")
    for name, truth in zip(("speed_rpm", "current_a", "voltage_v"), true, strict=True):
        figure, u = shown["figures"][name], shown["uncertainty"][name]
        print(f"    {name} {figure:.3f}, u {u:.3f}, true {truth:.3f}")
        assert abs(figure - truth) <= (5e-4 * truth if name == "speed_rpm" else 2 * u)
    assert lost == 0
    stopped, off = chip.times("host", "stop")[0], chip.times("drive", "0")[0]
    assert 0 <= off - stopped <= 0.010


def test_a_run_ends_when_the_supply_of_the_board_dips(chip: Chip, tmp_path: Path) -> None:
    process = started_run(chip, STAND, tmp_path, "30:20")
    until(lambda: chip.truths() and chip.truths()[-1][1] > 1000)
    chip.dip()
    told, complaint = process.communicate(timeout=60)
    (on,) = chip.times("drive", "1")
    (off,) = chip.times("drive", "0")
    reset = chip.times("reset", "")[-1]
    print(f"reset to pin: {1000 * (off - reset):.2f} ms; exit {process.returncode}")
    assert off == reset > on
    assert process.returncode == LINK_LOST
    assert "the board was reset in mid-run" in complaint
    assert load(Path(json.loads(told)["capture"])).meta.outcome == "link lost"


def until(happened: Callable[[], object], limit_s: float = 15.0) -> None:
    end_s = time.monotonic() + limit_s
    while not happened():
        assert time.monotonic() < end_s, "what was waited for did not come"
        time.sleep(0.01)


@pytest.mark.parametrize("source", [build.BOARD, build.LISTENER], ids=["board", "listener"])
def test_it_keeps_the_rules(folder: Path, bench: Path, source: Path) -> None:
    elf = build.sketch(folder / f"{source.stem}-rules", source)
    with running(bench, elf) as chip:
        process = rig_started("verify-board", "--port", chip.port, "--supply-off")
        told, complaint = process.communicate(timeout=110)
    assert told, complaint
    rules = json.loads(told)["rules"]
    print(*(f"{r['verdict']:<14}  {r['rule']}: {r['detail']}" for r in rules), sep="\n")
    assert [r["rule"] for r in rules if r["verdict"] == "broken"] == []
    assert len([r for r in rules if r["verdict"] == "kept"]) >= (20 if source == build.BOARD else 5)


FUZZED_S = 300.0


def test_five_minutes_of_random_bytes_start_nothing_and_stop_nothing(
    folder: Path, bench: Path, elf: Path
) -> None:
    """Every second: noise, then perhaps an arm that counts, then noise, then a stop."""
    chance = random.Random(5)
    byte_s = 10 / 115200
    arm_line, stop_line = b"\n" + frame("arm,1,0"), b"\n stop\n"
    rows, told = [], Counter[bytes]()
    second = 1.0
    while second < FUZZED_S:
        at = second
        for line in (b"", arm_line, b"", stop_line):
            if line == arm_line and chance.random() < 0.5:
                continue
            told[line] += 1
            if not line:
                # Of the protocol's own letters too, so that some of it is nearly a line.
                letters = chance.choice((bytes(range(256)), b"arm,stoplihb0123456789-*\n\r AFDE"))
                line = bytes(chance.choices(letters, k=chance.randrange(10, 2000)))
            rows.append(f"{at:.6f} {line.hex(' ')}\n")
            at += len(line) * byte_s + 0.02
        second += 1.0
    food = folder / "noise.txt"
    food.write_text("".join([*rows, f"{FUZZED_S + 1:.1f} 0a\n"]))
    with running(bench, elf, f"feed={food}") as chip:
        chip.process.wait(timeout=110)
        until(lambda: chip.log and chip.log[-1][1] == "end")
    on, off = chip.times("drive", "1"), chip.times("drive", "0")
    arms = [when for when, what, text in chip.log if what == "host" and text.startswith("arm,1,0*")]
    stops = [when for when, what, text in chip.log if what == "host" and text == " stop"]
    print(f"{len(arms)} arms, {len(on)} starts, {len(stops)} stops")
    assert len(arms) == told[arm_line] > 100
    assert len(stops) == told[stop_line] > 250
    for start in on:
        assert min(abs(start - arm) for arm in arms) < 0.01, "a false start"
    # Off again by the next stop at the latest.
    for start in on:
        stop = min(stop for stop in stops if stop > start)
        assert any(start < t <= stop + 0.010 for t in off), "a missed stop"
    assert chip.times("reset", "") == [], "a hang, ended by the watchdog"


@pytest.mark.parametrize("bare", [True, False], ids=["bare", "numbered"])
def test_a_stop_reaches_the_pin_within_10_ms(chip: Chip, bare: bool) -> None:
    host = Host(chip.port)
    late_ms = []
    for _ in range(10):
        arm(host)
        assert host.tell(Throttle(200)) == "ok"
        if bare:
            host.line.write(b"\n\t SToP \r\n")
        else:
            host.line.write(frame("stop,9999"))
        report = host.until(lambda fields: fields[0] == "X")
        assert report[2:] == ["stop", "-"]
        told = [when for when, what, text in chip.log if what == "host" and "stop" in text.lower()]
        late_ms.append(1000 * (chip.times("drive", "0")[-1] - told[-1]))
    print(f"stop to pin: {min(late_ms):.2f} to {max(late_ms):.2f} ms")
    assert max(late_ms) <= 10.0
    assert len(chip.times("drive", "0")) == 10


def test_no_command_told_before_a_stop_undoes_it(chip: Chip) -> None:
    host = Host(chip.port)
    boot = boot_number(host)
    host.line.write(frame(f"arm,70,{boot}") + b"\nstop\n" + frame("throttle,71,500"))
    host.listen(0.3)
    assert host.of_kind("D")[-1][5] == "2"
    assert ["A", "71", "no", "state"] in host.heard
    assert len(chip.times("drive", "1")) == len(chip.times("drive", "0"))


def test_a_silent_host_loses_the_drive_after_500_ms(chip: Chip) -> None:
    host = Host(chip.port)
    arm(host)
    report = host.until(lambda fields: fields[0] == "X")
    assert report[2:] == ["heartbeat", "-"]
    lasted = chip.times("drive", "0")[-1] - chip.times("drive", "1")[-1]
    print(f"silence to pin: {1000 * lasted:.1f} ms")
    assert 0.49 <= lasted <= 0.51
    host.listen(0.1)
    assert int(host.of_kind("D")[-1][5]) == 2 | 8


def test_a_hung_program_is_cut_and_started_anew_by_the_watchdog(chip: Chip) -> None:
    host = Host(chip.port)
    boot = boot_number(host)
    arm(host)
    host.line.write(frame("hang,99"))
    report = host.until(lambda fields: fields[0] == "X")
    assert report[2:] == ["watchdog", "-"]
    hung = next(when for when, what, text in chip.log if text.startswith("hang"))
    lasted = chip.times("drive", "0")[-1] - hung
    print(f"hang to pin: {1000 * lasted:.1f} ms")
    assert lasted <= 0.250
    host.listen(0.2)
    assert int(host.of_kind("D")[-1][5]) == 2 | 16
    assert host.tell(Arm(boot)) == "boot"
    assert boot_number(host) == boot + 1


def test_its_own_limits_cut(chip: Chip) -> None:
    host = Host(chip.port)
    # 5 A through 37.5 mV per ampere, at 5 V, 1024 and 16 conversions.
    high = round(5 * 0.0375 / 5 * 1024 * 16)
    for limit, where in ((Limit(0, None, high, 50), "0"), (Limit("e", None, 150, 0), "e")):
        assert host.tell(Limit(0, None, None, 0)) == "ok"
        assert host.tell(limit) == "ok"
        arm(host)
        assert host.tell(Throttle(600)) == "ok"
        end_s = time.monotonic() + 3
        reports = len(host.of_kind("X"))
        while len(host.of_kind("X")) == reports and time.monotonic() < end_s:
            assert host.tell(Beat()) in ("ok",)
            host.listen(0.05)
        assert host.of_kind("X")[-1][2:] == ["limit", where]
        host.listen(0.05)
        assert int(host.of_kind("D")[-1][5]) == 2 | 4
        host.listen(1.0)


def test_commands_are_answered_as_documented(chip: Chip) -> None:
    host = Host(chip.port)
    boot = boot_number(host)
    assert host.tell(Zero(0)) == "ok"
    # 0.4 A stand by: 0.4 x 0.0375 / 5 x 1024 x 16 = 49, less half a count for each conversion.
    assert int(host.of_kind("C")[-1][7]) == pytest.approx(45, abs=8)
    assert host.tell(Zero(1)) == "cannot"
    assert host.tell(Zero(9)) == "range"
    assert host.tell(Limit(9, None, 1, 0)) == "range"
    assert host.tell(Throttle(10)) == "state"
    assert host.tell(Arm((boot + 1) % 65536)) == "boot"
    assert host.tell(Stop()) == "ok"
    assert host.tell(Arm(boot)) == "ok"
    assert host.tell(Arm(boot)) == "ok"
    assert host.tell(Zero(0)) == "state"
    for body, reason in (
        ("dance,500", "unknown"),
        ("beat,500,1", "fields"),
        ("throttle,500,1001", "fields"),
        ("throttle,500, 1", "fields"),
        ("throttle,500,99999999999", "fields"),
        ("limit,500,0,-,2147483648,0", "fields"),
        ("limit,500,0,-,1", "fields"),
    ):
        host.line.write(frame(body))
        assert host.until(lambda fields: fields[:2] == ["A", "500"])[-1] == reason
    for junk in (b"beat,1*0000\n", b"x" * 300 + b"\n", frame("beat"), b"\x00\xff\n"):
        host.listen(0.1)
        host.line.write(junk)
        assert host.until(lambda fields: fields[0] == "D" and int(fields[5]) & 32)
    host.line.write(b"\n  \r\n")
    host.listen(0.1)
    assert not int(host.of_kind("D")[-1][5]) & 32


@pytest.mark.parametrize(
    ("baud", "line_hz", "conversions"),
    [*RATES, (1000000, 200, 16)],
)
def test_no_line_and_no_answer_is_lost_at(
    folder: Path, bench: Path, baud: int, line_hz: int, conversions: int
) -> None:
    """The counters start so that each of them wraps on the way."""
    elf = at_rate(folder, baud, line_hz, conversions)
    with running(bench, elf) as chip:
        host = Host(chip.port, baud)
        arm(host)
        # To make its introduction takes longer than 2 ms: at 500 lines/s it costs a line.
        host.heard.clear()
        assert host.tell(Throttle(500)) == "ok"
        for _ in range(20):
            assert host.tell(Beat()) == "ok"
            host.listen(0.1)
        host.listen()
        lines = host.of_kind("D")
        assert host.broken <= 1
        sequences = [int(fields[1]) for fields in lines]
        assert all((b - a) % 65536 == 1 for a, b in pairwise(sequences))
        ticks = [int(fields[2]) for fields in lines]
        gaps = [(b - a) % 2**32 for a, b in pairwise(ticks)]
        assert ticks[-1] < ticks[0] and int(lines[-1][3]) < int(lines[0][3])
        early, late = lines[-60], lines[-1]
        count, took = (
            (int(late[place]) - int(early[place])) % 2**bits for place, bits in ((3, 16), (4, 32))
        )
        rpm = count / 2 / (took / 2e6) * 60
        true = chip.truths()[-1][1]
        print(f"{baud} baud, {line_hz} lines/s: {len(lines)} lines, {rpm:.2f} rpm of {true:.2f}")
        assert rpm == pytest.approx(true, rel=5e-4)
        assert max(abs(gap - 2e6 / line_hz) for gap in gaps) < 1000
