"""Rise, peak and "still rising", against temperatures that are known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from rig.analysis.figures import figures_of
from rig.analysis.temperatures import warmed
from rig.captures.capture import load
from rig.captures.convert import sampler_of
from tests.analysis.test_derived import ideal_converter

Floats = NDArray[np.float64]
SAMPLE = sorted((Path(__file__).parents[2] / "sample_captures").glob("*_early_01.parquet"))[0]
REST_S, DRIVE_S = 3.0, 20.0


def run_of(
    rng: np.random.Generator,
    *,
    lines_hz: float = 50.0,
    noise: float = 0.1,
    step: float = 0.0,
    soak_s: float = 30.0,
    tau_s: float = 15.0,
) -> tuple[pd.DataFrame, float, float]:
    """A motor that warms up in the drive, peaks in the heat soak, and cools; its true start and
    peak. Readings have noise and converter steps."""
    time_s = np.arange(0.0, REST_S + DRIVE_S + soak_s, 1.0 / lines_hz)
    start = 20.0 + float(rng.uniform(0.0, 1.0))

    def warm(driven_s: Floats) -> Floats:
        return 25.0 * (1.0 - np.exp(-np.maximum(driven_s, 0.0) / tau_s))

    soaked_s = np.maximum(time_s - REST_S - DRIVE_S, 0.0)
    soak = 6.0 * (np.exp(-soaked_s / 60.0) - np.exp(-soaked_s / 6.0))
    truth = start + warm(np.minimum(time_s - REST_S, DRIVE_S)) + soak
    readings = truth + noise * rng.normal(size=len(time_s))
    frame = pd.DataFrame(
        {
            "time_s": time_s,
            "motor_degc": np.round(readings / step) * step if step else readings,
            "phase": np.select(
                [time_s < REST_S, time_s < REST_S + DRIVE_S], ["ready", "running"], "coasting"
            ),
            "valid": True,
        }
    )
    return frame, start, float(truth.max())


@pytest.mark.parametrize(
    ("lines_hz", "noise", "step"),
    [(5.0, 0.1, 0.0), (50.0, 0.1, 0.0), (200.0, 0.5, 0.0), (50.0, 0.2, 0.3), (50.0, 0.02, 0.2)],
)
def test_noise_does_not_raise_the_peak_and_the_interval_has_the_truth(
    lines_hz: float, noise: float, step: float
) -> None:
    rng = np.random.default_rng(9)
    off, held, plain = [], [], []
    for _ in range(150):
        frame, start, peak = run_of(rng, lines_hz=lines_hz, noise=noise, step=step)
        found = warmed(frame, "motor_degc")
        assert found is not None
        off.append(found.peak.value - peak)
        held.append(abs(found.rise.value - (peak - start)) <= 2.0 * found.rise.u)
        plain.append(frame["motor_degc"].max() - peak)
    u = np.mean([found.peak.u])
    assert abs(np.mean(off)) <= max(0.5 * u, 3.0 * np.std(off) / np.sqrt(len(off)))
    assert abs(np.mean(off)) < 0.5 * abs(np.mean(plain))
    assert np.mean(held) >= 0.93


def test_the_start_is_the_mean_at_rest() -> None:
    frame, _, _ = run_of(np.random.default_rng(1))
    found = warmed(frame, "motor_degc")
    assert found is not None
    rest = frame.loc[frame["phase"] == "ready", "motor_degc"]
    assert found.start.value == pytest.approx(rest.mean())
    # White noise: the standard deviation over the root of the number.
    assert found.start.u == pytest.approx(rest.std() / np.sqrt(len(rest)), rel=0.3)


def test_a_temperature_that_still_rose_is_marked_with_the_peak_that_it_would_reach() -> None:
    rng = np.random.default_rng(2)
    held = []
    for _ in range(100):
        frame, start, _ = run_of(rng, soak_s=0.0)
        found = warmed(frame, "motor_degc")
        assert found is not None and found.still_rising
        assert found.expected_peak is not None
        held.append(abs(found.expected_peak.value - start - 25.0) <= 2.0 * found.expected_peak.u)
    assert np.mean(held) >= 0.93 - 2 * 0.022


def test_without_a_time_constant_in_sight_it_still_rises_but_no_peak_is_expected() -> None:
    frame, _, _ = run_of(np.random.default_rng(3), soak_s=0.0, tau_s=200.0)
    found = warmed(frame, "motor_degc")
    assert found is not None and found.still_rising
    assert found.expected_peak is None


def test_a_temperature_that_falls_or_has_settled_is_not_marked() -> None:
    rng = np.random.default_rng(4)
    for more in ({"soak_s": 40.0}, {"soak_s": 0.0, "tau_s": 2.5}):
        marked = [
            warmed(run_of(rng, **more)[0], "motor_degc").still_rising  # type: ignore[arg-type,union-attr]
            for _ in range(50)
        ]
        assert np.mean(marked) <= 0.05


def test_figures_name_it() -> None:
    frame, _, _ = run_of(np.random.default_rng(5), soak_s=0.0)
    frame["speed_rpm"] = np.where(frame["phase"] == "running", 9000.0, 0.0)
    figures = figures_of(frame)
    assert figures.still_rising == ("motor_degc",)
    assert figures.means["motor_degc_expected_peak"] > figures.means["motor_degc_peak"]
    assert figures.errors["motor_degc_rise"] > 0.0


def test_a_rise_has_the_thermistor_s_part_and_what_both_readings_share_cancels() -> None:
    """By Monte Carlo: the thermistor's components drawn at random, the same for both readings."""
    run = ideal_converter(SAMPLE)
    run = replace(
        run,
        figures={**run.figures, "motor_degc_start": 21.0, "motor_degc_peak": 61.0,
                 "motor_degc_rise": 40.0},
    )  # fmt: skip
    measured = run.measured
    rise, peak = measured["motor_degc_rise"], measured["motor_degc_peak"]
    assert rise.nominal_value == pytest.approx(40.0)
    assert 0.0 < rise.std_dev < peak.std_dev
    meta = load(SAMPLE).meta
    sampler = sampler_of(meta.stand, meta.hello, meta.channels)
    bound = next(bound for bound in sampler._bound if bound.column == "motor_degc")
    counts = [bound.mean_count(bound.count_for(degc)) for degc in (21.0, 61.0)]
    rng = np.random.default_rng(6)
    budget = sampler.measured({"motor_degc": 21.0}) and sampler._budget
    assert budget is not None
    drawn = []
    for _ in range(4000):
        components = {
            name: rng.normal(value.nominal_value, value.std_dev)
            if hasattr(value, "std_dev")
            else value
            for name, value in vars(budget._parameters["motor_degc"]).items()
        }
        low, high = (bound.quantity(count, SimpleNamespace(**components)) for count in counts)
        drawn.append(high - low)
    assert rise.std_dev == pytest.approx(np.std(drawn), rel=0.06)
