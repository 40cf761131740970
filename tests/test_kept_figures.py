"""Kept figures are used only as they were left: any other file is as good as none."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import rig

CAPTURE = next((Path(__file__).parents[1] / "sample_captures").glob("*_early_01.parquet"))


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The file that holds the figures of CAPTURE."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    rig.figures(CAPTURE)
    (file,) = (tmp_path / "rig" / "figures").iterdir()
    return file


def row_of(file: Path) -> dict[str, Any]:
    return json.loads(file.read_text().partition("\n")[2])  # type: ignore[no-any-return]


def other(**values: Any) -> Callable[[Path], str]:
    return lambda file: json.dumps(row_of(file) | values)


SPOILT: dict[str, Callable[[Path], str]] = {
    "empty": lambda _: "",
    "cut": lambda file: file.read_text()[:-20],
    "one digit": lambda file: file.read_text().replace("1", "2", 1),
    "without its digest": lambda file: json.dumps(row_of(file)),
    "means are text": other(means={"speed_rpm": "fast"}),
    "means are a list": other(means=[1.0]),
    "window of one": other(window=[1.0]),
    "window of text": other(window="ab"),
    "stand is a number": other(stand=3),
    "throttle is deep": other(throttle=[[[[]]]]),
    "nested": lambda _: "[" * 100_000,
    "a list": lambda _: "[]",
}


@pytest.mark.parametrize("spoilt", SPOILT)
def test_what_was_not_left_there_by_us_is_not_believed(kept: Path, spoilt: str) -> None:
    expected = rig.figures(CAPTURE)
    left = kept.read_text()
    kept.write_text(SPOILT[spoilt](kept))
    assert rig.figures(CAPTURE).equals(expected)
    assert kept.read_text() == left, "computed and kept anew"


def test_a_cache_that_is_no_text_or_no_file_is_no_fault(kept: Path) -> None:
    expected = rig.figures(CAPTURE)
    kept.write_bytes(b"\xff\xfe\x00")
    assert rig.figures(CAPTURE).equals(expected)
    kept.unlink()
    kept.mkdir()
    assert rig.figures(CAPTURE).equals(expected)
