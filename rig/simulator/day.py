"""The drive as it stands on the day of a run: no two runs find the same air and charge."""

from __future__ import annotations

import dataclasses
import random

from rig.simulator.misfits import clipped_supply
from rig.simulator.parts import BenchSupply, Pack, Surroundings
from rig.simulator.plant import Plant
from rig.simulator.settings import Settings

CHARGED_WITHIN = 0.01
"""How differently a pack is charged from day to day, in shares of its capacity; our own."""


def plant_for(settings: Settings) -> Plant:
    """The drive of these settings; the seed sets the day, an ideal one has no weather."""
    chance = random.Random(f"day {settings.seed}")
    unrest = 0.0 if settings.ideal else 1.0
    source, drive = _source(settings), settings.drive
    supply = source.at(settings.volts)
    if isinstance(source, Pack):
        within_ah = CHARGED_WITHIN * source.capacity_ah
        used_ah = supply.used_ah + unrest * chance.uniform(-within_ah, within_ah)
        supply = dataclasses.replace(supply, used_ah=used_ah)
    air = Surroundings(
        air_degc=22.0 + unrest * chance.uniform(-1.0, 1.0),
        air_kgm3=1.2 * (1.0 + unrest * chance.gauss(0.0, 0.002)),
    )
    motor = drive.motor
    if settings.timing_deg is not None:
        motor = dataclasses.replace(motor, timing_deg=settings.timing_deg)
    rotor = drive.gear.seen_from_motor(drive.rotor)
    return Plant(motor, rotor, drive.controller, supply, drive.heat, air)


def supply_warning(settings: Settings) -> str:
    """What to say where the supply, a full pack or what was set, clips; empty where it does not."""
    highest_v = max(_source(settings).at(settings.volts).full_v, settings.volts or 0.0)
    return clipped_supply(settings.stand, settings.drive, highest_v)


def _source(settings: Settings) -> Pack | BenchSupply:
    """The supply of the drive, or the one that was asked for in its place."""
    own = settings.drive.supply
    if settings.bench_supply:
        return own if isinstance(own, BenchSupply) else BenchSupply()
    if settings.cells is not None:
        own = own if isinstance(own, Pack) else Pack()
        return dataclasses.replace(own, cells=settings.cells)
    return own
