"""What the check does at each snapshot of the recorder. Pure: snapshots in, orders out.

`ByHand` holds no order but the stop, so a part that uses it cannot arm.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from rig.protocol.commands import EDGES, Limit
from rig.proving.judged import STEPS_SEEN
from rig.recorder.messages import ArmRun, Order, Prove, SetThrottle, Snapshot, StartRun, StopRun
from rig.recorder.trial import LIMIT
from rig.stand.findings import refusals
from rig.stand.model import Stand
from rig.stand.sampler import Sampler
from rig.vocabulary import State

OFF_V = 1.0
"""No motor of a stand turns from less: common practice, no source."""

SUPPLY_FALLS_WITHIN_S = 20.0
"""A controller's capacitors hold their voltage for some seconds."""

SUPPLY_COMES_WITHIN_S = 10.0
UNSTEADY_STEPS = 4.0
"""A supply that was just connected still rises: its voltage at rest counts once half a second of
it stays within so many steps of one conversion."""

STILL_FOR_S = 3.0
BY_HAND_WITHIN_S = 90.0
NOTHING_COMES_WITHIN_S = 40.0

REST_S = 0.6
STEP_S = 0.6
STEADY_S = 1.0
KNOWN_STEP_S = 3.0
"""A throttle that has turned the rotor before gets so long to do it again."""

ARMED_WITHIN_S = 3.0
FIRST_PCT, STEP_PCT = 4.0, 2.0

TURNS_FROM_RPM = 300.0
"""A rotor that is driven; far above a draught, and low enough for a first look."""

FLOWS_FROM_A = 3.0
"""So much more than at rest is a motor that is driven, turning or not."""

MEAN_OVER = 5
"""Snapshots, half a second."""

Values = Mapping[str, float]


class Script(Protocol):
    """What is done at each snapshot. `problem` is why it could not be done.

    `is_done` says that nobody needs its journal.
    """

    problem: str
    is_done: bool
    newest: Snapshot | None

    def on(self, snapshot: Snapshot) -> Sequence[Order]:
        """Orders for the recorder."""


class ByHand:
    """Part 1: count the edges while a hand turns the rotor; never armed.

    `ask` asks for it, once the supply is seen to be off; `count` is given each new number.
    Without `wait` only the supply is looked at.
    """

    def __init__(
        self, ask: Callable[[], None], count: Callable[[int], None], *, wait: bool = True
    ) -> None:
        self.problem = ""
        self.is_done = False
        self.newest: Snapshot | None = None
        self.edges = 0
        self._ask, self._count, self._wait = ask, count, wait
        self._first_s: float | None = None
        self._began_s: float | None = None
        self._moved_s: float | None = None
        self._base = 0
        self._over = False

    def on(self, snapshot: Snapshot) -> Sequence[Order]:
        """The stop, when all is counted or the supply is on."""
        if snapshot.state != State.READY or not snapshot.values or self._over:
            return ()
        self.newest, now_s = snapshot, snapshot.host_s
        self._first_s = now_s if self._first_s is None else self._first_s
        # A voltage that is measured and not known is not off.
        unknown_v = math.inf if "voltage_v" in snapshot.columns else 0.0
        voltage_v = by_column(snapshot).get("voltage_v", unknown_v)
        if self._began_s is None:
            if voltage_v <= OFF_V:
                self._began_s, self._base = now_s, snapshot.edges
                self._ask()
            elif now_s - self._first_s > SUPPLY_FALLS_WITHIN_S:
                known = math.isfinite(voltage_v)
                what = f"the supply is on: {voltage_v:.1f} V" if known else "no voltage is read"
                return self._end(what)
            return ()
        if voltage_v > OFF_V:
            return self._end(f"the supply came on: {voltage_v:.1f} V")
        if snapshot.edges - self._base != self.edges:
            self.edges, self._moved_s = snapshot.edges - self._base, now_s
            self._count(self.edges)
        if not self._wait:
            return self._end()
        turning_s = now_s - self._began_s
        if self._moved_s is None:
            return self._end() if turning_s >= NOTHING_COMES_WITHIN_S else ()
        is_still = now_s - self._moved_s >= STILL_FOR_S
        return self._end() if is_still or turning_s >= BY_HAND_WITHIN_S else ()

    def _end(self, problem: str = "") -> Sequence[Order]:
        self.problem, self._over, self.is_done = problem, True, not problem
        return (StopRun("turned by hand"),)


