"""The run at one moment, for whoever shows it or judges the stand at rest."""

from __future__ import annotations

from rig.recorder.messages import Snapshot
from rig.recorder.run import Run
from rig.stand.at_rest import AtRest
from rig.stand.findings import Finding
from rig.vocabulary import State


def snapshot_of(run: Run, now_s: float) -> Snapshot:
    """The run now."""
    readings, hello = run.readings, run.board.hello
    elapsed_s = now_s - run.started_s if run.started_s is not None else 0.0
    running = run.state is State.RUNNING
    length_s = run.plan.length_s
    return Snapshot(
        state=run.state.value,
        cause=run.cause,
        host_s=now_s - run.began_s,
        elapsed_s=elapsed_s,
        remaining_s=max(length_s - elapsed_s, 0.0) if running and length_s else None,
        columns=readings.columns,
        values=readings.newest.values if readings.newest else (),
        peaks=readings.peaks(),
        clipped=readings.newest.clipped if readings.newest else (),
        charge_ah=readings.charge_as / 3600.0,
        energy_wh=readings.energy_j / 3600.0,
        throttle_pct=run.throttle_pct,
        link=run.lines.figures(now_s),
        can_stop=run.obeys,
        can_throttle=run.has_throttle,
        instruction=_instruction(run, elapsed_s),
        active=run.guard.active if run.guard else (),
        board=hello.board if hello else "",
        trace=readings.trace(),
        edges=run.lines.timeline.edges,
        hello=hello,
        channels=tuple(run.board.channels() or ()),
        findings=_shown_findings(run, now_s),
    )


def at_rest(run: Run, now_s: float) -> AtRest | None:
    """The stand at rest, once enough of it is known, and until it is armed."""
    waited_s = now_s - run.since_s
    if run.state is not State.READY or run.rest is None or not run.rest.is_enough(waited_s):
        return None
    return run.rest.collected(now_s - run.lines.newest_s)


def _shown_findings(run: Run, now_s: float) -> tuple[Finding, ...] | None:
    """What an operator should know before arming."""
    if run.plan.automatic or run.state is not State.READY or run.rest is None:
        return None
    return run.rest.shown(now_s, now_s - run.lines.newest_s)


def _instruction(run: Run, elapsed_s: float) -> str:
    """What the operator must do where the board cannot drive the throttle."""
    if run.board.hello is None or run.has_throttle:
        return ""
    if run.state in (State.STOPPING, State.UNPROVEN):
        return "throttle to zero"
    return run.steps.instruction(elapsed_s) if run.state is State.RUNNING else ""
