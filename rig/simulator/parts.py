"""The parts on the bench and their figures; the defaults are Marram's.

Brushless motor with a pusher propeller, speed controller, pack or bench supply, and the
thermal network that ties them to the air. `plant` sets them in motion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

COPPER_PER_K = 0.00393
"""Rise of copper's resistance per kelvin, referred to 20 degC (IEC 60028)."""

RPM = 2.0 * math.pi / 60.0
"""One revolution per minute in rad/s."""


@dataclass(frozen=True, slots=True)
class Motor:
    """The motor. Iron loss shows as a current: a constant part and one that grows with speed.

    Timing advance weakens the field: more speed per volt, less torque per ampere. The share
    of the current that makes no torque heats the copper, and the iron works harder. The
    three slopes are chosen to be plausible for a motor of this size; no source.
    """

    kv_rpm_per_v: float = 712.0
    winding_ohm: float = 0.028
    """At 20 degC, between two terminals."""
    no_load_a: float = 1.2
    no_load_a_per_krpm: float = 0.12
    timing_deg: float = 12.0
    kv_per_deg: float = 0.0017
    iron_per_deg: float = 0.006

    @property
    def kv_now(self) -> float:
        """Speed per volt at the present timing, rpm/V."""
        return self.kv_rpm_per_v * (1.0 + self.kv_per_deg * self.timing_deg)

    @property
    def kt_nm_per_a(self) -> float:
        """Torque per ampere at the present timing: 60 / (2 pi Kv)."""
        return 60.0 / (2.0 * math.pi * self.kv_now)

    @property
    def iron_factor(self) -> float:
        """By how much the timing raises the iron loss."""
        return 1.0 + self.iron_per_deg * self.timing_deg

    def ohm(self, winding_degc: float) -> float:
        """Effective resistance at a copper temperature, currents without torque included."""
        copper = self.winding_ohm * (1.0 + COPPER_PER_K * (winding_degc - 20.0))
        return copper / math.cos(math.radians(0.5 * self.timing_deg)) ** 2


@dataclass(frozen=True, slots=True)
class Rotor:
    """What the motor turns: power goes with air density and with the cube of speed."""

    inertia_kgm2: float = 1.0e-4
    """A thin rod of 14 g and 254 mm (m l^2 / 12) and the motor's bell; our own figures."""
    reference_w: float = 1290.0
    reference_rpm: float = 15_000.0
    reference_air_kgm3: float = 1.2

    def torque_factor(self, air_kgm3: float) -> float:
        """k in torque = k * speed^2, in N m per (rad/s)^2."""
        density = air_kgm3 / self.reference_air_kgm3
        return self.reference_w * density / (self.reference_rpm * RPM) ** 3


@dataclass(frozen=True, slots=True)
class Controller:
    """Electronic speed controller: an ideal step-down by the throttle behind a resistance."""

    on_ohm: float = 0.005
    ramp_s: float = 1.0
    """From nothing to full throttle."""
    standby_a: float = 0.4
    """What the other electronics behind the shunt draw all the time."""


@dataclass(frozen=True, slots=True)
class Supply:
    """A pack whose voltage falls with charge, or a bench supply (`capacity_ah` infinite)."""

    full_v: float = 25.2
    empty_v: float = 21.0
    capacity_ah: float = 10.0
    used_ah: float = 1.6
    """Charge that was taken out before the board woke."""
    internal_ohm: float = 0.018

    def open_v(self, drawn_as: float) -> float:
        """Volts at no load once `drawn_as` ampere-seconds more have been drawn."""
        used = (self.used_ah + drawn_as / 3600.0) / self.capacity_ah
        return self.full_v - (self.full_v - self.empty_v) * min(used, 1.0)


def pack(cells: int, volts: float | None = None) -> Supply:
    """A pack of `cells` in series, at `volts` at rest, or flown a little.

    4.2 V a cell when full and 3.5 V when spent: data-sheet convention. 3 milliohm a cell,
    leads included.
    """
    full_v, empty_v, capacity_ah = 4.2 * cells, 3.5 * cells, 10.0
    at_rest_v = 4.085 * cells if volts is None else volts
    used_ah = capacity_ah * (full_v - at_rest_v) / (full_v - empty_v)
    return Supply(full_v, empty_v, capacity_ah, used_ah, internal_ohm=0.003 * cells)


def bench_supply(volts: float) -> Supply:
    """A bench supply of `volts`, which sags a little and never runs empty."""
    return Supply(volts, volts, math.inf, 0.0, internal_ohm=0.004)


@dataclass(frozen=True, slots=True)
class Heat:
    """The thermal network: heat capacities in J/K, conductances in W/K."""

    winding_j_k: float = 60.0
    case_j_k: float = 160.0
    controller_j_k: float = 40.0
    pack_j_k: float = 900.0
    winding_to_case_w_k: float = 4.0
    case_to_air_w_k: float = 0.6
    case_to_air_w_k_per_krpm: float = 0.25
    """The propeller blows on the motor."""
    controller_to_air_w_k: float = 0.9
    pack_to_air_w_k: float = 1.5


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The air of the day."""

    air_degc: float = 22.0
    air_kgm3: float = 1.2