class Drive:
    """One drive of part 2: arm, raise the throttle in small steps until the rotor turns and the
    current can be seen, hold it for a second, then try one way to stop.

    It begins at `known_pct`, which has turned it before, or at `FIRST_PCT`, and ends at
    `ceiling_pct`; `ask` is called once the way is tried.
    After it `rest` and `driven` are mean readings by column, and `throttle_pct` what turned it.
    """

    is_done = False

    def __init__(
        self,
        way: str,
        stand: Stand,
        *,
        known_pct: float | None,
        ceiling_pct: float,
        ask: Callable[[], None],
    ) -> None:
        self.problem = ""
        self.newest: Snapshot | None = None
        self.rest: Values = {}
        self.driven: Values = {}
        self.step_a = self.step_v = math.nan
        self.throttle_pct = min(known_pct or FIRST_PCT, ceiling_pct)
        self._known = known_pct is not None
        self.limit: Limit | None = None
        self._way, self._stand, self._ceiling_pct, self._ask = way, stand, ceiling_pct, ask
        self._recent: deque[Values] = deque(maxlen=MEAN_OVER)
        self._state = ""
        self._since_s = 0.0
        self._armed_s: float | None = None
        self._steady_s: float | None = None
        self._tried_s: float | None = None
        self._over = False

    @property
    def current_seen(self) -> bool:
        """Whether the current of the drive differs from that at rest."""
        change_a = abs(self._change_a(self.driven))
        return change_a > STEPS_SEEN * self.step_a

    def on(self, snapshot: Snapshot) -> Sequence[Order]:
        """What comes next."""
        if self._tried_s is not None and snapshot.host_s > self._tried_s:
            # The recorder knows by now; a hand that was asked sooner could be too early.
            self._tried_s = None
            self._ask()
        if self._over or not snapshot.values:
            return ()
        self.newest = snapshot
        if snapshot.state != self._state:
            self._state, self._since_s = snapshot.state, snapshot.host_s
            self._recent.clear()
        self._recent.append(by_column(snapshot))
        match snapshot.state:
            case State.READY:
                return self._at_rest(snapshot)
            case State.ARMED:
                return (StartRun(),)
            case State.RUNNING:
                return self._running(snapshot)
        return ()

    def _at_rest(self, snapshot: Snapshot) -> Sequence[Order]:
        if self._armed_s is not None:
            if snapshot.host_s - self._armed_s < ARMED_WITHIN_S:
                return ()
            why = " ".join(each.read for each in refusals(snapshot.findings or ())) or "no answer"
            return self._give_up(f"not armed: {why}")
        if snapshot.host_s - self._since_s < REST_S:
            return ()
        sampler = self._sampler()
        self.rest = means(self._recent)
        self.step_a = sampler.step("current_a", self.rest.get("current_a", 0.0))
        self.step_v = sampler.step("voltage_v", self.rest.get("voltage_v", 0.0))
        voltages = [values.get("voltage_v", math.inf) for values in self._recent]
        spread_v = max(voltages) - min(voltages)
        if not voltages[-1] > OFF_V or spread_v > UNSTEADY_STEPS * self.step_v:
            if snapshot.host_s - self._since_s < SUPPLY_COMES_WITHIN_S:
                return ()
            return self._give_up(
                f"the motor's supply is off, or unsteady: {voltages[-1]:.1f} V. Connect it before "
                "you confirm part 2"
            )
        self._armed_s = snapshot.host_s
        return (ArmRun(),)

    def _running(self, snapshot: Snapshot) -> Sequence[Order]:
        if snapshot.throttle_pct is None or snapshot.throttle_pct < self.throttle_pct:
            self._since_s = snapshot.host_s
            return (SetThrottle(self.throttle_pct),)
        if self._steady_s is not None:
            return self._try(snapshot) if snapshot.host_s - self._steady_s >= STEADY_S else ()
        held_s = snapshot.host_s - self._since_s
        if held_s < STEP_S:
            return ()
        self.driven = means(self._recent)
        turns = self._turns()
        at_ceiling = self.throttle_pct >= self._ceiling_pct
        if turns and (self.current_seen or at_ceiling or "current_a" not in self.rest):
            self._steady_s = snapshot.host_s
            return ()
        if self._known and held_s < KNOWN_STEP_S:
            return ()
        self._known = False
        if not turns and self._change_a(self.driven) > FLOWS_FROM_A:
            change_a = self._change_a(self.driven)
            return self._give_up(
                f"{change_a:.1f} A flow at {self.throttle_pct:g} %, and no edge comes: a rotor "
                "that is blocked, or a tachometer that is dead"
            )
        if at_ceiling:
            return self._give_up(
                f"nothing is seen to turn up to {self._ceiling_pct:g} % throttle: is the "
                "controller ready (its start-up needs zero throttle), the supply on, the "
                "tachometer alive?"
            )
        self.throttle_pct = min(self.throttle_pct + STEP_PCT, self._ceiling_pct)
        self._since_s = snapshot.host_s
        self._recent.clear()
        return (SetThrottle(self.throttle_pct),)

    def _try(self, snapshot: Snapshot) -> Sequence[Order]:
        self.driven = means(self._recent)
        if self._way == LIMIT:
            self.limit = self._limit()
            if self.limit is None:
                return self._give_up("no channel of this stand can hold a limit")
        self._over, self._tried_s = True, snapshot.host_s
        return (Prove(self._way, self.limit),)

    def _limit(self) -> Limit | None:
        """Halfway between rest and the present reading, in current if that can be seen."""
        sampler = self._sampler()
        for column in ("current_a", "speed_rpm", "voltage_v"):
            if column == "current_a" and not (
                self.current_seen and self._change_a(self.driven) > 0.0
            ):
                continue
            rest = 0.0 if column == "voltage_v" else self.rest.get(column, math.nan)
            middle = 0.5 * (rest + self.driven.get(column, math.nan))
            limit = sampler.limit_over(column, middle) if math.isfinite(middle) else None
            if limit is not None:
                return limit
        return None

    @property
    def limit_on_edges(self) -> bool:
        """Whether the limit is on the edges, which the board measures over a longer time."""
        return self.limit is not None and self.limit.where == EDGES

    def _turns(self) -> bool:
        if self._stand.tachometer is None:
            return abs(self._change_a(self.driven)) > FLOWS_FROM_A
        return self.driven.get("speed_rpm", 0.0) >= TURNS_FROM_RPM

    def _change_a(self, driven: Values) -> float:
        return driven.get("current_a", math.nan) - self.rest.get("current_a", math.nan)

    def _sampler(self) -> Sampler:
        assert self.newest is not None and self.newest.hello is not None
        return Sampler(self._stand, self.newest.hello, self.newest.channels)

    def _give_up(self, problem: str) -> Sequence[Order]:
        self.problem, self._over = problem, True
        return (StopRun(problem),)


def by_column(snapshot: Snapshot) -> Values:
    """The readings that are there."""
    pairs = zip(snapshot.columns, snapshot.values, strict=False)
    return {column: value for column, value in pairs if not math.isnan(value)}


def means(recent: Sequence[Values] | deque[Values]) -> Values:
    """The mean of each column over the snapshots that have it."""
    columns = {column for values in recent for column in values}
    return {
        column: math.fsum(v[column] for v in recent if column in v)
        / sum(column in v for v in recent)
        for column in columns
    }
