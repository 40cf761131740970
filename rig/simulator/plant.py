"""The physics of the stand in motion: volts, amps, speed and heat.

Pure: no clock, no randomness, no counts. The motor is the first-order model of a direct
current machine (M. Drela, "First-Order DC Electric Motor Model", MIT 2007): terminal volts
are I * R + speed / Kv, and torque is Kt * (I - I0) with Kt = 60 / (2 pi Kv). Each step is
solved by the implicit midpoint rule, which is stable for any step and keeps the energy
balance exactly: what goes in is what comes out, heats, or is stored.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.simulator.parts import RPM, Controller, Heat, Motor, Rotor, Supply, Surroundings

# How fast faults drive their quantities: slowly enough for a warning to come before a trip.
_SHORT_A_PER_S = 100.0
_SUPPLY_V_PER_S = 15.0
_RUNAWAY_RPM_PER_S = 15_000.0
_HEATING_K_PER_S = 40.0

_SLOWEST_RAD_S = 1.0
"""Below this a load goes with the square of speed, so that none holds a rotor at rest."""


@dataclass(slots=True)
class Forcing:
    """Levels that faults drive quantities to. None leaves a quantity alone."""

    open_v: float | None = None
    """The supply at no load."""
    supply_a: float | None = None
    """A short behind the shunt draws the supply's current up to this, while driven."""
    speed_rpm: float | None = None
    """The rotor runs away to this speed, while driven."""
    case_degc: float | None = None
    """The case heats up to this."""


@dataclass(frozen=True, slots=True)
class Powers:
    """The energy balance of one step, in W, each the mean over the step."""

    electrical: float = 0.0
    copper: float = 0.0
    iron: float = 0.0
    controller: float = 0.0
    aside: float = 0.0
    """The stand's electronics, and a short if there is one."""
    shaft: float = 0.0
    stored: float = 0.0


