"""The tester's own pairs among what differs between two setups."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from rig.analysis.answers import Condition
from rig.analysis.conditions import conditions
from rig.analysis.runs import Run


def runs(setup: str, packs: Sequence[str]) -> list[Run]:
    return [
        Run(f"{setup}{i}", setup, "done", {}, pairs={"pack": pack, "fan": "F1"} if pack else {})
        for i, pack in enumerate(packs)
    ]


@pytest.mark.parametrize(
    ("late", "early", "texts"),
    [
        ("11", "11", []),
        ("11", "22", ["pack: 1 in late, 2 in early"]),
        ("12", "12", ["pack: 1 or 2 in late, 1 or 2 in early"]),
        ("12", "11", ["pack: 1 or 2 in late, 1 in early"]),
        ("11", ["", ""], ["pack: 1 in late, not noted in early", "fan: F1 in late, not noted in "
                          "early"]),
    ],
)  # fmt: skip
def test_pairs_that_differ_are_named(
    late: Sequence[str], early: Sequence[str], texts: list[str]
) -> None:
    made = [*runs("late", late), *runs("early", early)]
    found = [c for c in conditions(made, "late", "early", {}) if "with" in c.name]
    assert [condition.text for condition in found] == texts
    assert all(condition.speed_pct is None for condition in found)


def at(setup: str, counts: Sequence[float], *, corrected: bool) -> list[Run]:
    return [
        Run(f"{setup}{i}", setup, "done", {"reference_count": count}, follows_reference=corrected)
        for i, count in enumerate(counts)
    ]


def reference(
    early: Sequence[float], late: Sequence[float], *, corrected: bool = False
) -> Condition | None:
    made = [*at("early", early, corrected=corrected), *at("late", late, corrected=corrected)]
    found = [c for c in conditions(made, "early", "late", {}) if c.name == "reference"]
    return found[0] if found else None


def test_a_supply_that_moved_is_a_false_gain_unless_it_is_corrected_for() -> None:
    low = reference([225.0, 225.1], [229.5, 229.6])
    assert low is not None
    # 2 % more counts: 2 % less reference, 2 % more amps and volts, 4 % more power, no speed.
    assert low.effects["current_a"] == pytest.approx(0.0198, rel=0.01)
    assert low.effects["power_w"] == pytest.approx(2.0 * low.effects["voltage_v"])
    assert low.effects["rpm_per_v"] == -low.effects["voltage_v"]
    assert "speed_rpm" not in low.effects
    assert "moved by -1.98 % between the setups" in low.text
    assert "late reads +1.98 % current and voltage and +3.96 % power" in low.text
    corrected = reference([225.0, 225.1], [229.5, 229.6], corrected=True)
    assert corrected is not None and not corrected.effects
    assert corrected.text.endswith("current and voltage are corrected for it")


def test_a_small_move_is_in_the_intervals_without_a_warning() -> None:
    near = reference([225.0, 225.05], [225.4, 225.45])
    assert near is not None and near.speed_pct == 0.0
    assert 0.0 < near.effects["current_a"] < 0.003
    assert reference([225.0, 225.05], [225.4, 225.45], corrected=True) is None
    # Within a setup it may move too.
    apart = reference([225.0, 229.0], [229.0, 225.0])
    assert apart is not None and apart.speed_pct is None
    assert "by 1.76 % between single runs" in apart.text


def test_captures_without_the_channel_have_no_such_condition() -> None:
    nan = float("nan")
    assert reference([nan, nan], [225.0, 225.0]) is None
    assert reference([nan, nan], [nan, nan]) is None
