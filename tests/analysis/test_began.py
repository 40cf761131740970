"""When runs began, by tables: clocks that were changed, and clocks that were not."""

from __future__ import annotations

import math
import time
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from rig.analysis.began import Made, began

A, B = "boot a", "boot b"
NAN = math.nan

TABLE = {
    # utc_s, boot, ahead_s of each run -> began_s, steps of the clock that are named
    "one clock": ([(0, A, 5), (60, A, 5), (120, A, 5)], [0, 60, 120], ""),
    "small corrections": ([(0, A, 5), (61, A, 6.2), (119, A, 4.4)], [0, 61, 119], ""),
    "an hour back": ([(4000, A, 0), (460, A, -3600)], [400, 460], "-3600 s"),
    "an hour forward": ([(0, A, 0), (3660, A, 3600)], [3600, 3660], "+3600 s"),
    "back and forward again": (
        [(4000, A, 0), (460, A, -3600), (4120, A, 0)],
        [4000, 4060, 4120],
        "-3600 s and +3600 s",
    ),
    "runs given in any order": ([(460, A, -3600), (4000, A, 0)], [460, 400], "-3600 s"),
    "another boot keeps its time": (
        [(50, B, 9), (4000, A, 0), (460, A, -3600)],
        [50, 400, 460],
        "-3600 s",
    ),
    "two boots, two offsets": ([(0, A, 5), (900, B, 700)], [0, 900], ""),
    "no boot is known": ([(4000, "", NAN), (460, "", NAN)], [4000, 460], ""),
    "a clock without a boot": ([(4000, "", 0), (460, "", -3600)], [4000, 460], ""),
    "no time is known": ([(NAN, A, 0), (460, A, -3600)], [NAN, 460], ""),
    "nothing": ([], [], ""),
}


@pytest.mark.parametrize("case", TABLE)
def test_the_clock(case: str) -> None:
    rows, expected, named = TABLE[case]
    runs = [Made("x", utc_s, boot, ahead_s) for utc_s, boot, ahead_s in rows]
    began_s, warnings = began(runs)
    assert began_s == pytest.approx(expected, nan_ok=True)
    if named:
        (line,) = warnings
        assert f"changed between runs by {named}: " in line
    else:
        assert warnings == []


def numbered(*rows: tuple[float, str, int]) -> list[Made]:
    return [Made(f"{s}_{n}", utc_s, series=("day", s), run=n) for utc_s, s, n in rows]


@pytest.mark.parametrize(
    ("runs", "named"),
    [
        (numbered((0, "early", 1), (60, "late", 1), (120, "early", 2)), ""),
        (numbered((500, "early", 1), (60, "early", 2)), "early_2 has a later run number than"),
        (numbered((500, "early", 1), (60, "early", 2), (20, "early", 3)), "and 1 more like it"),
        # Two folders of one name: their numbers have nothing to do with each other.
        (numbered((0, "e", 1), (9, "e", 2), (50, "e", 1), (59, "e", 2)), ""),
        (numbered((500, "early", 1), (60, "late", 2)), ""),
        (numbered((500, "early", 0), (60, "early", 1)), ""),
        (numbered((NAN, "early", 1), (60, "early", 2)), ""),
    ],
)
def test_numbers_that_go_against_the_times_are_named(runs: list[Made], named: str) -> None:
    began_s, warnings = began(runs)
    assert began_s == pytest.approx([run.utc_s for run in runs], nan_ok=True)
    assert len(warnings) == bool(named)
    assert named in " ".join(warnings)


def test_what_the_clock_since_boot_explains_is_not_said_twice() -> None:
    first = Made("a_1", 4000, A, 0.0, ("day", "a"), 1)
    second = Made("a_2", 460, A, -3600.0, ("day", "a"), 2)
    began_s, warnings = began([second, first])
    assert began_s[1] < began_s[0]
    assert len(warnings) == 1


def test_a_change_to_winter_time_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    # Clocks in Berlin go from 03:00 to 02:00 at 01:00 UTC on 2026-10-25 (EU directive 2000/84).
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    try:
        from rig.gather import _seconds

        change = datetime(2026, 10, 25, 1, tzinfo=UTC)
        utcs = [change + timedelta(minutes=minutes) for minutes in (-20, 20)]
        local = [utc.astimezone(ZoneInfo("Europe/Berlin")) for utc in utcs]
        assert local[1].replace(tzinfo=None) < local[0].replace(tzinfo=None)
        began_s, warnings = began(
            [Made("x", _seconds(utc.isoformat()), A, 0.0, ("day", "a"), n + 1)
             for n, utc in enumerate(utcs)]
        )  # fmt: skip
        assert began_s[1] - began_s[0] == 2400.0
        assert warnings == []
    finally:
        monkeypatch.undo()
        time.tzset()
