"""Tables on narrow and wide terminals: numbers stay whole."""

from __future__ import annotations

import re

import pytest

from rig.report.terminal import print_table

HEADS = ["quantity", "{} +- SD ", "early +- SD ", "change ", "95 % interval, % "]
ROWS = [
    ("Controller temperature, °C", "24.486 +- 0.012", "24.547 +- 0.01", "+1.27 %", "+8.4 to +17.2"),
    ("Speed, rpm", "11225.1 +- 9.8", "11404.2 +- 7.0", "+1.59 %", "+1.47 to +1.72"),
]  # fmt: skip


@pytest.mark.parametrize("width", [72, 80, 100, 140])
@pytest.mark.parametrize("setup", ["late", "a setup with a name of forty characters"])
def test_no_digit_is_lost(
    width: int, setup: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    print_table([head.format(setup) for head in HEADS], ROWS)
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= width
    for row in ROWS:
        for number in re.findall(r"[-+]?\d[\d.]*", " ".join(row[1:])):
            assert number in shown
    if width >= 80 and setup == "late":
        assert all(cell in shown for row in ROWS for cell in row[1:])
