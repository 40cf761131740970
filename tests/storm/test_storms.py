"""A few storms, and that each comes out the same from its seed. Many: `python -m tests.storm`."""

from __future__ import annotations

import pytest

from tests.storm.__main__ import storm
from tests.storm.invariants import broken
from tests.storm.weather import weather
from tests.storm.world import STEP_S

FEW = 10
SLICES = 6


@pytest.mark.parametrize("first", range(0, FEW * SLICES, FEW))
def test_storms_break_no_invariant(first: int) -> None:
    breaks = {seed: how for seed in range(first, first + FEW) if (how := broken(storm(seed)))}
    assert breaks == {}, f"python -m tests.storm --seed {min(breaks)} --runs 1 --story"


@pytest.mark.parametrize("seed", [1, 8, 17])
def test_a_storm_comes_out_the_same_byte_for_byte_from_its_seed(seed: int) -> None:
    first, again = storm(seed), storm(seed)
    assert first.digest() == again.digest()
    assert first.sent == again.sent
    assert first.journal == again.journal
    assert first.digest() != storm(seed + 1).digest()


def test_there_is_every_kind_of_weather() -> None:
    storms = [weather(seed) for seed in range(500)]
    assert any(each.calm for each in storms)
    for name in ("faults", "line", "stalls", "orders", "reset_s", "button_s", "forged_s",
                 "disk_fails_s", "disk_hangs", "front_dies_s", "front_stands",
                 "port_gone"):  # fmt: skip
        assert any(getattr(each, name) for each in storms), name


def test_the_worlds_clock_goes_in_even_steps() -> None:
    story = storm(0)
    assert all(abs(t / STEP_S - round(t / STEP_S)) < 1e-6 for t, _ in story.said)
