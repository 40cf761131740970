"""From an event to the pin that lets the drive run: in time, and every time.

The bounds are those of firmware_protocol.md, "Timing".
"""

from __future__ import annotations

import random
import re
import time
from collections import Counter
from pathlib import Path

import pytest

from rig.protocol.commands import Arm, Beat, Limit, Throttle
from rig.protocol.framing import frame
from tests.firmware.simulated import Chip, Host, running
from tests.protocol import document


def promised_ms(event: str) -> float:
    (bound,) = (row[1] for row in document.table("the drive is off after") if row[0] == event)
    return float(re.search(r"([\d.]+) ms", bound)[1])  # type: ignore[index]


def holds(event: str, took_ms: list[float]) -> None:
    print(f"{event}: {min(took_ms):.2f} to {max(took_ms):.2f} ms")
    assert min(took_ms) >= 0
    assert max(took_ms) <= promised_ms(event)


@pytest.mark.parametrize("bare", [True, False], ids=["bare", "numbered"])
def test_a_stop_reaches_the_pin(chip: Chip, bare: bool) -> None:
    host = Host(chip.port)
    took_ms = []
    for _ in range(20):
        host.arm()
        assert host.tell(Throttle(200)) == "ok"
        host.line.write(b"\n\t SToP \r\n" if bare else frame("stop,9999"))
        report = host.until(lambda fields: fields[0] == "X")
        assert report[2:] == ["stop", "-"]
        told = [when for when, what, text in chip.log if what == "host" and "stop" in text.lower()]
        took_ms.append(1000 * (chip.times("drive", "0")[-1] - told[-1]))
    assert len(chip.times("drive", "0")) == 20
    holds("a stop as a bare word" if bare else "a numbered stop", took_ms)


def test_no_command_told_before_a_stop_undoes_it(chip: Chip) -> None:
    host = Host(chip.port)
    boot = host.boot_number()
    host.line.write(frame(f"arm,70,{boot}") + b"\nstop\n" + frame("throttle,71,500"))
    host.listen(0.3)
    assert host.of_kind("D")[-1][5] == "2"
    assert ["A", "71", "no", "state"] in host.heard
    assert len(chip.times("drive", "1")) == len(chip.times("drive", "0"))


def test_a_silent_host_loses_the_drive(chip: Chip) -> None:
    host = Host(chip.port)
    for _ in range(3):
        host.arm()
        report = host.until(lambda fields: fields[0] == "X")
        assert report[2:] == ["heartbeat", "-"]
    host.listen(0.1)
    assert int(host.of_kind("D")[-1][5]) == 2 | 8
    on, off = chip.times("drive", "1"), chip.times("drive", "0")
    took_ms = [1000 * (b - a) for a, b in zip(on, off, strict=True)]
    assert min(took_ms) > 490
    holds("the host's last line", took_ms)


def test_a_hung_program_is_cut_and_started_anew_by_the_watchdog(chip: Chip) -> None:
    host = Host(chip.port)
    took_ms = []
    for _ in range(3):
        boot = host.boot_number()
        host.arm()
        host.line.write(frame("hang,99"))
        report = host.until(lambda fields: fields[0] == "X")
        assert report[2:] == ["watchdog", "-"]
        hung = [when for when, what, text in chip.log if text.startswith("hang")]
        took_ms.append(1000 * (chip.times("drive", "0")[-1] - hung[-1]))
        host.listen(0.2)
        assert int(host.of_kind("D")[-1][5]) == 2 | 16
        assert host.tell(Arm(boot)) == "boot"
        assert host.boot_number() == boot + 1
    holds("its program hung", took_ms)


@pytest.mark.parametrize("hold_ms", [0, 50])
def test_a_current_beyond_its_limit_is_cut(chip: Chip, hold_ms: int) -> None:
    host = Host(chip.port)
    assert host.tell(Limit(0, None, counts(60), hold_ms)) == "ok"
    took_ms = []
    for repeat in range(20):
        host.arm()
        assert host.tell(Throttle(200)) == "ok"
        # At another moment of the board's line each time.
        host.listen(0.03 + 0.0013 * repeat)
        chip.suffer("surge")
        report = host.until(lambda fields: fields[0] == "X")
        assert report[2:] == ["limit", "0"]
        off = chip.times("drive", "0")[-1]
        took_ms.append(1000 * (off - chip.times("surge", "")[-1]) - hold_ms)
    holds("a reading went beyond its limit", took_ms)


def counts(amps: float) -> int:
    """Through 37.5 mV per ampere, at 5 V, 1024 and 16 conversions."""
    return round(amps * 0.0375 / 5 * 1024 * 16)


def test_limits_cut_where_they_are_passed_as_the_speed_rises(chip: Chip) -> None:
    host = Host(chip.port)
    for limit, where in ((Limit(0, None, counts(5), 50), "0"), (Limit("e", None, 150, 0), "e")):
        assert host.tell(Limit(0, None, None, 0)) == "ok"
        assert host.tell(limit) == "ok"
        host.arm()
        assert host.tell(Throttle(600)) == "ok"
        end_s = time.monotonic() + 3
        reports = len(host.of_kind("X"))
        while len(host.of_kind("X")) == reports and time.monotonic() < end_s:
            assert host.tell(Beat()) == "ok"
            host.listen(0.05)
        assert host.of_kind("X")[-1][2:] == ["limit", where]
        host.listen(0.05)
        assert int(host.of_kind("D")[-1][5]) == 2 | 4
        host.listen(1.0)


FUZZED_S = 300.0


@pytest.mark.long
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
        chip.until(lambda: chip.log and chip.log[-1][1] == "end")
    on, off = chip.times("drive", "1"), chip.times("drive", "0")
    arms = [when for when, what, text in chip.log if what == "host" and text.startswith("arm,1,0*")]
    stops = [when for when, what, text in chip.log if what == "host" and text == " stop"]
    print(f"{len(arms)} arms, {len(on)} starts, {len(stops)} stops")
    assert len(arms) == told[arm_line] > 100
    assert len(stops) == told[stop_line] > 250
    for start in on:
        assert min(abs(start - arm) for arm in arms) < 0.01, "a false start"
        # Off again by the next stop at the latest.
        stop = min(stop for stop in stops if stop > start)
        late_s = promised_ms("a stop as a bare word") / 1000
        assert any(start < t <= stop + late_s for t in off), "a missed stop"
    assert chip.times("reset", "") == [], "a hang, ended by the watchdog"
