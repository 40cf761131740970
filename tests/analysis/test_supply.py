"""The supply's resistance; `python -m tests.truth packs` has the table."""

from __future__ import annotations

import numpy as np
import pytest

from rig.analysis.supply import supply_resistance_ohm
from tests.truth.packs import Pack, run_of


@pytest.mark.parametrize("pattern", ["one step", "40-70", "up-down-up"])
def test_a_pack_that_empties_and_noisy_amps_do_not_bias_it(pattern: str) -> None:
    """A straight line through volts over amps is off by more than four times our uncertainty."""
    rng = np.random.default_rng(2)
    pack = Pack(0.016, empties=0.03, pattern=pattern, noise=0.03)
    answers, slopes = [], []
    for _ in range(30):
        frame = run_of(pack, rng)
        driven = frame[frame["phase"] == "running"]
        slopes.append(-np.polyfit(driven["current_a"], driven["voltage_v"], 1)[0])
        answer = supply_resistance_ohm(frame)
        assert answer is not None
        answers.append(answer)
    ohm, u = np.mean(answers, axis=0)
    assert ohm == pytest.approx(0.016, rel=0.02)
    assert abs(np.mean(slopes) - 0.016) > 4.0 * u


@pytest.mark.parametrize(
    ("pack", "why"),
    [
        (Pack(0.016, full_a=1.0), "the current moves by less than 2 A"),
        (Pack(0.0, noise=0.03, lines_hz=20), "no resistance"),
        (Pack(0.0002, full_a=4.0, noise=0.03, lines_hz=20), "lost in the noise"),
    ],
)
def test_it_is_withheld_where_it_cannot_be_told(pack: Pack, why: str) -> None:
    rng = np.random.default_rng(4)
    given = [supply_resistance_ohm(run_of(pack, rng)) is not None for _ in range(40)]
    assert np.mean(given) <= 0.05, why


def test_invalid_rows_and_missing_columns() -> None:
    frame = run_of(Pack(0.016), np.random.default_rng(5))
    wild = frame.copy()
    wild.loc[200:240, ["current_a", "valid"]] = [900.0, False]
    answer = supply_resistance_ohm(wild)
    assert answer is not None
    assert answer[0] == pytest.approx(0.016, rel=0.05)
    assert supply_resistance_ohm(frame.drop(columns="current_a")) is None
    assert supply_resistance_ohm(frame.assign(valid=False)) is None
    assert supply_resistance_ohm(frame.iloc[:0]) is None
