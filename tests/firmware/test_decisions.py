"""The firmware's decisions and its sampling, compiled for this computer. They need gcc alone."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from tests.firmware import build, decisions, mutations
from tests.firmware.test_stops import promised_ms
from tests.firmware.world import COVERAGE, World, compile_world


@pytest.fixture(scope="session")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if not shutil.which("gcc"):
        pytest.skip(build.INSTALL)
    return tmp_path_factory.mktemp("world")


@pytest.fixture(scope="session")
def make(place: Path) -> decisions.Make:
    return partial(World, compile_world(place, "-Werror", "-DSTOP_INPUT=1"))


@pytest.mark.parametrize("check", decisions.CHECKS, ids=lambda check: check.__name__)
def test_it_decides(make: decisions.Make, check: Callable[[decisions.Make], None]) -> None:
    check(make)


@pytest.mark.long
def test_every_speed_beyond_its_limit_is_cut(make: decisions.Make) -> None:
    speeds = sorted({*range(200, 5001, 100), 1913, 2554, 4999})
    holds = (0, 1, 10, 50, 100, 200, 300, 400, 500)
    latest_ms = 1000 * decisions.speeds_beyond_a_limit_cut(make, speeds, holds)
    print(f"{len(speeds)} speeds x {len(holds)} holds: at the latest {latest_ms:.1f} ms and hold")
    assert latest_ms <= promised_ms("a speed went beyond its limit")


def errors_pct(
    make: decisions.Make, ripple_hz: np.ndarray, filter_s: float, seconds: float
) -> np.ndarray:
    """By how much the mean of 40 A with 20 A of square ripple is wrong, for each frequency.

    The host's world has the instants of sampling as the data sheet gives them: 2 clocks of the
    converter after the timer's trigger, 13.5 for the first conversion, 13 for each that follows at
    the next of these clocks."""
    found = []
    for hz in ripple_hz:
        world = make(seed=int(hz))
        world.input(0, 614.4)
        world.ripple(307.2, float(hz), filter_s)
        world.run(seconds)
        counts = [int(data[6]) for data in world.of_kind("D")[10:]]
        found.append(100 * (np.mean(counts) / 16 / 614.4 - 1))
    return np.array(found)


HARD_HZ = [2000, 5000, 9615.4, 14700, 16500, 20000, 24000, 25000, 33333.3, 45454.5, 50000]
"""Where even sampling every 104 or 520 us, or in steps of 8 us, reads a steady false current."""


def test_ripple_does_not_become_a_steady_current(make: decisions.Make) -> None:
    ripple_hz = np.concatenate([np.geomspace(2000, 50000, 20), HARD_HZ])
    for name, filter_s, bound in (("no filter", 0.0, 3.0), ("1 kilohm, 1 uF", 1e-3, 0.2)):
        found = errors_pct(make, ripple_hz, filter_s, 10.0)
        worst = np.argmax(abs(found))
        print(f"{name}: worst {found[worst]:+.3f} % at {ripple_hz[worst]:.0f} Hz")
        assert abs(found[worst]) < bound


@pytest.mark.long
def test_no_ripple_becomes_a_steady_current(make: decisions.Make) -> None:
    ripple_hz = np.concatenate([np.geomspace(2000, 50000, 300), np.arange(2000, 50001, 500)])
    for name, filter_s, bound in (("no filter", 0.0, 3.0), ("1 kilohm, 1 uF", 1e-3, 0.2)):
        found = errors_pct(make, ripple_hz, filter_s, 20.0)
        worst = np.argmax(abs(found))
        print(f"{name}: {len(ripple_hz)} frequencies, worst {found[worst]:+.3f} % at "
              f"{ripple_hz[worst]:.0f} Hz, rms {np.std(found):.3f} %")  # fmt: skip
        assert abs(found[worst]) < bound


def test_the_checks_cover_the_firmware(place: Path) -> None:
    folder = place / "coverage"
    folder.mkdir()
    maker = partial(World, compile_world(folder, *COVERAGE, "-O0", "-DSTOP_INPUT=1"))
    boards: list[World] = []

    def make(**options: int) -> World:
        boards.append(maker(**options))
        return boards[-1]

    for check in decisions.CHECKS:
        check(make)
    for board in boards:
        board.dump_coverage()
    (notes,) = folder.glob("*.gcno")
    report = build.run("gcov", "-b", "-n", "-o", folder, notes)
    match = re.search(
        r"File '.*stand_board\.ino'\nLines executed:([\d.]+)% of (\d+)\n"
        r"Branches executed:[\d.]+% of (\d+)\nTaken at least once:([\d.]+)%", report,
    )  # fmt: skip
    assert match, report
    lines_pct, lines, branches, taken_pct = map(float, match.groups())
    print(f"lines {lines_pct} % of {lines:.0f}, branches {taken_pct} % of {branches:.0f}")
    assert lines_pct >= 98
    assert taken_pct >= 90


@pytest.mark.long
@pytest.mark.timeout(600)
def test_the_checks_find_faults(place: Path) -> None:
    left = mutations.survivors(place)
    found = len(mutations.MUTATIONS) - len(left)
    print(f"{found} of {len(mutations.MUTATIONS)} mutants found; not found: {left}")
    assert len(mutations.MUTATIONS) >= 50
    assert found >= 0.9 * len(mutations.MUTATIONS)


@pytest.mark.parametrize(
    ("options", "refusal"),
    [
        ("-DBAUD=230400", "BAUD"),("-DBAUD=2000000", "BAUD"),
        ("-DBAUD=57600 -DLINE_HZ=50", "BAUD"), ("-DBAUD=128000", "BAUD"),
        ("-DBAUD=115200 -DLINE_HZ=200", "wire"), ("-DBAUD=250000UL -DLINE_HZ=200", None),
        ("-DBAUD=500000 -DLINE_HZ=400 -DCONVERSIONS=8", None),
        ("-DBAUD=1000000 -DLINE_HZ=500 -DCONVERSIONS=4", None),
        ("-DBAUD=1000000 -DLINE_HZ=500", "conversions"), ("-DCONVERSIONS=6", "CONVERSIONS"),
        ("-DSOONEST_EDGE_US=40", "SOONEST_EDGE_US"), ("-DSOONEST_EDGE_US=50", None),
        ("-DIDLE_US=1500", None), ("-DIDLE_US=2000", "IDLE_US"),
    ],
)  # fmt: skip
def test_settings_that_cannot_work_are_refused(
    place: Path, options: str, refusal: str | None
) -> None:
    if refusal is None:
        compile_world(place, "-fsyntax-only", *options.split())
        return
    with pytest.raises(AssertionError, match=f"error.*{refusal}"):
        compile_world(place, "-fsyntax-only", *options.split())
