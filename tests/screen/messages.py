"""Snapshots and a recorder for tests of the screen: what is shown is chosen here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from rig.headless import Outcome
from rig.recorder.handle import Message
from rig.recorder.messages import Ended, Event, LinkFigures, Order, Plan, Snapshot
from rig.stand.settings import demo_stand
from rig.stand.watches import Alarm

COLUMNS = (
    "current_a", "voltage_v", "power_w", "motor_degc", "controller_degc", "pack_degc", "speed_rpm",
)  # fmt: skip
AT_REST = (0.0, 24.5, 0.0, 22.0, 22.1, 21.9, 0.0)
RUNNING = (31.5, 23.92, 753.0, 45.5, 33.1, 25.0, 11313.0)
TRIP = Alarm(7.0, "trip", "current_a", "over", 103.2, 100.0, "Current is 103.2 A, over 100.0 A.")
WARNING = Alarm(6.0, "warning", "current_a", "over", 88.0, 85.0, "Current is 88.0 A, over 85.0 A.")


def snapshot(state: str = "ready", **changes: object) -> Snapshot:
    """A snapshot of the Marram stand in `state`."""
    values = AT_REST if state in ("linking", "ready", "armed") else RUNNING
    base = Snapshot(
        state=state,
        cause="as planned",
        host_s=5.0,
        elapsed_s=2.5,
        remaining_s=7.5,
        columns=COLUMNS,
        values=values,
        peaks=values,
        clipped=(),
        charge_ah=0.021,
        energy_wh=0.52,
        throttle_pct=60.0 if state == "running" else 0.0,
        link=LinkFigures(200.0, 1000, 0, 0),
        can_stop=True,
        can_throttle=True,
        instruction="",
        active=(),
        board="marram-sim",
        trace=tuple((tenth, values, values) for tenth in range(20)),
        findings=(),
    )
    return replace(base, **changes)  # type: ignore[arg-type]


class ScriptedRecorder:
    """In the place of a recorder process: keeps the orders, delivers what a test says."""

    newest: ScriptedRecorder

    def __init__(self, plan: Plan, deliver: Callable[[Message], None]) -> None:
        self.plan, self.deliver = plan, deliver
        self.orders: list[Order] = []
        ScriptedRecorder.newest = self

    def tell(self, order: Order) -> None:
        self.orders.append(order)


class TestDesk:
    """In the place of ports, disk and captures."""

    __test__ = False

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.planned: list[tuple[str, str, str]] = []
        self.known: list[str] = []
        self.listed = [("/dev/ttyX0", "a board\x1b[31m")]

    def ports(self) -> list[tuple[str, str]]:
        return self.listed

    def setups(self) -> list[str]:
        return self.known

    def plan(self, port: str, setup: str, notes: str) -> Plan:
        self.planned.append((port, setup, notes))
        run = len(self.planned)
        beginning = {"setup": setup, "run": run}
        return Plan(demo_stand(), port, self.folder / f"{run}.journal", beginning, automatic=False)

    def conclude(self, _plan: Plan, ended: Ended) -> Outcome:
        capture = self.folder / "run.parquet"
        return Outcome(ended.outcome, ended.exit_code, ended.cause, ended.to_do, capture, None)

    def figures(self, _capture: Path) -> list[tuple[str, str]]:
        return [("Current, A", "31.50"), ("Speed, rpm", "11313")]


def event(text: str, alarm: Alarm | None = None, *, loud: bool = False) -> Event:
    return Event(5.0, text, alarm, loud)
