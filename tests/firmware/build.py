"""Builds the sketches and the bench, with the tools that Debian packs."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

HERE = Path(__file__).parent
SKETCHES = HERE.parents[1] / "rig" / "firmware"
BOARD = SKETCHES / "stand_board" / "stand_board.ino"
LISTENER = SKETCHES / "listener" / "listener.ino"

INSTALL = "apt-get install simavr libsimavr-dev gcc-avr avr-libc binutils-avr gcc arduino-core-avr"
CORE = Path("/usr/share/arduino/hardware/arduino/avr")
COMPILER_MISSING = not all(map(shutil.which, ("avr-gcc", "avr-g++", "avr-size", "gcc")))
SIMULATOR_MISSING = not Path("/usr/include/simavr/sim_avr.h").exists()
CORE_MISSING = not (CORE / "cores" / "arduino" / "Arduino.h").exists()
MISSING = COMPILER_MISSING or SIMULATOR_MISSING or CORE_MISSING

LOADERS = {
    "no boot loader": None,
    "old boot loader": CORE / "bootloaders" / "atmega" / "ATmegaBOOT_168_atmega328.hex",
    "usual boot loader": CORE / "bootloaders" / "optiboot" / "optiboot_atmega328.hex",
}
"""The old one leaves the watchdog as it is; the usual one hides why the part was reset."""

# Baud, lines per second, and conversions for each that the part can make in that time.
RATES = [(115200, 100, 16), (250000, 200, 16), (1000000, 500, 4)]

PART = ["-mmcu=atmega328p", "-DF_CPU=16000000UL", "-Os", "-Wall", "-Wextra"]
LANGUAGES = {"c": ["-x", "c", "-std=gnu99"], "c++": ["-x", "c++", "-std=gnu++11"]}


def run(*words: str | Path) -> str:
    """Run a tool; what it says is part of the error when it fails."""
    done = subprocess.run([*map(str, words)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout + done.stderr


def board(folder: Path, *options: str, language: str = "c") -> tuple[Path, str]:
    """The board's firmware with such `options` as -DBAUD=250000, and what the compiler said."""
    elf = folder / f"board{len(list(folder.iterdir()))}.elf"
    return elf, run("avr-gcc", *PART, *options, *LANGUAGES[language], BOARD, "-o", elf)


def at_rate(folder: Path, baud: int, line_hz: int, conversions: int, wrap_s: int) -> Path:
    """The board at such a rate. Its counters wrap after so long, the edges' at 200 a second."""
    return board(
        folder, f"-DBAUD={baud}UL", f"-DLINE_HZ={line_hz}", f"-DCONVERSIONS={conversions}",
        f"-DSTART_SEQUENCE={2**16 - wrap_s * line_hz}u",
        f"-DSTART_TICK={2**32 - wrap_s * 2000000}UL",
        f"-DSTART_EDGES={2**16 - wrap_s * 200}u",
    )[0]  # fmt: skip


def sketch(folder: Path, source: Path) -> Path:
    """A sketch as the Arduino IDE builds it: C++ with Arduino.h before it, and the core. The
    compiler may warn of the core, but of the sketch that is an error."""
    core = CORE / "cores" / "arduino"
    options = [
        *PART, "-DARDUINO=10819", "-DARDUINO_AVR_UNO", "-DARDUINO_ARCH_AVR",
        # avr-libc's float.h hides it from C++.
        "-DDECIMAL_DIG=__DECIMAL_DIG__",
        "-ffunction-sections", "-fdata-sections",
        f"-I{core}", f"-I{CORE / 'variants/standard'}",
    ]  # fmt: skip
    folder.mkdir(parents=True)
    objects: list[Path] = []
    for part in sorted([*core.glob("*.c"), *core.glob("*.cpp"), *core.glob("*.S")]):
        language = {".c": ["-std=gnu11"], ".cpp": ["-std=gnu++11", "-fno-exceptions"]}
        objects.append(folder / f"{part.name}.o")
        run(
            "avr-gcc", *options, "-w", *language.get(part.suffix, []), "-c", part, "-o", objects[-1]
        )
    archive, main, elf = folder / "core.a", folder / "main.o", folder / "sketch.elf"
    run("avr-ar", "rcs", archive, *objects)
    said = run(
        "avr-gcc", *options, *LANGUAGES["c++"], "-include", "Arduino.h", "-c", source, "-o", main
    )
    assert source.name not in said, said
    run("avr-gcc", *options, "-Wl,--gc-sections", main, archive, "-lm", "-o", elf)
    return elf


def bench(folder: Path) -> Path:
    """The stand around the simulated microcontroller."""
    program = folder / "bench"
    run(
        "gcc", "-O2", "-Wall", "-Wextra", HERE / "bench.c", "-o", program,
        "-I/usr/include/simavr", "-lsimavr", "-lutil", "-lm",
    )  # fmt: skip
    return program


def size(elf: Path) -> tuple[int, int]:
    """Bytes of flash and of RAM that it takes, the stack not counted."""
    match = re.search(r"^\s*(\d+)\s+(\d+)\s+(\d+)", run("avr-size", elf), re.MULTILINE)
    assert match
    text, data, bss = map(int, match.groups())
    return text + data, data + bss
