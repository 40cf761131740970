"""The simulator's drive without its spin-up: many runs at once, and any law of the rotor.

The equations are those of `rig.simulator.plant` with the rotor's inertia left out: a motor settles
within a tenth of a second, its winding takes seconds. `tests/analysis/test_coverage_curves.py`
holds the two together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from rig.simulator.parts import RPM, Controller, Heat, Motor, Rotor

DT_S = 0.1

Law = Callable[[Any], tuple[Any, Any]]
"""u = ln(speed / reference speed) in; ln(torque / reference torque) and its slope out."""


def power_of_speed(exponent: float) -> Law:
    """A torque that goes with one power of speed."""
    return lambda u: (exponent * u, exponent + 0.0 * u)


CUBE = power_of_speed(2.0)
"""The affinity laws: power with the cube of speed."""


def bent(u: Any) -> tuple[Any, Any]:
    """An exponent that goes from 1.9 to 2.1 within the range, in no polynomial's way."""
    return 2.0 * u + 0.1 / 3.0 * np.log(np.cosh(3.0 * (u + 0.6))), 2.0 + 0.1 * np.tanh(
        3 * (u + 0.6)
    )


@dataclass(frozen=True)
class Drive:
    """A motor on a rotor of any law, on a bench supply."""

    motor: Motor
    law: Law = CUBE
    rotor: Rotor = field(default_factory=Rotor)
    controller: Controller = field(default_factory=Controller)
    heat: Heat = field(default_factory=Heat)
    internal_ohm: float = 0.004

    def torque(self, speed_rad_s: Any) -> tuple[Any, Any]:
        """In air of 1.2 kg/m3: N m, and its derivative."""
        reference = self.rotor.reference_rpm * RPM
        top_nm = self.rotor.reference_w / reference
        log, slope = self.law(np.log(speed_rad_s / reference))
        torque = top_nm * np.exp(log)
        return torque, slope * torque / speed_rad_s

    def iron(self) -> tuple[float, float]:
        """Torque of the iron loss, constant and per rad/s."""
        motor = self.motor
        kt = motor.kt_nm_per_a * motor.iron_factor
        return kt * motor.no_load_a, kt * motor.no_load_a_per_krpm / (1000.0 * RPM)

    def at_duty(self, duty: Any, winding_degc: Any, open_v: Any, air: Any) -> tuple[Any, Any, Any]:
        """Speed (rad/s), motor current and supply current of a steady drive; `air` over 1.2."""
        kt, (iron_nm, iron_nms) = self.motor.kt_nm_per_a, self.iron()
        loop = self.motor.ohm(winding_degc) + self.controller.on_ohm + duty**2 * self.internal_ohm
        stall = duty * (open_v - self.controller.standby_a * self.internal_ohm) / loop
        speed = 0.6 * duty * open_v / kt
        for _ in range(6):
            torque, slope = self.torque(speed)
            left = kt * stall - iron_nm - (kt * kt / loop + iron_nms) * speed - air * torque
            speed = speed + left / (kt * kt / loop + iron_nms + air * slope)
        motor_a = stall - kt * speed / loop
        return speed, motor_a, duty * motor_a + self.controller.standby_a

    def power_at(self, speed_rpm: Any, winding_degc: Any, open_v: float) -> Any:
        """The electric power that holds a speed, W."""
        kt, (iron_nm, iron_nms) = self.motor.kt_nm_per_a, self.iron()
        speed = np.asarray(speed_rpm) * RPM
        motor_a = (self.torque(speed)[0] + iron_nm + iron_nms * speed) / kt
        resistance = self.motor.ohm(winding_degc) + self.controller.on_ohm
        bridge_w = (kt * speed + motor_a * resistance) * motor_a
        standby_a, internal = self.controller.standby_a, self.internal_ohm
        current = standby_a + bridge_w / open_v
        for _ in range(20):
            current = standby_a + bridge_w / (open_v - internal * current)
        return current * (open_v - internal * current)

    def steps(
        self, throttle_pct: Sequence[float], hold_s: float, start_degc: Any, open_v: Any, air: Any
    ) -> dict[str, Any]:
        """Means over the second half of each step, shape (..., steps): speed_rpm, power_w,
        current_a, voltage_v and winding_degc. The winding starts at `start_degc`, as the case."""
        shape = np.broadcast(start_degc, open_v, air).shape
        winding, case = (np.broadcast_to(start_degc, shape) + 0.0 for _ in range(2))
        air_degc, heat = 22.0, self.heat
        iron_nm, iron_nms = self.iron()
        means: dict[str, list[Any]] = {}
        for percent in throttle_pct:
            rows = []
            for tick in range(round(hold_s / DT_S)):
                speed, motor_a, amps = self.at_duty(percent / 100.0, winding, open_v, air)
                volts = open_v - amps * self.internal_ohm
                if tick * DT_S >= hold_s / 2.0:
                    rows.append((speed / RPM, volts * amps, amps, volts, winding))
                copper = motor_a**2 * self.motor.ohm(winding)
                inward = heat.winding_to_case_w_k * (winding - case)
                blown = heat.case_to_air_w_k + heat.case_to_air_w_k_per_krpm * speed / RPM / 1000.0
                winding = winding + DT_S * (copper - inward) / heat.winding_j_k
                iron_w = (iron_nm + iron_nms * speed) * speed
                case = case + DT_S * (iron_w + inward - blown * (case - air_degc)) / heat.case_j_k
            for name, values in zip(
                ("speed_rpm", "power_w", "current_a", "voltage_v", "winding_degc"),
                zip(*rows, strict=True),
                strict=True,
            ):
                means.setdefault(name, []).append(np.mean(np.broadcast_arrays(*values), axis=0))
        return {name: np.stack(columns, axis=-1) for name, columns in means.items()}
