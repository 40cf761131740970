from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.firmware import build
from tests.firmware.simulated import Chip, motor_table, running


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where all is built; without the compiler, what needs it is skipped."""
    if build.COMPILER_MISSING:
        pytest.skip(build.INSTALL)
    return tmp_path_factory.mktemp("firmware")


@pytest.fixture(scope="session")
def core() -> Path:
    """The sketches' core and boot loaders."""
    if build.CORE_MISSING:
        pytest.skip(build.INSTALL)
    return build.CORE


@pytest.fixture(scope="session")
def bench(folder: Path) -> Path:
    if build.SIMULATOR_MISSING:
        pytest.skip(build.INSTALL)
    motor_table(folder / "motor.txt")
    return build.bench(folder)


@pytest.fixture(scope="session")
def elf(folder: Path) -> Path:
    """The board with a stop input, and commands that make it hang."""
    return build.board(folder, "-DTEST_HANG", "-DSTOP_INPUT=1")[0]


@pytest.fixture
def chip(bench: Path, elf: Path) -> Iterator[Chip]:
    with running(bench, elf) as chip:
        yield chip
