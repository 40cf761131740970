from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.firmware import build
from tests.firmware.simulated import Chip, motor_table, running


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where all is built; without the tools for it, what needs it is skipped."""
    if build.MISSING:
        pytest.skip(build.INSTALL)
    return tmp_path_factory.mktemp("firmware")


@pytest.fixture(scope="session")
def bench(folder: Path) -> Path:
    motor_table(folder / "motor.txt")
    return build.bench(folder)


@pytest.fixture(scope="session")
def elf(folder: Path) -> Path:
    """The board with its settings as they stand, and a command that makes it hang."""
    return build.board(folder, "-DTEST_HANG")[0]


@pytest.fixture
def chip(bench: Path, elf: Path) -> Iterator[Chip]:
    with running(bench, elf) as chip:
        yield chip
