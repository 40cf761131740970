"""The parts on the bench and their figures; the defaults are Marram's.

Brushless motor with a pusher propeller, speed controller, pack or bench supply, and the
thermal network that ties them to the air. `plant` sets them in motion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Annotated, Literal

from annotated_types import Gt, Interval, Le

from rig.stand.model import Closed

HeatCapacity = Annotated[float, Interval(ge=1, le=1e6)]
Conductance = Annotated[float, Interval(ge=0, le=100)]

COPPER_PER_K = 0.00393
"""Rise of copper's resistance per kelvin, referred to 20 degC (IEC 60028)."""

RPM = 2.0 * math.pi / 60.0
"""One revolution per minute in rad/s."""


@dataclass(frozen=True, slots=True)
class Motor(Closed):
    """The motor. Iron loss shows as a current: a constant part and one that grows with speed.

    Timing advance weakens the field: more speed per volt, less torque per ampere. The share
    of the current that makes no torque heats the copper, and the iron works harder. The
    three slopes are chosen to be plausible for a motor of this size; no source.
    """

    kv_rpm_per_v: Annotated[float, Interval(ge=0.1, le=1e6)] = 712.0
    winding_ohm: Annotated[float, Interval(ge=1e-5, le=1e3)] = 0.028
    """At 20 degC, between two terminals."""
    no_load_a: Annotated[float, Interval(ge=0, le=1e3)] = 1.2
    no_load_a_per_krpm: Annotated[float, Interval(ge=0, le=100)] = 0.12
    timing_deg: Annotated[float, Interval(ge=0, le=45)] = 12.0
    kv_per_deg: Annotated[float, Interval(ge=0, le=1)] = 0.0017
    iron_per_deg: Annotated[float, Interval(ge=0, le=1)] = 0.006

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
class Rotor(Closed):
    """What the motor turns: power goes with air density and with a power of speed.

    The `exponent` is 3 for a fan or propeller (affinity laws), 2 for an eddy-current brake well
    below its critical speed, 1 for a constant torque.
    """

    inertia_kgm2: Annotated[float, Interval(ge=1e-9, le=1e3)] = 1.0e-4
    """A thin rod of 14 g and 254 mm (m l^2 / 12) and the motor's bell; our own figures."""
    reference_w: Annotated[float, Interval(ge=0, le=1e6)] = 1290.0
    reference_rpm: Annotated[float, Interval(ge=1, le=1e6)] = 15_000.0
    reference_air_kgm3: Annotated[float, Interval(ge=0.1, le=10)] = 1.2
    exponent: Annotated[float, Interval(ge=1, le=4)] = 3.0
    """Of power over speed."""
    reference_n: Annotated[float, Interval(ge=0, le=1e5)] = 0.0
    """Thrust at `reference_rpm`; it goes with the square of speed."""
    in_air: bool = True
    """Whether power and thrust go with the density of the air."""

    def torque_factor(self, air_kgm3: float) -> float:
        """k in torque = k * speed^(exponent - 1), in N m per (rad/s)^(exponent - 1)."""
        reference = math.pow(self.reference_rpm * RPM, self.exponent)
        return self.reference_w * self._density(air_kgm3) / reference

    def thrust_factor(self, air_kgm3: float) -> float:
        """k in thrust = k * speed^2, in N per (rad/s)^2."""
        return self.reference_n * self._density(air_kgm3) / (self.reference_rpm * RPM) ** 2

    def _density(self, air_kgm3: float) -> float:
        return air_kgm3 / self.reference_air_kgm3 if self.in_air else 1.0


@dataclass(frozen=True, slots=True)
class Gear(Closed):
    """A gear between motor and rotor."""

    ratio: Annotated[float, Interval(ge=0.01, le=1000)] = 1.0
    """Turns of the motor for one of the rotor."""
    efficiency: Annotated[float, Gt(0), Le(1)] = 1.0
    tachometer: Literal["motor", "rotor"] = "motor"
    """Whose shaft carries the marks."""

    def seen_from_motor(self, rotor: Rotor) -> Rotor:
        """`rotor` as a load on the motor's shaft: its inertia counts with the square of the ratio
        (mechanics of a rigid gear), and it costs what the gear loses, too."""
        return replace(
            rotor,
            inertia_kgm2=rotor.inertia_kgm2 / self.ratio**2,
            reference_w=rotor.reference_w / self.efficiency,
            reference_rpm=rotor.reference_rpm * self.ratio,
        )

    @property
    def tachometer_ratio(self) -> float:
        """Turns of the motor for one turn of the tachometer's marks."""
        return self.ratio if self.tachometer == "rotor" else 1.0


