"""`rig limits`: recorded runs replayed through limits, and a table of what they would have done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from rig.analysis.steady import last_hold_from_s
from rig.captures.capture import Meta, finite, load
from rig.captures.dataset import (
    Claim,
    claim_of,
    find_captures,
    left_out_line,
    left_out_unreadable,
    names_apart,
    once,
)
from rig.captures.replay import Replay, replay
from rig.errors import InputFileError, RigError
from rig.report import terminal
from rig.report.document import Column, Paragraph, Table
from rig.stand.model import Stand
from rig.stand.watches import TRIP, WARNING
from rig.text import one_line


@dataclass(frozen=True, slots=True)
class Tried:
    """One run and what the limits would have done. Times are in s from `zero_s`: the start of
    the last throttle hold, or of the recording where there is none."""

    path: Path
    meta: Meta
    found: Replay
    zero_s: float

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        alarms = [
            asdict(alarm) | {"time_s": alarm.time_s - self.zero_s} for alarm in self.found.alarms
        ]
        recorded = [
            alarm | {"time_s": None if alarm["time_s"] is None else alarm["time_s"] - self.zero_s}
            for alarm in self.meta.alarms
        ]
        content: dict[str, Any] = finite(
            {
                "capture": str(self.path),
                "setup": self.meta.setup,
                "arms": self.found.arms,
                "alarms": alarms,
                "recorded": {
                    "outcome": self.meta.outcome,
                    "cause": self.meta.cause,
                    "alarms": recorded,
                },
            }
        )
        return content

    def cells(self) -> tuple[str, str, str]:
        """The first warning, the first trip, and what the run had."""
        had = [(alarm["severity"], alarm["time_s"], alarm["text"]) for alarm in self.meta.alarms]
        would = [(alarm.severity, alarm.time_s, alarm.text) for alarm in self.found.alarms]
        trip = self._first(would, TRIP)
        if not self.found.arms:
            trip = f"not armed, {trip}"
        ended = self._first(had, TRIP)
        ended = self.meta.outcome if ended == "-" else f"{self.meta.outcome}, {ended}"
        return self._first(would, WARNING), trip, ended

    def _first(self, alarms: Sequence[tuple[Any, Any, Any]], severity: str) -> str:
        for found, time_s, text in alarms:
            if found == severity:
                return text if time_s is None else f"{time_s - self.zero_s:.2f} s: {text}"
        return "-"


@dataclass(frozen=True, slots=True)
class Trial:
    """Each run once, and a line for each capture that was left out."""

    runs: tuple[Tried, ...]
    left_out: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {"runs": [run.as_dict() for run in self.runs], "left_out": list(self.left_out)}

    def print(self) -> None:
        """A table, and what was left out."""
        name = names_apart([run.path for run in self.runs])
        rows = [
            tuple(one_line(cell) for cell in (name[run.path], run.meta.setup, *run.cells()))
            for run in self.runs
        ]
        heads = ("capture", "setup", "would warn", "would trip", "the run had")
        title = "times from the start of the last hold"
        terminal.print_blocks([Table(tuple(map(Column, heads)), tuple(rows), title)])
        terminal.print_blocks(map(Paragraph, self.left_out))


def try_limits(paths: Sequence[Path], stand: Stand | None = None) -> Trial:
    """The runs in `paths` through the limits of `stand`, or through those that each had.

    Raises InputFileError for a named file that cannot be read and where nothing is left, and
    SettingsError for a stand that does not fit a board.
    """
    found = find_captures(paths)
    left_out = list(found.left_out)
    claims: list[Claim] = []
    runs: list[Tried] = []
    for path in found.files:
        try:
            claims.append(claim_of(path))
        except InputFileError as error:
            _leave_out(path, error, found.named, left_out)
    counted = once(claims)
    left_out += left_out_line(counted)
    for path in counted:
        try:
            runs.append(_tried(path, stand))
        except RigError as error:
            if stand is not None and not isinstance(error, InputFileError):
                raise
            _leave_out(path, error, found.named, left_out)
    if not runs:
        raise InputFileError("none of the captures can be read", to_do="\n  ".join(left_out))
    return Trial(tuple(runs), tuple(left_out))


def _leave_out(path: Path, error: RigError, named: frozenset[Path], left_out: list[str]) -> None:
    if path in named:
        raise error
    left_out.append(left_out_unreadable(path, error))


def _tried(path: Path, stand: Stand | None) -> Tried:
    capture = load(path)
    zero_s = last_hold_from_s(capture.frame) or 0.0
    return Tried(path, capture.meta, replay(path, stand), zero_s)
