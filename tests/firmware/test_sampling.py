"""What the simulated part samples: ripple on the current, and the supply against its reference.

The simulated converter takes an input at the moment of its trigger or start, which the bench
knows to the clock cycle; its conversions take 13 of its clocks. The sweep of all frequencies is in
test_decisions, with the data sheet's instants.
"""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest
import serial

from rig.protocol.framing import Fault, unframe
from tests.firmware.simulated import Chip, Host, running


def means(bench: Path, elf: Path, seconds: float, *settings: str) -> np.ndarray:
    """The mean of each channel, in counts of one conversion, as fast as the bench can."""
    food = elf.with_name("idle.txt")
    food.write_text(f"{seconds:.1f} 0a\n")
    with running(bench, elf, *settings, f"feed={food}") as chip:
        lines = received(chip)
    rows = [list(map(int, fields[6:])) for fields in lines if fields[0] == "D"]
    assert len(rows) > 0.7 * 100 * seconds
    return np.mean(rows[20:], axis=0) / [16, 16, 4, 4, 4, 4]


def received(chip: Chip) -> list[list[str]]:
    raw = bytearray()
    with serial.Serial(chip.port, 115200, timeout=0.05) as line:
        ended = threading.Event()
        threading.Thread(target=lambda: (chip.process.wait(), ended.set()), daemon=True).start()
        while not ended.is_set():
            try:
                raw += line.read(65536)
            except serial.SerialException:
                break
    bodies = [unframe(part) for part in bytes(raw).split(b"\n")]
    return [body.decode().split(",") for body in bodies if not isinstance(body, Fault)]


@pytest.mark.long
@pytest.mark.parametrize(("filter_s", "bound_pct"), [(0.0, 3.0), (1e-3, 0.2)])
def test_ripple_is_no_steady_current(
    bench: Path, elf: Path, filter_s: float, bound_pct: float
) -> None:
    quiet = means(bench, elf, 10, "amps=40")[0]
    worst = 0.0
    for hz in (2000, 5000, 9615.4, 14700, 16500, 24000, 25000, 33333.3, 45454.5, 50000):
        found = means(
            bench, elf, 10, "amps=40", "ripple=20", f"ripple_hz={hz}", f"filter_s={filter_s}"
        )[0]
        error_pct = 100 * (found / quiet - 1)
        print(f"{hz:.0f} Hz, filter {filter_s} s: {error_pct:+.3f} %")
        worst = max(worst, abs(error_pct))
    assert worst < bound_pct


def test_the_supply_is_measured_against_the_reference(bench: Path, elf: Path) -> None:
    for supply_mv in (4600, 5000, 5250):
        with running(bench, elf, f"supply_mv={supply_mv}") as chip:
            host = Host(chip.port)
            host.listen(0.1)
            counts = int(host.of_kind("D")[-1][-1]) / 4
        assert 1.1 * 1024 / counts * 1000 == pytest.approx(supply_mv, rel=0.01)
