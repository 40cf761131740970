"""The numbers in the document's sections on wiring and flashing are right."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from rig.plans import throttle_steps
from tests.protocol import document

E24 = (
    10,
    11,
    12,
    13,
    15,
    16,
    18,
    20,
    22,
    24,
    27,
    30,
    33,
    36,
    39,
    43,
    47,
    51,
    56,
    62,
    68,
    75,
    82,
    91,
)
"""IEC 60063, the series of 5 %."""

FULL_V = 4.2
"""Of one cell. Common practice, no source."""

REFERENCE_V, LOW_V = 5.0, 4.6
HEADROOM = 1.2
AVR = Path("/usr/share/arduino/hardware/arduino/avr/boards.txt")

DIVIDERS = document.table("cells | full, V")


def number(text: str) -> float:
    """The first number of the sentence that `text`, a pattern with a group, finds."""
    found = re.search(text, " ".join(document.TEXT.split()))
    assert found, text
    return float(found[1].replace(" ", ""))


@pytest.mark.parametrize("row", DIVIDERS, ids=lambda row: f"{row[0]} cells")
def test_a_divider(row: list[str]) -> None:
    cells, full, upper, lower, top, low_top = map(float, row[:6])
    assert full == pytest.approx(FULL_V * cells)
    series = [value * 10**decade for decade in (0, 1) for value in E24]
    wanted = [kohm for kohm in series if LOW_V * (1 + kohm / lower) >= HEADROOM * FULL_V * cells]
    assert upper == min(wanted)
    assert lower in E24
    assert top == pytest.approx(REFERENCE_V * (1 + upper / lower))
    assert low_top == pytest.approx(LOW_V * (1 + upper / lower), abs=0.05)
    assert row[6] == f"{100 * (LOW_V * (1 + upper / lower) / full - 1):.0f} %"
    assert upper * lower / (upper + lower) < 10.0


def test_the_dividers_are_for_2_to_14_cells_and_the_example_stand_has_that_of_6() -> None:
    assert [int(row[0]) for row in DIVIDERS] == list(range(2, 15))
    marram = (Path(__file__).parents[2] / "rig" / "stand" / "marram.toml").read_text()
    upper, lower = (
        float(re.search(rf"{name} = {{ value = ([\d_.]+)", marram)[1].replace("_", ""))  # type: ignore[index]
        for name in ("upper_ohm", "lower_ohm")
    )
    assert [upper / 1000, lower / 1000] == [float(cell) for cell in DIVIDERS[4][2:4]]
    assert 14 * FULL_V < number(r"packs above (\d+) V of direct current") < 15 * FULL_V


def corner_hz(ohm: float, farad: float) -> float:
    return 1.0 / (2.0 * math.pi * ohm * farad)


def test_the_filters() -> None:
    divider = 56_000.0 * 10_000.0 / 66_000.0
    assert round(corner_hz(1000.0, 1e-6)) == number(r"what is slower than (\d+) Hz")
    assert round(corner_hz(1000.0 + divider, 1e-6)) == number(r"adds to that: (\d+) Hz with 6")
    assert round(corner_hz(divider, 1e-7)) == number(r"0\.1 microfarad \((\d+) Hz\)")


def test_what_ripple_adds_to_the_power() -> None:
    """Square ripple in the current, and the opposite in the voltage behind a resistance."""
    amps, pack_ohm, mean_a, mean_v = 20.0, 0.020, 40.0, 22.2
    product = [(mean_a + s * amps) * (mean_v - s * amps * pack_ohm) for s in (-1, 1)]
    less_w = mean_a * mean_v - sum(product) / 2
    assert amps * pack_ohm == pytest.approx(number(r"swings it by ([\d.]+) V"))
    assert less_w == pytest.approx(number(r"the true power is (\d+) W less"))
    assert round(100 * less_w / (mean_a * mean_v), 1) == number(r"W less; ([\d.]+) % of 40 A")


def test_the_current_beside_a_low_side_shunt() -> None:
    volts = 100.0 * number(r"\[ shunt ([\d.]+) milliohm") / 1000.0
    assert 1000.0 * volts == pytest.approx(number(r"the shunt has (\d+) mV"))
    lead_ohm = number(r"and (\d+) milliohm of lead") / 1000.0
    assert volts / lead_ohm == pytest.approx(number(r"contacts take ([\d.]+) A"))


def test_the_plan_that_begins_with_low_throttle() -> None:
    plan = re.search(r"`--throttle (\S+)` is 0 % for 3 s, then 40 % for 2 s", document.TEXT)
    assert plan
    assert throttle_steps([plan[1]], None) == ((0.0, 3.0), (40.0, 2.0))


def test_the_fuse_is_for_4_3_volts() -> None:
    """BODLEVEL 100 is 4.3 V: the two lowest bits of the extended fuse programmed, that is 0.

    ATmega328P data sheet, table of BODLEVEL codings, from memory; avr-libc's iom328p.h names
    the bits.
    """
    value = re.search(r"efuse:w:0x(\w\w):m", document.TEXT)
    assert value
    assert int(value[1], 16) & 0b111 == 0b100
    assert int(value[1], 16) >> 3 == 0b11111


@pytest.mark.skipif(not AVR.exists(), reason="no arduino-core-avr")
def test_the_speeds_of_boot_loaders() -> None:
    """As Debian's arduino-core-avr has them for the part."""
    speeds = re.findall(
        r"^nano\.menu\.cpu\.atmega328\w*\.upload\.speed=(\d+)", AVR.read_text(), re.M
    )
    assert sorted(speeds) == sorted(re.findall(r"`-b (\d+)`", document.TEXT))


def test_the_commands_that_the_document_names_are_there() -> None:
    from typer.testing import CliRunner

    from rig.cli import app

    shown = CliRunner().invoke(app, ["verify-board", "--help"], env={"COLUMNS": "200"}).output
    assert "Check a board against firmware_protocol.md." in shown
    for option in ("--port", "--supply-off", "--turning"):
        assert option in shown
        assert option in document.TEXT
