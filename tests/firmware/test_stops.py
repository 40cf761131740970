"""From an event to the pin that lets the drive run: in time, and every time.

The bounds are those of firmware_protocol.md, "Timing".
"""

from __future__ import annotations

import random
import re
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.protocol.commands import Arm, Beat, Limit, Throttle
from rig.protocol.framing import frame
from tests.firmware import build
from tests.firmware.simulated import Chip, Host, running
from tests.protocol import document


def promised_ms(event: str) -> float:
    (bound,) = (row[1] for row in document.table("the drive is off after") if row[0] == event)
    return float(re.search(r"([\d.]+) ms", bound)[1])  # type: ignore[index]


def holds(event: str, took_ms: list[float], least_ms: float = 0) -> None:
    print(f"{event}: {min(took_ms):.2f} to {max(took_ms):.2f} ms")
    assert min(took_ms) >= least_ms
    assert max(took_ms) <= promised_ms(event.split(" (")[0])


STOPS = {
    "a stop as a bare word": b"\n\t SToP \r\n",
    "a numbered stop": frame("stop,9999"),
}


@pytest.mark.parametrize("event", STOPS)
def test_a_stop_reaches_the_pin(chip: Chip, event: str) -> None:
    took_ms = stops(chip, Host(chip.port), STOPS[event], 20)
    assert len(chip.times("drive", "0")) == 20
    holds(event, took_ms)


def stops(chip: Chip, host: Host, line: bytes, repeats: int) -> list[float]:
    """Milliseconds from the last byte of this stop to the pin."""
    took_ms = []
    for _ in range(repeats):
        host.arm()
        assert host.tell(Throttle(200)) == "ok"
        host.line.write(line)
        report = host.until(lambda fields: fields[0] == "X")
        assert report[2:] == ["stop", "-"]
        told = [when for when, what, text in chip.log if what == "host" and "stop" in text.lower()]
        took_ms.append(1000 * (chip.times("drive", "0")[-1] - told[-1]))
    return took_ms


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
    took_ms = silences(chip, host, 3)
    host.listen(0.1)
    assert int(host.of_kind("D")[-1][5]) == 2 | 8
    holds("the host's last line", took_ms)


def silences(chip: Chip, host: Host, repeats: int) -> list[float]:
    """Milliseconds from an arm, after which the host is silent, to the pin."""
    before = len(chip.times("drive", "1"))
    for _ in range(repeats):
        host.arm()
        report = host.until(lambda fields: fields[0] == "X")
        assert report[2:] == ["heartbeat", "-"]
    chip.until(lambda: len(chip.times("drive", "0")) == len(chip.times("drive", "1")))
    on, off = chip.times("drive", "1")[before:], chip.times("drive", "0")[before:]
    took_ms = [1000 * (b - a) for a, b in zip(on, off, strict=True)]
    assert min(took_ms) > 490
    return took_ms


def hang(chip: Chip, host: Host, word: str) -> float:
    """Milliseconds from this command, which hangs the program, until the drive is off."""
    host.arm()
    host.line.write(frame(f"{word},99"))
    chip.until(lambda: any(text.startswith(word) for _, _, text in chip.log))
    hung = [when for when, _, text in chip.log if text.startswith(word)]
    chip.until(lambda: chip.times("drive", "0")[-1:] > hung[-1:])
    return 1000 * (chip.times("drive", "0")[-1] - hung[-1])


def test_a_hung_program_is_cut_and_started_anew_by_the_watchdog(chip: Chip) -> None:
    hangs_and_starts_anew(chip, Host(chip.port))


def hangs_and_starts_anew(chip: Chip, host: Host) -> list[float]:
    took_ms = []
    for _ in range(3):
        boot = host.boot_number()
        reports = len(host.of_kind("X"))
        took_ms.append(hang(chip, host, "hang"))
        host.until(lambda fields: fields[0] == "D" and int(fields[5]) == 2 | 16)
        assert [fields[2:] for fields in host.of_kind("X")[reports:]] == [["watchdog", "-"]]
        assert host.tell(Arm(boot)) == "boot"
        assert host.boot_number() == boot + 1
        host.arm()
        host.listen(0.1)
        assert int(host.of_kind("D")[-1][5]) == 1
    holds("its program hung", took_ms)
    return took_ms


@pytest.fixture(params=[name for name, path in build.LOADERS.items() if path])
def loaded(bench: Path, core: Path, elf: Path, request: pytest.FixtureRequest) -> Iterator[Chip]:
    """With a boot loader before the firmware, in turn with each."""
    assert core.exists()
    with running(bench, elf, f"loader={build.LOADERS[request.param]}") as chip:
        yield chip


def test_behind_a_boot_loader_the_watchdog_starts_the_program_anew(loaded: Chip) -> None:
    hangs_and_starts_anew(loaded, Host(loaded.port))
    assert not loaded.times("reset", "")


