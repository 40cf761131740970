"""The physics of the simulated stand: supply, controller, motor, rotor, heat.

Pure: throttle and time in, currents, speeds and temperatures out. First-order models
throughout, named where they have a name. Values of the Marram drive are our own.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

COPPER_PER_K = 0.00393
"""Temperature coefficient of copper's resistance at 20 degC (IEC 60028)."""


@dataclass(frozen=True, slots=True)
class Drive:
    """The parts on the bench. Defaults are Marram's: an outrunner with a pusher propeller.

    `timing_deg` is the controller's advance. Each degree beyond `best_timing_deg` weakens the
    field a little (more speed per volt) and adds a reactive part to the current.
    """

    rpm_per_volt: float = 700.0
    winding_ohm: float = 0.030
    no_load_a: float = 2.2
    timing_deg: float = 10.0
    best_timing_deg: float = 5.0
    speed_per_degree: float = 0.0022
    loss_per_degree: float = 0.0035
    rotor_w_at_10krpm: float = 520.0
    inertia_kgm2: float = 0.8e-4
    controller_ohm: float = 0.006
    pack_v: float = 24.6
    pack_ohm: float = 0.018
    pack_ah: float = 5.0
    ambient_degc: float = 22.0


def another_day(drive: Drive, seed: int) -> Drive:
    """`drive` as it is in one run out of many: charge, air and fit a little different."""
    gauss = random.Random(seed).gauss
    return replace(
        drive,
        pack_v=drive.pack_v + gauss(0.0, 0.03),
        ambient_degc=drive.ambient_degc + gauss(0.0, 0.3),
        rotor_w_at_10krpm=drive.rotor_w_at_10krpm * (1.0 + gauss(0.0, 0.004)),
    )


@dataclass(slots=True)
class Truth:
    """What is really so, at one moment."""

    time_s: float = 0.0
    current_a: float = 0.0
    voltage_v: float = 0.0
    speed_rpm: float = 0.0
    angle_rev: float = 0.0
    winding_degc: float = 22.0
    motor_degc: float = 22.0
    controller_degc: float = 22.0
    pack_degc: float = 22.0
    torque_nm: float = 0.0
    shaft_w: float = 0.0
    heat_w: float = 0.0
    driven: bool = False


# Thermal network: heat capacities in J/K, conductances in W/K (our own, plausible sizes).
_WINDING_JK, _CASE_JK, _CONTROLLER_JK, _PACK_JK = 45.0, 110.0, 40.0, 600.0
_WINDING_TO_CASE, _CASE_TO_AIR, _CONTROLLER_TO_AIR, _PACK_TO_AIR = 2.2, 1.1, 0.9, 1.4

_STEP_S = 0.001
_RISE_PER_S = 2.5
"""The controller's own soft start: full throttle is reached in 0.4 s."""


