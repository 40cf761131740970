"""The drive as it stands on the day of a run: no two runs find the same air and charge."""

from __future__ import annotations

import dataclasses
import random

from rig.simulator.parts import Motor, Supply, Surroundings, bench_supply, pack
from rig.simulator.plant import Plant
from rig.simulator.settings import Settings


def plant_for(settings: Settings) -> Plant:
    """The drive of these settings; the seed sets the day, an ideal one has no weather."""
    chance = random.Random(f"day {settings.seed}")
    unrest = 0.0 if settings.ideal else 1.0
    supply: Supply
    if settings.bench_supply:
        supply = bench_supply(24.0 if settings.volts is None else settings.volts)
    else:
        supply = pack(settings.cells, settings.volts)
        used_ah = supply.used_ah + unrest * chance.uniform(-0.1, 0.1)
        supply = dataclasses.replace(supply, used_ah=used_ah)
    air = Surroundings(
        air_degc=22.0 + unrest * chance.uniform(-1.0, 1.0),
        air_kgm3=1.2 * (1.0 + unrest * chance.gauss(0.0, 0.002)),
    )
    return Plant(Motor(timing_deg=settings.timing_deg), supply=supply, surroundings=air)