def test_behind_a_boot_loader_a_hang_without_interrupts_is_off_and_stays_off(loaded: Chip) -> None:
    """The second time-out resets the part. What the loader makes of that is its own: the old one
    is reset for ever, with no pin driven; the usual one starts the program."""
    holds("its program hung", [hang(loaded, Host(loaded.port), "freeze")])
    loaded.until(lambda: loaded.times("reset", ""))
    on = len(loaded.times("drive", "1"))
    time.sleep(1)
    assert len(loaded.times("drive", "1")) == on


@pytest.mark.parametrize("bounce_ms", [0, 20])
def test_the_stop_input_cuts_and_only_an_arm_ends_it(
    bench: Path, elf: Path, bounce_ms: int
) -> None:
    """Opened by hand or by a wire that breaks: at the pin it is the same."""
    with running(bench, elf, f"bounce_ms={bounce_ms}") as chip:
        host = Host(chip.port)
        took_ms = []
        for _ in range(5):
            host.arm()
            assert host.tell(Throttle(200)) == "ok"
            reports = len(host.of_kind("X"))
            chip.suffer("open")
            host.until(lambda fields: fields[0] == "D" and int(fields[5]) == 2 | 128)
            host.listen(0.1)
            assert [fields[2:] for fields in host.of_kind("X")[reports:]] == [["button", "-"]]
            assert host.tell(Arm(host.boot_number())) == "state"
            moved = chip.times("moved", "1")[-1]
            took_ms.append(1000 * (chip.times("drive", "0")[-1] - moved))
            chip.suffer("close")
            chip.until(lambda: chip.times("contact", "0")[-1:] > chip.times("moved", "1")[-1:])
            host.listen(0.1)
            assert len(chip.times("drive", "1")) == len(chip.times("drive", "0"))
        assert len(host.of_kind("X")) == 5
        holds(
            "the stop input opened, or its wire broke",
            [took - bounce_ms for took in took_ms],
            least_ms=-bounce_ms,
        )


def surges(chip: Chip, host: Host, hold_ms: int, repeats: int) -> list[float]:
    """Milliseconds beyond the hold from a current beyond its limit to the pin."""
    assert host.tell(Limit(0, None, counts(60, chip.conversions), hold_ms)) == "ok"
    took_ms = []
    for repeat in range(repeats):
        host.arm()
        assert host.tell(Throttle(200)) == "ok"
        # At another moment of the board's line each time.
        host.listen(0.03 + 0.0013 * repeat)
        chip.suffer("surge")
        report = host.until(lambda fields: fields[0] == "X")
        assert report[2:] == ["limit", "0"]
        off = chip.times("drive", "0")[-1]
        took_ms.append(1000 * (off - chip.times("surge", "")[-1]) - hold_ms)
    return took_ms


@pytest.mark.parametrize("hold_ms", [0, 50])
def test_a_current_beyond_its_limit_is_cut(chip: Chip, hold_ms: int) -> None:
    took_ms = surges(chip, Host(chip.port), hold_ms, 20)
    holds("a reading went beyond its limit", took_ms)


@pytest.mark.long
@pytest.mark.parametrize("loader", build.LOADERS)
@pytest.mark.parametrize(("baud", "line_hz", "conversions"), build.RATES)
def test_the_timing_table(
    folder: Path, bench: Path, core: Path, loader: str, baud: int, line_hz: int, conversions: int
) -> None:
    """At each speed and behind each boot loader; the worst stand in firmware_protocol.md."""
    assert core.exists()
    elf, _ = build.board(
        folder, "-DTEST_HANG", "-DSTOP_INPUT=1", f"-DBAUD={baud}", f"-DLINE_HZ={line_hz}",
        f"-DCONVERSIONS={conversions}",
    )  # fmt: skip
    path = build.LOADERS[loader]
    print(f"\n{baud} baud, {line_hz} lines/s, {loader}")
    with running(bench, elf, *([f"loader={path}"] if path else [])) as chip:
        chip.conversions = conversions
        host = Host(chip.port, baud)
        for event, line in STOPS.items():
            holds(event, stops(chip, host, line, 10))
        holds("the host's last line", silences(chip, host, 2))
        for hold_ms in (0, 50):
            took_ms = surges(chip, host, hold_ms, 10)
            holds(f"a reading went beyond its limit (hold {hold_ms})", took_ms)
            assert max(took_ms) <= 3000 / line_hz
        assert host.tell(Limit(0, None, None, 0)) == "ok"
        hangs_and_starts_anew(chip, host)


def counts(amps: float, conversions: int = 16) -> int:
    """Through 37.5 mV per ampere, at 5 V, 1024 and so many conversions."""
    return round(amps * 0.0375 / 5 * 1024 * conversions)


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
@pytest.mark.timeout(500)
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
        chip.process.wait(timeout=450)
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
