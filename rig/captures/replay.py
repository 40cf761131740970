"""A capture's raw lines once more through the limits, as the recorder judged them live.

What only the host's clock knew is judged by the board's: silence between two lines, and the
longest run. Silence after the last line is not in a capture, and so not judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from rig.captures.capture import read_meta
from rig.captures.convert import board_of
from rig.captures.table import raw_rows
from rig.protocol.records import Channel, Data
from rig.protocol.timeline import Step
from rig.stand.limits import Guard
from rig.stand.model import Stand
from rig.stand.plausibility import Plausibility
from rig.stand.resting import at_limits
from rig.stand.sampler import Sample, Sampler
from rig.stand.settings import stand_from_dict
from rig.stand.watches import Alarm
from rig.vocabulary import GUARDED, PHASES, State


@dataclass(frozen=True, slots=True)
class Replay:
    """`alarms` with times on the capture's scale, in s. Unless `arms`, the one that is there
    keeps the stand from being armed, and nothing else would happen."""

    alarms: tuple[Alarm, ...]
    arms: bool = True


def replay(path: Path, stand: Stand | None = None) -> Replay:
    """The alarms that `stand` gives for the lines of a capture; by default the stand it has.

    The limits are judged in the phases of the recorded run: it is not shortened by a trip.
    Raises InputFileError, and SettingsError for a stand that the board does not fit.
    """
    meta = read_meta(path)
    stand = stand or stand_from_dict(meta.stand, f"{path}, stand")
    hello, channels = board_of(meta, path)
    sampler = Sampler(stand, hello, channels)
    plausibility = Plausibility(stand, sampler)
    guard: Guard | None = None
    before: Sample | None = None
    before_phase = ""
    started_s: float | None = None
    alarms: list[Alarm] = []
    for step, data, phase, throttle_pct in _lines(path, channels):
        sample = sampler.sample(step, data)
        if phase == State.RUNNING:
            plausibility.drive(throttle_pct if hello.can_throttle else None)
        elif before_phase == State.RUNNING:
            plausibility.coast()
        if phase == State.READY:
            plausibility.look_at_rest(sample)
        if phase in GUARDED:
            if guard is None:
                refused = _refused(stand, sampler, before)
                if refused is not None:
                    return refused
                guard = Guard(stand, sampler.columns, plausibility=plausibility)
            if phase == State.RUNNING and started_s is None:
                started_s = sample.time_s
            last_s = before.time_s if before is not None else sample.time_s
            alarms += guard.check_time(sample.time_s, last_s, started_s)
            alarms += guard.check(sample.time_s, sample, step.lost)
        before, before_phase = sample, phase
    if guard is None and before_phase in (State.READY, State.ENDED):
        return _refused(stand, sampler, before) or Replay(())
    return Replay(tuple(alarms))


def _refused(stand: Stand, sampler: Sampler, newest: Sample | None) -> Replay | None:
    alarm = at_limits(stand, sampler.columns, newest).tripped if newest is not None else None
    if newest is None or alarm is None:
        return None
    return Replay((replace(alarm, time_s=newest.time_s),), arms=False)


def _lines(path: Path, channels: list[Channel]) -> Iterator[tuple[Step, Data, str, float]]:
    """The lines as they came, their counters without wraps, each with its phase and throttle.

    A throttle that was not set yet is 0.
    """
    before: int | None = None
    for fields, _, codes, throttles in raw_rows(path, channels):
        rows = zip(fields.tolist(), codes.tolist(), throttles.to_pylist(), strict=True)
        for row, code, throttle_pct in rows:
            sequence, tick, edges, edge_tick, status, *counts = row
            lost = 0 if before is None else max(sequence - before - 1, 0)
            before = sequence
            data = Data(sequence, tick, edges, edge_tick, status, tuple(counts))
            yield (
                Step(sequence, tick, edges, edge_tick, lost),
                data,
                PHASES[code],
                throttle_pct or 0.0,
            )