class Plant:
    """The drive in motion."""

    def __init__(self, drive: Drive) -> None:
        self.drive = drive
        self.truth = Truth(voltage_v=drive.pack_v)
        for name in ("winding_degc", "motor_degc", "controller_degc", "pack_degc"):
            setattr(self.truth, name, drive.ambient_degc)
        self.used_ah = 0.0
        self.extra_v = 0.0
        self.extra_load = 1.0
        self.extra_heat_w = 0.0
        self.unloaded = False
        self._applied = 0.0

    @property
    def kt(self) -> float:
        """Torque per ampere, N·m/A: 60 / (2 pi rpm-per-volt), advance included."""
        return 60.0 / (2.0 * math.pi * self._rpm_per_volt())

    def advance(self, throttle: float, seconds: float) -> None:
        """Let `seconds` pass with the controller driving at `throttle` (0 to 1)."""
        while seconds > 1e-12:
            step_s = min(_STEP_S, seconds)
            self._step(throttle, step_s)
            seconds -= step_s

    def _rpm_per_volt(self) -> float:
        over = max(0.0, self.drive.timing_deg - self.drive.best_timing_deg)
        return self.drive.rpm_per_volt * (1.0 + self.drive.speed_per_degree * over)

    def _step(self, throttle: float, dt: float) -> None:
        drive, now = self.drive, self.truth
        rise = _RISE_PER_S * dt
        self._applied = min(throttle, self._applied + rise) if throttle > 0.0 else 0.0
        duty = self._applied
        omega = now.speed_rpm * math.pi / 30.0
        winding_ohm = drive.winding_ohm * (1.0 + COPPER_PER_K * (now.winding_degc - 20.0))
        open_v = drive.pack_v + self.extra_v - 1.2 * self.used_ah / drive.pack_ah
        over = max(0.0, drive.timing_deg - drive.best_timing_deg)
        phase_a = 0.0
        if duty > 0.0:
            # Seen from the motor, the supply's resistance counts with the duty squared.
            ohm = winding_ohm + drive.controller_ohm + drive.pack_ohm * duty * duty
            phase_a = max(0.0, (duty * open_v - now.speed_rpm / self._rpm_per_volt()) / ohm)
        reactive = 1.0 + drive.loss_per_degree * over
        # Iron and bearings: the no-load current at 10,000 rpm, less at lower speed.
        friction_nm = self.kt * drive.no_load_a * (0.5 + 0.5 * now.speed_rpm / 10_000.0)
        load_w = 0.0 if self.unloaded else drive.rotor_w_at_10krpm * self.extra_load
        shaft_w = load_w * (now.speed_rpm / 10_000.0) ** 3
        load_nm = shaft_w / omega if omega > 1e-6 else 0.0
        drag_nm = load_nm + (friction_nm if omega > 1e-6 else 0.0)
        omega_next = omega + dt * (self.kt * phase_a - drag_nm) / drive.inertia_kgm2
        omega_next = 0.0 if omega_next < 0.5 and not phase_a else max(omega_next, 0.0)

        pack_a = duty * phase_a * reactive
        copper_w = phase_a * phase_a * winding_ohm
        controller_w = phase_a * phase_a * drive.controller_ohm + 0.5 * (duty > 0.0)
        reactive_w = open_v * duty * phase_a * (reactive - 1.0)
        iron_w = friction_nm * omega
        self._heat(dt, copper_w + reactive_w, iron_w, controller_w, pack_a**2 * drive.pack_ohm)
        speed_rpm = omega_next * 30.0 / math.pi
        now.angle_rev += 0.5 * (now.speed_rpm + speed_rpm) / 60.0 * dt
        now.speed_rpm = speed_rpm
        now.current_a = pack_a
        now.voltage_v = open_v - pack_a * drive.pack_ohm
        now.torque_nm, now.shaft_w = load_nm, shaft_w
        now.heat_w = copper_w + reactive_w + iron_w + controller_w
        now.driven = duty > 0.0
        now.time_s += dt
        self.used_ah += pack_a * dt / 3600.0

    def _heat(
        self, dt: float, winding_w: float, iron_w: float, controller_w: float, pack_w: float
    ) -> None:
        now, air = self.truth, self.drive.ambient_degc
        across_w = _WINDING_TO_CASE * (now.winding_degc - now.motor_degc)
        cooling = 1.0 + now.speed_rpm / 5000.0  # the propeller blows on all of it
        now.winding_degc += dt * (winding_w - across_w) / _WINDING_JK
        case_w = across_w + iron_w + self.extra_heat_w
        now.motor_degc += dt * (case_w - _CASE_TO_AIR * cooling * (now.motor_degc - air)) / _CASE_JK
        lost_w = _CONTROLLER_TO_AIR * cooling * (now.controller_degc - air)
        now.controller_degc += dt * (controller_w - lost_w) / _CONTROLLER_JK
        now.pack_degc += dt * (pack_w - _PACK_TO_AIR * (now.pack_degc - air)) / _PACK_JK