class Plant:
    """The stand as it is at this moment; `step` moves it on. Throttle and duty are 0 to 1."""

    def __init__(
        self,
        motor: Motor | None = None,
        rotor: Rotor | None = None,
        controller: Controller | None = None,
        supply: Supply | None = None,
        heat: Heat | None = None,
        surroundings: Surroundings | None = None,
    ) -> None:
        self.motor = motor or Motor()
        self.rotor = rotor or Rotor()
        self.controller = controller or Controller()
        self.supply = supply or Supply()
        self.heat = heat or Heat()
        self.surroundings = surroundings or Surroundings()
        self.forcing = Forcing()
        self.driven = False
        self.throttle = 0.0
        """What the controller is told."""
        self.duty = 0.0
        """What it has reached on its ramp."""
        self.speed_rad_s = 0.0
        self.angle_rad = 0.0
        self.drawn_as = 0.0
        air = self.surroundings.air_degc
        self.winding_degc = self.case_degc = self.controller_degc = self.pack_degc = air
        self.current_a = self.controller.standby_a
        """From the supply, through the shunt."""
        self.voltage_v = self.supply.open_v(0.0) - self.current_a * self.supply.internal_ohm
        self.motor_a = 0.0
        self.torque_nm = 0.0
        """What the rotor takes, which the motor's housing feels the other way round."""
        self.powers = Powers()
        self._short_a = 0.0
        self._shift_v = 0.0
        self._change = 0.0

    @property
    def speed_rpm(self) -> float:
        """The rotor's speed."""
        return self.speed_rad_s / RPM

    @property
    def thrust_n(self) -> float:
        """What the rotor pulls or pushes with."""
        return self.rotor.thrust_factor(self.surroundings.air_kgm3) * self.speed_rad_s**2

    def step(self, dt_s: float, gust: float = 0.0) -> None:
        """Move on by `dt_s` seconds; `gust` is the relative change of the rotor's torque."""
        self._ramp(dt_s)
        motor, duty, before = self.motor, self.duty, self.speed_rad_s
        internal_ohm, on_ohm = self.supply.internal_ohm, self.controller.on_ohm
        kt = motor.kt_nm_per_a
        winding_ohm = motor.ohm(self.winding_degc)
        drag = self._drag() * (1.0 + gust)
        iron_nm = kt * motor.no_load_a * motor.iron_factor
        iron_nms = kt * motor.no_load_a_per_krpm * motor.iron_factor / (1000.0 * RPM)

        open_v = self._open_v(dt_s)
        aside_a = self.controller.standby_a + self._short(dt_s)
        # Seen from the motor, the supply's resistance counts with the square of the duty.
        loop_ohm = winding_ohm + on_ohm + duty * duty * internal_ohm
        stall_a = duty * (open_v - aside_a * internal_ohm) / loop_ohm
        inertia = 2.0 * self.rotor.inertia_kgm2 / dt_s
        push_nm, slope = kt * stall_a - iron_nm, kt * kt / loop_ohm + iron_nms
        middle = _middle(before, inertia, push_nm, slope, drag)
        motor_a = stall_a - kt * middle / loop_ohm
        if motor_a <= 0.0:
            # The rotor turns faster than the throttle asks, and no current flows back.
            motor_a = 0.0
            middle = _middle(before, inertia, -iron_nm, iron_nms, drag)
        after = max(2.0 * middle - before, 0.0)
        if self.forcing.speed_rpm is not None and self.driven:
            way = before + _RUNAWAY_RPM_PER_S * RPM * dt_s
            after = max(after, min(self.forcing.speed_rpm * RPM, way))
        middle = 0.5 * (before + after)
        self.speed_rad_s = after
        self.angle_rad += middle * dt_s

        self._change = after - before
        spin_up_nm = self.rotor.inertia_kgm2 * (after - before) / dt_s
        self.torque_nm = drag * middle * middle + spin_up_nm
        self.motor_a = motor_a
        self.current_a = duty * motor_a + aside_a
        self.voltage_v = open_v - self.current_a * internal_ohm
        self.drawn_as += self.current_a * dt_s
        self.powers = Powers(
            electrical=self.voltage_v * self.current_a,
            copper=motor_a * motor_a * winding_ohm,
            iron=(iron_nm + iron_nms * middle) * middle,
            controller=motor_a * motor_a * on_ohm,
            aside=self.voltage_v * aside_a,
            shaft=drag * middle**3,
            stored=self.rotor.inertia_kgm2 * (after * after - before * before) / (2.0 * dt_s),
        )
        self._warm(dt_s)

    def _drag(self) -> float:
        """The load as a torque that goes with the square of speed, in N m per (rad/s)^2: as large
        as the load's own law has it at the speed that the step's middle will have."""
        rotor = self.rotor
        speed = max(self.speed_rad_s + 0.5 * self._change, _SLOWEST_RAD_S)
        drag = rotor.torque_factor(self.surroundings.air_kgm3)
        return drag * math.pow(speed, rotor.exponent - 3.0)

    def _ramp(self, dt_s: float) -> None:
        """The throttle comes up on a ramp and goes down at once."""
        wanted = self.throttle if self.driven else 0.0
        self.duty = min(wanted, self.duty + dt_s / self.controller.ramp_s)

    def _open_v(self, dt_s: float) -> float:
        """The supply at no load, a fault's part in it included."""
        natural_v = self.supply.open_v(self.drawn_as)
        target = self.forcing.open_v
        shift_v = 0.0 if target is None else target - natural_v
        self._shift_v = _towards(self._shift_v, shift_v, _SUPPLY_V_PER_S * dt_s)
        return natural_v + self._shift_v

    def _short(self, dt_s: float) -> float:
        """The current of a short behind the shunt, if a fault asks for one."""
        target_a = self.forcing.supply_a
        if target_a is None or not self.driven:
            self._short_a = 0.0
        else:
            wanted = max(target_a - (self.current_a - self._short_a), 0.0)
            self._short_a = min(wanted, self._short_a + _SHORT_A_PER_S * dt_s)
        return self._short_a

    def _warm(self, dt_s: float) -> None:
        heat, powers, air = self.heat, self.powers, self.surroundings.air_degc
        inward = heat.winding_to_case_w_k * (self.winding_degc - self.case_degc)
        blown = heat.case_to_air_w_k + heat.case_to_air_w_k_per_krpm * self.speed_rpm / 1000.0
        self.winding_degc += dt_s * (powers.copper - inward) / heat.winding_j_k
        outward = blown * (self.case_degc - air)
        forced = self.forcing.case_degc
        if forced is not None and forced > self.case_degc:
            self.case_degc = min(forced, self.case_degc + _HEATING_K_PER_S * dt_s)
        else:
            self.case_degc += dt_s * (powers.iron + inward - outward) / heat.case_j_k
        outward = heat.controller_to_air_w_k * (self.controller_degc - air)
        self.controller_degc += dt_s * (powers.controller - outward) / heat.controller_j_k
        outward = heat.pack_to_air_w_k * (self.pack_degc - air)
        inside = self.current_a * self.current_a * self.supply.internal_ohm
        self.pack_degc += dt_s * (inside - outward) / heat.pack_j_k


def _middle(before: float, inertia: float, push: float, slope: float, drag: float) -> float:
    """The speed in the middle of a step, not below zero.

    Solves inertia * (w - before) = push - slope * w - drag * w^2 for w, where `inertia` is
    2 J / dt, in the form in which a small `drag` loses no digits.
    """
    linear = inertia + slope
    constant = inertia * before + push
    if constant <= 0.0:
        return 0.0
    return 2.0 * constant / (linear + math.sqrt(linear * linear + 4.0 * drag * constant))


def _towards(value: float, target: float, most: float) -> float:
    """`value`, moved to `target` by no more than `most`."""
    return value + min(max(target - value, -most), most)
