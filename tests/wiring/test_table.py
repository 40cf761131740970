"""The table of wiring faults, small: each fault once, the stands and fronts in turn."""

from __future__ import annotations

from dataclasses import replace
from itertools import cycle

import pytest

from rig.errors import SettingsError
from rig.simulator.faults import WIRING
from tests.wiring.stands import STANDS
from tests.wiring.trial import (
    FRONTS,
    HOLD_S,
    WARMING,
    Row,
    counted_by_hand,
    trial,
    words_when_right,
)

QUICK = [fault for fault in WIRING if fault not in WARMING]
SMALL = list(zip(QUICK, cycle(STANDS), cycle(FRONTS), strict=False))


@pytest.mark.parametrize("stand", STANDS)
def test_a_stand_wired_right_raises_no_alarm(stand: str) -> None:
    assert words_when_right(stand, "headless", HOLD_S, 1) is not None


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("divider-open-top", "cell under-voltage"),
        ("motor-open", "is open"),
        ("motor-shorted", "shorted"),
    ],
)
def test_what_limits_alone_refuse(fault: str, words: str) -> None:
    row = trial("geared_car", fault, "headless")
    assert (row.happened, row.driven_ms, row.complaint) == ("refused", 0.0, "")
    assert words in row.said


@pytest.mark.parametrize(("fault", "stand", "front"), SMALL)
def test_no_row_is_silent(fault: str, stand: str, front: str) -> None:
    """And what blinds a limit is stopped within half a second of driving."""
    row = trial(stand, fault, front)
    assert not row.complaint, row


@pytest.mark.long
@pytest.mark.parametrize("front", FRONTS)
@pytest.mark.parametrize("stand", STANDS)
def test_the_whole_table(stand: str, front: str) -> None:
    complaints = []
    for fault in WIRING:
        try:
            row = trial(stand, fault, front)
        except SettingsError:
            continue
        if row.complaint:
            complaints.append(f"{fault}: {row.complaint}")
    assert not complaints


@pytest.mark.parametrize(
    ("fault", "happened", "driven_ms", "complaint"),
    [
        ("motor-slow", "silent", 3000.0, "silent"),
        ("motor-slow", "warned", 3000.0, ""),
        ("shunt-open", "warned", 3000.0, "goes on"),
        ("shunt-open", "stopped", 600.0, "600 ms"),
        ("shunt-open", "stopped", 400.0, ""),
        ("shunt-open", "refused", 0.0, ""),
        ("motor-swapped", "cannot be seen", 60000.0, ""),
    ],
)
def test_what_is_wrong_with_a_row(
    fault: str, happened: str, driven_ms: float, complaint: str
) -> None:
    row = Row("marram", fault, "screen", "words", None, driven_ms, happened)
    assert complaint in row.complaint and bool(complaint) == bool(row.complaint)


def test_a_late_stop_is_no_complaint_only_where_the_check_by_hand_finds_the_fault() -> None:
    late = Row("marram", "tachometer-half", "screen", "words", 900.0, 1100.0, "stopped")
    assert "1100 ms" in late.complaint
    assert not replace(late, by_hand="3 by hand, 1.5 on the screen").complaint


@pytest.mark.parametrize(
    ("stand", "fault", "counted"),
    [
        ("geared_car", "tachometer-half", "counted half"),
        ("marram", "tachometer-double", "counted double"),
        ("geared_car", "tachometer-uneven", ""),
    ],
)
def test_the_turn_by_hand_finds_what_is_counted_wrong(stand: str, fault: str, counted: str) -> None:
    words = counted_by_hand(stand, fault)
    assert counted in words and bool(counted) == bool(words)