@dataclass(frozen=True, slots=True)
class Controller(Closed):
    """Electronic speed controller: an ideal step-down by the throttle behind a resistance."""

    on_ohm: Annotated[float, Interval(ge=0, le=100)] = 0.005
    ramp_s: Annotated[float, Interval(ge=1e-3, le=100)] = 1.0
    """From nothing to full throttle."""
    standby_a: Annotated[float, Interval(ge=0, le=1e3)] = 0.4
    """What the other electronics behind the shunt draw all the time."""


@dataclass(frozen=True, slots=True)
class Supply:
    """A pack whose voltage falls with charge, or a bench supply (`capacity_ah` infinite)."""

    full_v: float = 25.2
    empty_v: float = 21.0
    capacity_ah: Annotated[float, Interval(ge=0.01, le=1e5)] = 10.0
    used_ah: float = 1.6
    """Charge that was taken out before the board woke."""
    internal_ohm: float = 0.018

    def open_v(self, drawn_as: float) -> float:
        """Volts at no load once `drawn_as` ampere-seconds more have been drawn."""
        used = (self.used_ah + drawn_as / 3600.0) / self.capacity_ah
        return self.full_v - (self.full_v - self.empty_v) * min(used, 1.0)


CELL_FULL_V, CELL_EMPTY_V, CELL_FLOWN_V = 4.2, 3.5, 4.085
"""A cell when full, when spent (data-sheet convention), and flown a little."""


@dataclass(frozen=True, slots=True)
class Pack(Closed):
    """A pack of cells in series. 3 milliohm a cell, leads included."""

    cells: Annotated[int, Interval(ge=1, le=100)] = 6
    cell_ohm: Annotated[float, Interval(ge=0, le=10)] = 0.003
    capacity_ah: Annotated[float, Interval(ge=0.01, le=1e5)] = 10.0

    def at(self, volts: float | None = None) -> Supply:
        """At `volts` at rest, or flown a little."""
        full_v, empty_v = CELL_FULL_V * self.cells, CELL_EMPTY_V * self.cells
        at_rest_v = CELL_FLOWN_V * self.cells if volts is None else volts
        used_ah = self.capacity_ah * (full_v - at_rest_v) / (full_v - empty_v)
        internal_ohm = self.cell_ohm * self.cells
        return Supply(full_v, empty_v, self.capacity_ah, used_ah, internal_ohm)


@dataclass(frozen=True, slots=True)
class BenchSupply(Closed):
    """A bench supply, which sags a little and never runs empty."""

    volts: Annotated[float, Interval(ge=0.1, le=1000)] = 24.0
    internal_ohm: Annotated[float, Interval(ge=0, le=100)] = 0.004

    def at(self, volts: float | None = None) -> Supply:
        """Set to `volts`, or as it stands."""
        at_v = self.volts if volts is None else volts
        return Supply(at_v, at_v, math.inf, 0.0, self.internal_ohm)


@dataclass(frozen=True, slots=True)
class Heat(Closed):
    """The thermal network: heat capacities in J/K, conductances in W/K."""

    winding_j_k: HeatCapacity = 60.0
    case_j_k: HeatCapacity = 160.0
    controller_j_k: HeatCapacity = 40.0
    pack_j_k: HeatCapacity = 900.0
    winding_to_case_w_k: Conductance = 4.0
    case_to_air_w_k: Conductance = 0.6
    case_to_air_w_k_per_krpm: Conductance = 0.25
    """The propeller blows on the motor."""
    controller_to_air_w_k: Conductance = 0.9
    pack_to_air_w_k: Conductance = 1.5


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The air of the day."""

    air_degc: float = 22.0
    air_kgm3: float = 1.2
