"""From true quantities to summed counts, with the errors of one stand and the converter's own.

Component values differ from their names by no more than the tolerances that a careful
builder writes into stand.toml; they are drawn once from the stand's seed.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from rig.simulator.faults import FaultClock
from rig.simulator.settings import Settings

CHANNELS = (
    ("current", "shunt"),
    ("voltage", "pack"),
    ("temperature", "motor"),
    ("temperature", "controller"),
    ("temperature", "cells"),
)
"""Quantity and label of each channel, in the order of a data line."""

SHUNT, PACK, MOTOR, CONTROLLER, CELLS = range(len(CHANNELS))
REFERENCE_CHANNEL = ("reference", "supply")
"""One more, the last, on a board that measures its supply: the bandgap against it."""

_KELVIN = 273.15
_POOL = 4099


@dataclass(frozen=True, slots=True)
class StandErrors:
    """Relative errors of components, and two offsets, of one stand."""

    shunt: float = 0.0
    gain: float = 0.0
    offset_v: float = 0.0
    reference: float = 0.0
    upper: float = 0.0
    lower: float = 0.0
    r25: tuple[float, float, float] = (0.0, 0.0, 0.0)
    beta: tuple[float, float, float] = (0.0, 0.0, 0.0)
    series: tuple[float, float, float] = (0.0, 0.0, 0.0)
    clock: float = 0.0
    """By how much the board's clock runs fast."""
    marks: tuple[float, ...] = (0.0, 0.5)
    """Where the tachometer's marks sit, in shares of a turn."""
    bandgap: float = 0.0


def draw_errors(settings: Settings) -> StandErrors:
    """The errors of the stand with this `stand_seed`; none for an ideal one."""
    pulses = settings.wiring.pulses_per_revolution
    if settings.ideal:
        return StandErrors(marks=tuple(index / pulses for index in range(pulses)))
    chance = random.Random(settings.stand_seed)

    def within(tolerance: float) -> float:
        return chance.uniform(-tolerance, tolerance)

    def three(tolerance: float) -> tuple[float, float, float]:
        return within(tolerance), within(tolerance), within(tolerance)

    return StandErrors(
        shunt=within(0.0025),
        gain=within(0.005),
        offset_v=within(0.01),
        reference=within(0.002),
        upper=within(0.005),
        lower=within(0.005),
        r25=three(0.01),
        beta=three(0.0075),
        series=three(0.005),
        clock=within(0.005),
        marks=tuple((index + within(0.01)) / pulses for index in range(pulses)),
        bandgap=within(0.1),
    )


def channels_of(settings: Settings) -> tuple[tuple[str, str], ...]:
    """Quantity and label of each channel of this board."""
    return (*CHANNELS, REFERENCE_CHANNEL) if settings.reference else CHANNELS


class Converter:
    """Ten bits, several conversions summed, each with noise of its own."""

    def __init__(self, settings: Settings, errors: StandErrors, chance: random.Random) -> None:
        self._errors = errors
        self._chance = chance
        # Drawing from a pool costs a fifth of drawing anew, 80 times a line.
        self._pool = [chance.gauss(0.5, settings.noise_counts) for _ in range(_POOL)]
        self._widest = max(map(abs, self._pool)) + 1.0
        self._stuck: int | None = None
        wiring = settings.wiring
        self._wiring = wiring
        self._reference_v = wiring.reference_v * (1.0 + errors.reference)
        self._bandgap_v = wiring.bandgap_v * (1.0 + errors.bandgap) if settings.reference else None
        self._amplified_ohm = (
            wiring.shunt_ohm * (1.0 + errors.shunt) * wiring.gain * (1.0 + errors.gain)
        )
        upper, lower = wiring.upper_ohm * (1 + errors.upper), wiring.lower_ohm * (1 + errors.lower)
        self._divided = lower / (upper + lower)

    def sums(
        self,
        current_a: float,
        voltage_v: float,
        degc: tuple[float, float, float],
        *,
        driven: bool,
        now: FaultClock,
    ) -> list[int]:
        """The summed count of each channel; `degc` is motor, controller, pack."""
        end = float(self._wiring.full_scale)
        lowered_v = now.level("reference-low")
        per_volt = end / (self._reference_v if lowered_v is None else max(lowered_v, 0.1))
        levels = [
            (current_a * self._amplified_ohm + self._errors.offset_v) * per_volt,
            voltage_v * self._divided * per_volt,
            *(end * self._ratio(which, value) for which, value in enumerate(degc)),
        ]
        if self._bandgap_v is not None:
            levels.append(self._bandgap_v * per_volt)
        if now.on("clip-current") and driven:
            levels[SHUNT] = 2.0 * end
        if now.on("motor-open"):
            levels[MOTOR] = end
        if now.on("motor-shorted"):
            levels[MOTOR] = 0.0
        sums = [self._convert(level) for level in levels]
        if now.on("motor-stuck"):
            self._stuck = sums[MOTOR] if self._stuck is None else self._stuck
            sums[MOTOR] = self._stuck
        return sums

    def _ratio(self, which: int, degc: float) -> float:
        """The share of the reference across a thermistor, by its B value."""
        wiring, errors = self._wiring, self._errors
        beta = wiring.beta_k * (1.0 + errors.beta[which])
        inverse = 1.0 / (degc + _KELVIN) - 1.0 / (25.0 + _KELVIN)
        ohm = wiring.r25_ohm * (1.0 + errors.r25[which]) * math.exp(beta * inverse)
        return ohm / (ohm + wiring.series_ohm * (1.0 + errors.series[which]))

    def _convert(self, level: float) -> int:
        """The sum of the conversions at `level` counts, each rounded to the nearest count."""
        wiring = self._wiring
        highest = wiring.full_scale - 1
        if level <= -self._widest or level >= highest + self._widest:
            return highest * wiring.conversions if level > 0.0 else 0
        first = self._chance.randrange(_POOL - wiring.conversions)
        noise = self._pool[first : first + wiring.conversions]
        if self._widest < level < highest - self._widest:
            return sum([int(level + each) for each in noise])
        return sum([min(max(math.floor(level + each), 0), highest) for each in noise])
