"""What the check orders at each snapshot, fed by hand."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from rig.protocol.records import Channel, Hello
from rig.proving.scripts import ByHand, Drive
from rig.recorder.messages import (
    ArmRun,
    Order,
    Prove,
    SetThrottle,
    Snapshot,
    StartRun,
    StopRun,
)
from rig.recorder.states import State
from rig.stand.settings import demo_stand
from tests.bench.scripted import CONVERSIONS, FULL_SCALE, LABELS
from tests.screen import messages

COLUMNS = ("current_a", "voltage_v", "speed_rpm")
ABLE = frozenset("LST")
HELLO = Hello(1, "by hand", "1", 7, 1_000_000, 100, ABLE, len(LABELS))
CHANNELS = tuple(
    Channel(index, quantity, label, FULL_SCALE, CONVERSIONS, frozenset("L"), 0)
    for index, (quantity, label) in enumerate(LABELS)
)


def shown(state: State, tenth: int, *values: float, throttle_pct: float | None = None,
          edges: int = 0) -> Snapshot:  # fmt: skip
    return messages.snapshot(
        state.value, host_s=tenth / 10, columns=COLUMNS, values=values, throttle_pct=throttle_pct,
        edges=edges, hello=HELLO, channels=CHANNELS,
    )  # fmt: skip


def drive(way: str = "stop", known_pct: float | None = None) -> Drive:
    return Drive(way, demo_stand(), known_pct=known_pct, ceiling_pct=25.0, ask=lambda: None)


def rest(script: Drive) -> Drive:
    """Through rest and arming, to the first throttle."""
    for tenth in range(20):
        if ArmRun() in script.on(shown(State.READY, tenth, 0.1, 24.0, 0.0)):
            break
    assert script.on(shown(State.ARMED, 21, 0.1, 24.0, 0.0)) == (StartRun(),)
    return script


def driven(script: Drive, current_a: float, speed_rpm: float, tenths: int = 200) -> list[Order]:
    """All orders of a drive with readings that do not change; throttle is as it is told."""
    told: list[Order] = []
    pct: float | None = None
    for tenth in range(22, 22 + tenths):
        view = shown(State.RUNNING, tenth, current_a, 24.0, speed_rpm, throttle_pct=pct)
        orders: Sequence[Order] = script.on(view)
        told += orders
        pct = next((o.percent for o in orders if isinstance(o, SetThrottle)), pct)
        if any(isinstance(o, Prove | StopRun) for o in orders):
            break
    return told


def test_it_arms_only_once_the_supply_is_there_and_steady() -> None:
    script = drive()
    told = []
    for tenth in range(40):
        volts = min(1.5 * max(tenth - 5, 0), 24.0)  # on at 0.5 s, up at 2.1 s
        told += [(tenth, order) for order in script.on(shown(State.READY, tenth, 0.1, volts, 0.0))]
    ((tenth, order),) = told
    assert order == ArmRun() and 21 + 4 <= tenth <= 21 + 6
    assert script.rest["voltage_v"] == pytest.approx(24.0)


def test_without_supply_it_gives_up() -> None:
    script = drive()
    told = [o for t in range(150) for o in script.on(shown(State.READY, t, 0.1, 0.0, 0.0))]
    assert [type(order) for order in told] == [StopRun]
    assert "supply is off" in script.problem


def test_throttle_goes_up_in_small_steps_to_the_ceiling_and_no_further() -> None:
    script = rest(drive())
    told = driven(script, 0.1, 0.0)
    steps = [order.percent for order in told if isinstance(order, SetThrottle)]
    assert steps == [4.0, 6.0, 8.0, 10.0, 12.0, 14.0, 16.0, 18.0, 20.0, 22.0, 24.0, 25.0]
    assert isinstance(told[-1], StopRun) and "nothing is seen to turn" in script.problem


def test_current_without_an_edge_ends_it_early() -> None:
    script = rest(drive())
    told = driven(script, 4.0, 0.0)
    assert [type(order) for order in told] == [SetThrottle, StopRun]
    assert "no edge comes" in script.problem


@pytest.mark.parametrize(
    ("current_a", "speed_rpm", "steps"),
    [(0.6, 800.0, 1), (0.1, 800.0, 12)],  # seen at once; a current that is never seen
)
def test_it_tries_where_the_rotor_turns_and_the_current_shows_or_at_the_ceiling(
    current_a: float, speed_rpm: float, steps: int
) -> None:
    told = driven(rest(drive("silence")), current_a, speed_rpm)
    assert len(told) == steps + 1 and told[-1] == Prove("silence")


@pytest.mark.parametrize(
    ("current_a", "where"), [(0.6, 0), (0.1, "e"), (-5.0, "e")], ids=["seen", "not", "reversed"]
)
def test_the_limit_lies_between_rest_and_the_present_reading(
    current_a: float, where: int | str
) -> None:
    script = rest(drive("limit", known_pct=25.0))
    order = driven(script, current_a, 900.0)[-1]
    assert isinstance(order, Prove) and order.limit is not None
    assert order.limit.where == where and order.limit.hold_ms == 0
    if where == "e":
        # 450 rpm at 2 pulses per turn.
        assert order.limit.high == 15


@pytest.mark.parametrize("state", State)
def test_the_part_by_hand_orders_nothing_but_a_stop(state: State) -> None:
    asked: list[str] = []
    script = ByHand(lambda: asked.append("turn"), lambda _: None)
    told: list[Order] = []
    for tenth in range(1200):
        edges = min(tenth // 10, 6)
        told += script.on(shown(state, tenth, 0.1, 0.0, 0.0, edges=edges))
    assert {type(order) for order in told} <= {StopRun}
    if state is State.READY:
        assert (script.edges, asked, len(told)) == (6, ["turn"], 1)


@pytest.mark.parametrize(
    ("volts", "words"), [(24.0, "supply is on"), (float("nan"), "no voltage is read")]
)
def test_a_supply_that_is_on_or_not_known_is_not_off(volts: float, words: str) -> None:
    asked: list[str] = []
    script = ByHand(lambda: asked.append("turn"), lambda _: None)
    told = [o for t in range(300) for o in script.on(shown(State.READY, t, 0.1, volts, 0.0))]
    assert len(told) == 1 and words in script.problem and not asked
