"""A board that ignores a limit's hold, on the simulated microcontroller, is found by that rule."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.conformance.board import verify_board
from tests.firmware import build
from tests.firmware.simulated import running

GOOD, BAD = "limit.hold_ms = hold;", "limit.hold_ms = 0;"


@pytest.mark.long
def test_a_hold_that_is_ignored_is_found(folder: Path, bench: Path) -> None:
    text = build.BOARD.read_text()
    assert text.count(GOOD) == 1
    source, elf = folder / "broken.ino", folder / "broken.elf"
    source.write_text(text.replace(GOOD, BAD))
    build.run("avr-gcc", *build.PART, *build.LANGUAGES["c"], source, "-o", elf)
    with running(bench, elf) as chip:
        found = {f.rule: f for f in verify_board(chip.port, 115_200)}
    assert [rule for rule, f in found.items() if f.verdict == "broken"] == ["keeps a limit's hold"]
    print(found["keeps a limit's hold"].detail)
