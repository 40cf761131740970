"""The firmware builds as a sketch and without the sketch editor, and is small enough."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.firmware import bounds, build
from tests.firmware.simulated import Host, running

# The part's data sheet (ATmega328P, "Features"): 32 kB of flash, 2 kB of RAM.
FLASH, RAM = 32 * 1024, 2 * 1024


def fits_in_half(name: str, elf: Path) -> None:
    flash, ram = build.size(elf)
    print(f"{name}: {flash} bytes of flash, {ram} of RAM")
    assert flash <= FLASH // 2
    assert ram <= RAM // 2


@pytest.mark.parametrize("language", ["c", "c++"])
def test_it_builds_without_a_warning_in_half_of_the_part(folder: Path, language: str) -> None:
    elf, said = build.board(folder, language=language)
    assert not said
    fits_in_half(language, elf)


@pytest.mark.parametrize("language", ["c", "c++"])
@pytest.mark.parametrize(("baud", "line_hz", "conversions"), build.RATES)
def test_no_received_byte_waits_too_long_and_the_stack_has_room(
    folder: Path, baud: int, line_hz: int, conversions: int, language: str
) -> None:
    options = (f"-DBAUD={baud}", f"-DLINE_HZ={line_hz}", f"-DCONVERSIONS={conversions}")
    elf, _ = build.board(folder, "-DSTOP_INPUT=1", *options, language=language)
    found = bounds.report(elf)
    allowed = bounds.allowed_cycles(baud)
    print(*bounds.rows(found), f"allowed at {baud}: {allowed:.0f}", sep="\n")
    assert set(found.cycles) == {*bounds.VECTORS.values()} - {"watchdog"}
    assert found.wait <= allowed
    assert found.ram + found.stack <= bounds.RAM


@pytest.mark.parametrize("source", [build.BOARD, build.LISTENER], ids=["board", "listener"])
def test_it_builds_as_a_sketch_and_introduces_itself(
    folder: Path, bench: Path, core: Path, source: Path
) -> None:
    assert core.exists()
    elf = build.sketch(folder / source.stem, source)
    fits_in_half(f"{source.stem} as a sketch", elf)
    with running(bench, elf) as chip:
        host = Host(chip.port)
        if source == build.BOARD:
            host.boot_number()
        host.listen(2.5)
        assert len(host.of_kind("C")) >= int(host.of_kind("H")[-1][8])
        sequences = [int(fields[1]) for fields in host.of_kind("D")]
        assert len(sequences) > 100
        assert sequences == list(range(sequences[0], sequences[0] + len(sequences)))
        # Only the line that was under way when the port was opened.
        assert host.broken <= 1


def test_the_smallest_board_is_small() -> None:
    assert len(build.LISTENER.read_text().splitlines()) < 60
