"""One time constant: coverage by simulation, the same data by scipy, and when it is withheld."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import curve_fit
from scipy.signal import lfilter

from rig.analysis.first_order import fit_first_order, step_uncertainty

Floats = NDArray[np.float64]
START, RISE = 20.0, 18.0


def record(
    rng: np.random.Generator,
    tau_s: float,
    taus: float,
    noise: float,
    together: float = 0.0,
    step: float = 0.0,
) -> tuple[Floats, Floats, float]:
    """Time, readings at 20 a second, and the true start; noise may hang together (AR(1))."""
    time_s = np.arange(0.0, tau_s * taus, 0.05)
    white = rng.normal(size=len(time_s) + 200) * math.sqrt(1.0 - together**2)
    wander = noise * lfilter([1.0], [1.0, -together], white)[200:]
    start = START + float(rng.uniform(0.0, 1.0))
    value = start + RISE * (1.0 - np.exp(-time_s / tau_s)) + wander
    return time_s, np.round(value / step) * step if step else value, start


@pytest.mark.parametrize(
    ("tau_s", "taus", "noise", "together"),
    [
        (5.0, 1.2, 0.1, 0.0),
        (5.0, 2.0, 0.3, 0.0),
        (5.0, 6.0, 0.3, 0.0),
        (30.0, 1.5, 0.3, 0.0),
        (30.0, 3.0, 0.05, 0.8),
        (30.0, 6.0, 0.1, 0.95),
    ],
)
def test_intervals_of_95_percent_hold_the_truth(
    tau_s: float, taus: float, noise: float, together: float
) -> None:
    rng = np.random.default_rng(7)
    runs, held, given = 400, np.zeros(4), 0
    for _ in range(runs):
        time_s, value, start = record(rng, tau_s, taus, noise, together)
        curve = fit_first_order(time_s, value).curve
        if curve is None:
            continue
        given += 1
        to_come = RISE * math.exp(-time_s[-1] / tau_s)
        for k, (found, truth) in enumerate(
            zip(
                (curve.settling, curve.rise, curve.tau_s, curve.to_come),
                (start + RISE, RISE, tau_s, to_come),
                strict=True,
            )
        ):
            held[k] += abs(found.value - truth) <= 1.96 * found.u
    assert given >= 0.95 * runs
    # 93 to 98 %, and what chance adds in 400 runs (two standard deviations of 0.011).
    assert (held / given >= 0.93 - 0.022).all() and (held / given <= 0.98 + 0.022).all()


@pytest.mark.parametrize("noise", [0.0, 0.02, 0.1])
@pytest.mark.parametrize("taus", [1.5, 3.0, 6.0])
def test_a_converter_s_steps_are_allowed_for(noise: float, taus: float) -> None:
    rng = np.random.default_rng(8)
    held = []
    for _ in range(150):
        time_s, value, start = record(rng, 20.0, taus, noise, step=0.2)
        curve = fit_first_order(time_s, value).curve
        assert curve is not None
        held += [abs(curve.settling.value - start - RISE) <= 1.96 * curve.settling.u]
        held += [abs(curve.tau_s.value - 20.0) <= 1.96 * curve.tau_s.u]
    assert np.mean(held) >= 0.93


def test_the_same_data_by_another_library() -> None:
    """scipy.optimize.curve_fit: values to 1e-6, uncertainties within 10 % for white noise."""
    time_s, value, _ = record(np.random.default_rng(3), 12.0, 2.5, 0.1)
    # A mean over few readings is the curve's value at their middle only nearly: no averaging.
    time_s, value = time_s[::4], value[::4]
    wanted, covariance = curve_fit(
        lambda t, end, rise, tau: end - rise * np.exp(-t / tau), time_s, value, [40.0, 20.0, 10.0]
    )
    curve = fit_first_order(time_s, value).curve
    assert curve is not None
    found = (curve.settling, curve.rise, curve.tau_s)
    assert [item.value for item in found] == pytest.approx(wanted, rel=1e-4)
    assert [item.u for item in found] == pytest.approx(np.sqrt(np.diag(covariance)), rel=0.15)


def test_after_one_time_constant_63_2_percent_of_the_rise_is_done() -> None:
    # 1 - 1/e, the definition of the time constant of a first-order instrument.
    time_s = np.linspace(0.0, 20.0, 201)
    value = 50.0 - 30.0 * np.exp(-time_s / 10.0)
    noise = 0.003 * np.random.default_rng(2).normal(size=201)
    curve = fit_first_order(time_s, value + noise).curve
    assert curve is not None
    assert curve.tau_s.value == pytest.approx(10.0, rel=1e-3)
    at_tau = value[100]
    done = 1.0 - (curve.settling.value - at_tau) / curve.rise.value
    assert done == pytest.approx(0.63212, abs=1e-3)


def test_a_fall_is_a_negative_rise() -> None:
    time_s = np.linspace(0.0, 30.0, 150)
    noise = 0.01 * np.random.default_rng(1).normal(size=150)
    curve = fit_first_order(time_s, 20.0 + 30.0 * np.exp(-time_s / 8.0) + noise).curve
    assert curve is not None
    assert curve.rise.value == pytest.approx(-30.0, abs=0.05)
    assert curve.settling.value == pytest.approx(20.0, abs=0.05)


@pytest.mark.parametrize(
    ("taus", "noise", "together", "why"),
    [
        (0.5, 0.1, 0.0, "less than one time constant"),
        (0.05, 0.1, 0.0, "straight line"),
        (1.2, 6.0, 0.0, ""),
        (2.0, 0.5, 0.995, ""),
        (0.005, 0.1, 0.0, "too few"),
    ],
)
def test_it_is_withheld_with_a_reason(taus: float, noise: float, together: float, why: str) -> None:
    rng = np.random.default_rng(5)
    fits = [fit_first_order(*record(rng, 20.0, taus, noise, together)[:2]) for _ in range(40)]
    withheld = [fit.why for fit in fits if fit.curve is None]
    assert len(withheld) >= 36
    assert all(withheld) and any(why in text for text in withheld)


def test_readings_that_are_not_finite_are_left_out() -> None:
    time_s, value, _ = record(np.random.default_rng(4), 5.0, 3.0, 0.05)
    holes = value.copy()
    holes[10:20] = math.nan
    assert fit_first_order(time_s, holes).curve is not None
    assert fit_first_order(time_s, np.full(len(time_s), math.nan)).why == "too few readings"


def test_steps_alone_leave_q_over_root_12_and_noise_averages_them_out() -> None:
    """JCGM 100:2008, F.2.2.1; and by simulation, with the level anywhere within a step."""
    rng = np.random.default_rng(6)
    assert step_uncertainty(np.repeat([1.0, 2.0, 3.0], 50)) == pytest.approx(1 / math.sqrt(12))
    errors, told = [], []
    for level in rng.uniform(0.0, 1.0, 200):
        values = np.round(level + 0.5 * rng.normal(size=4000))
        errors.append(values.mean() - level)
        told.append(step_uncertainty(values))
    assert np.sqrt(np.mean(np.square(errors))) < 0.02
    assert np.mean(told) < 0.02
