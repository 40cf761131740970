"""The plant as the board's inputs see it, with what is wrong in their wiring.

Faults act on the signal in front of the converter, so that noise, steps and the ends of the scale
are those of a real one.
"""

from __future__ import annotations

import math
import random
from operator import attrgetter

from rig.simulator.built import Built
from rig.simulator.converter import Converter
from rig.simulator.electronics import Input, roles
from rig.simulator.faults import FaultClock
from rig.simulator.plant import Plant
from rig.simulator.settings import Settings
from rig.simulator.transducers import transducer
from rig.stand.model import Resistive

BEAT_HZ = 1.5
"""How slowly a ripple shows whose frequency lies next to the lines'; our own."""


class Inputs:
    """One for each channel of the stand, in its order."""

    def __init__(
        self, settings: Settings, built: Built, faults: FaultClock, chance: random.Random
    ) -> None:
        channels = settings.stand.channels
        self.wired: list[Input] = [
            settings.drive.board.behind(c.key, c.sensor, settings.noise_counts) for c in channels
        ]
        self._roles = roles(settings.stand)
        self._sensors = built.sensors
        self._levels = [
            transducer(sensor, wired.full_scale)
            for sensor, wired in zip(built.sensors, self.wired, strict=True)
        ]
        self._reference_v = built.reference_v
        self._bandgap_v = built.bandgap_v if settings.reference else None
        if settings.reference:
            self.wired.append(settings.drive.board.common)
        self._true = [attrgetter(settings.drive.quantity(c.key) or "") for c in channels]
        self._faults = faults
        self._converter = Converter(self.wired, chance)
        self._stuck: int | None = None
        self._lagging: tuple[float, float] | None = None

    def sums(self, plant: Plant, now_s: float) -> list[int]:
        """The summed count of each input."""
        true = [get(plant) for get in self._true]
        if self._faults.any:
            self._mislead(true, plant, now_s)
        levels = [level(value) for level, value in zip(self._levels, true, strict=True)]
        if self._bandgap_v is not None:
            levels.append(self._bandgap_v / self._reference_v * self.wired[-1].full_scale)
        if self._faults.any:
            self._miswire(levels, driven=plant.duty > 0.0)
        sums = self._converter.sums(levels)
        if self._faults.on("motor-stuck"):
            place = self._roles.thermistors[0]
            self._stuck = sums[place] if self._stuck is None else self._stuck
            sums[place] = self._stuck
        return sums

    def _mislead(self, true: list[float], plant: Plant, now_s: float) -> None:
        """What reaches the sensors is not what it should be."""
        faults, part = self._faults, self._roles
        if faults.on("ground-offset") and part.voltage is not None:
            sag_v = plant.current_a * plant.supply.internal_ohm
            true[part.voltage] += (faults.level("ground-offset") or 0.0) * sag_v
        if faults.on("ripple-aliased") and part.current is not None:
            share = faults.level("ripple-aliased") or 0.0
            true[part.current] *= 1.0 + share * math.sin(2.0 * math.pi * BEAT_HZ * now_s)
        if faults.on("motor-slow"):
            place, after_s = part.thermistors[0], faults.level("motor-slow") or 1.0
            before_s, degc = self._lagging or (now_s, true[place])
            degc += (true[place] - degc) * -math.expm1(-(now_s - before_s) / after_s)
            self._lagging = now_s, degc
            true[place] = degc

    def _miswire(self, levels: list[float], *, driven: bool) -> None:
        """What the sensors give does not reach the converter."""
        self._miswire_current(levels, driven=driven)
        self._miswire_voltage(levels)
        self._miswire_thermistor(levels)
        if low_v := self._faults.level("reference-low"):
            own = () if self._bandgap_v is None else (len(levels) - 1,)
            for place in (*self._roles.absolute, *own):
                levels[place] *= self._reference_v / max(low_v, 0.1)

    def _miswire_current(self, levels: list[float], *, driven: bool) -> None:
        faults, place = self._faults, self._roles.current
        if place is None:
            return
        zero = self._levels[place](0.0)
        if faults.on("shunt-reversed"):
            levels[place] = 2.0 * zero - levels[place]
        if faults.on("shunt-open"):
            levels[place] = zero
        if faults.on("clip-current") and driven:
            levels[place] = 2.0 * self.wired[place].full_scale

    def _miswire_voltage(self, levels: list[float]) -> None:
        place = self._roles.voltage
        if place is None:
            return
        if self._faults.on("divider-open-top"):
            levels[place] = 0.0
        if self._faults.on("divider-open-bottom"):
            levels[place] = 2.0 * self.wired[place].full_scale

    def _miswire_thermistor(self, levels: list[float]) -> None:
        faults, places = self._faults, self._roles.thermistors
        if not places:
            return
        first = places[0]
        if faults.on("motor-swapped"):
            levels[first], levels[places[1]] = levels[places[1]], levels[first]
        sensor, end = self._sensors[first], float(self.wired[first].full_scale)
        assert isinstance(sensor, Resistive)
        open_level, shorted_level = (end, 0.0) if sensor.position == "low" else (0.0, end)
        if faults.on("motor-open") or faults.hit("motor-loose"):
            levels[first] = open_level
        if faults.on("motor-shorted"):
            levels[first] = shorted_level
