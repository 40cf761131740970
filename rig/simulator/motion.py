"""The drive in motion: gusts at the propeller, faults of the drive, and marks that pass."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

from rig.errors import SettingsError
from rig.simulator.faults import FaultClock
from rig.simulator.plant import Plant
from rig.simulator.settings import Settings
from rig.simulator.tachometer import TURN, Tachometer

GUST = 0.004
GUST_S = 0.3
"""Relative size and correlation time of the air's unrest at the propeller; our own."""


HAND_TURNS_PER_S = 1.0


class Motion:
    """Moves `plant` on, and sees to it that faults come at their time.

    Faults count from when the motor is first driven, or from power-up where `driven` says
    that it is driven always.
    """

    def __init__(
        self,
        plant: Plant,
        settings: Settings,
        marks: Sequence[float],
        faults: FaultClock,
        chance: random.Random,
        *,
        driven: bool,
    ) -> None:
        self.tachometer = Tachometer(marks, faults)
        self.now_s = 0.0
        self._plant, self._settings = plant, settings
        self._faults, self._chance = faults, chance
        self._gust = 0.0
        self._ratio = settings.drive.gear.tachometer_ratio
        self._by_hand_rad = 0.0
        self.supply_off = False
        """Somebody has taken the motor's supply off."""
        self._driven_since_s: float | None = 0.0 if driven else None
        faults.tell(None)

    def step(self, dt_s: float, tick: int, ticks: int, *, driven: bool, throttle: float) -> None:
        """Let `dt_s` pass, which begins at `tick` and lasts `ticks` of the board's clock."""
        plant = self._plant
        plant.driven, plant.throttle = driven, throttle
        if self._driven_since_s is None and driven and throttle > 0.0:
            self._driven_since_s = self.now_s
        if not self._settings.ideal:
            share = dt_s / GUST_S
            self._gust += -share * self._gust
            self._gust += GUST * math.sqrt(2.0 * share) * self._chance.gauss(0.0, 1.0)
        angle, before = plant.angle_rad, plant.speed_rad_s
        plant.step(dt_s, self._gust)
        if not math.isfinite(plant.angle_rad):
            raise SettingsError(
                "the motor's values together lead to no speed that can be computed",
                where="simulated board",
                to_do="Look at inertia_kgm2, winding_ohm and kv_rpm_per_v: are they of one motor?",
            )
        if self._by_hand_rad > 0.0:
            before = self._turn_on(angle, dt_s)
        ratio = self._ratio
        self.tachometer.watch(
            angle / ratio, before / ratio, plant.speed_rad_s / ratio, dt_s, tick, ticks
        )
        self.now_s += dt_s

    def turn_by_hand(self, turns: int) -> None:
        """Let a hand turn the shaft with the marks so far."""
        self._by_hand_rad += TURN * turns * self._ratio

    def _turn_on(self, angle: float, dt_s: float) -> float:
        """The hand's part of the way in this step, from `angle` on; its speed."""
        way = min(TURN * HAND_TURNS_PER_S * self._ratio * dt_s, self._by_hand_rad)
        self._by_hand_rad -= way
        self._plant.angle_rad = angle + way
        self._plant.speed_rad_s = way / dt_s if self._by_hand_rad else 0.0
        return way / dt_s

    def disturb(self) -> None:
        """What faults, and hands at the supply, do to the drive from here on."""
        self._plant.forcing.open_v = 0.0 if self.supply_off else None
        if not self._settings.faults:
            return
        faults, since_s = self._faults, self._driven_since_s
        faults.tell(None if since_s is None else self.now_s - since_s)
        forcing = self._plant.forcing
        forcing.supply_a = faults.level("overcurrent")
        forcing.speed_rpm = faults.level("overspeed")
        forcing.case_degc = faults.level("overheat")
        if not self.supply_off:
            forcing.open_v = faults.level("overvolt") or faults.level("undervolt")
