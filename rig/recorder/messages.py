"""What crosses the pipes between the recorder and its parent. Frozen, small, picklable."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from rig.protocol.commands import Limit
from rig.protocol.records import Channel, Hello
from rig.stand.findings import Finding
from rig.stand.model import Stand
from rig.stand.watches import ActiveAlarm, Alarm


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything the recorder must know before a run.

    `throttle` holds steps of (percent, seconds). Without steps the run lasts `seconds`,
    or, with None, until it is told to stop. `automatic` arms and starts without waiting
    for the operator's two actions. `beginning` is what the journal's first line shall say
    of the run; the recorder does not look into it.
    """

    stand: Stand
    port: str
    journal: Path
    beginning: Mapping[str, object]
    seconds: float | None = None
    throttle: tuple[tuple[float, float], ...] = ()
    soak_s: float = 20.0
    automatic: bool = True
    zero: bool = False
    """Take zeros before the run is armed."""

    @property
    def length_s(self) -> float | None:
        """How long the motor is to run."""
        return self.seconds or sum(hold_s for _, hold_s in self.throttle) or None


# From the parent to the recorder.


@dataclass(frozen=True, slots=True)
class ArmRun:
    """First of the two actions that set a motor turning."""


@dataclass(frozen=True, slots=True)
class TakeZero:
    """The operator says that nothing flows, pushes or pulls: what the board reads now is zero."""


@dataclass(frozen=True, slots=True)
class StartRun:
    """Second of the two actions that set a motor turning."""


@dataclass(frozen=True, slots=True)
class StopRun:
    """Stop now. Said again while coasting, it ends the recording."""

    cause: str = "the operator stopped the run"


@dataclass(frozen=True, slots=True)
class SetThrottle:
    """Drive at this percentage from now on; the planned steps are given up."""

    percent: float


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """The operator has seen the alarms."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A remark of the operator's, kept in the capture at this moment."""

    text: str


@dataclass(frozen=True, slots=True)
class Prove:
    """Stop the running motor in this way and see whether that stops it; see `rig.recorder.trial`.

    `limit` is what the board must hold for the way of that name.
    """

    way: str
    limit: Limit | None = None


@dataclass(frozen=True, slots=True)
class Alive:
    """The front is there; said ten times a second. Of no meaning for the run itself."""


Order = ArmRun | TakeZero | StartRun | StopRun | SetThrottle | Acknowledge | Mark | Prove


# From the recorder to the parent.


@dataclass(frozen=True, slots=True)
class LinkFigures:
    """How the link is doing."""

    lines_per_s: float
    good: int
    lost: int
    rejected: int


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The run at one moment.

    `values` and `peaks` go with `columns`. `trace` holds the newest tenths of a second as
    rows of (tenth, lowest values, highest values), so that a chart misses nothing even
    when single snapshots do not arrive. `active` are the alarms that still matter. `board`
    is what the board calls itself, and like all words from outside not fit for a terminal.
    `edges` are those of the tachometer since the board's start; `hello` and `channels` are the
    board's own lines.
    """

    state: str
    cause: str
    host_s: float
    elapsed_s: float
    remaining_s: float | None
    columns: tuple[str, ...]
    values: tuple[float, ...]
    peaks: tuple[float, ...]
    clipped: tuple[str, ...]
    charge_ah: float
    energy_wh: float
    throttle_pct: float | None
    link: LinkFigures
    can_stop: bool
    can_throttle: bool
    instruction: str
    active: tuple[ActiveAlarm, ...]
    board: str
    trace: tuple[tuple[int, tuple[float, ...], tuple[float, ...]], ...]
    edges: int = 0
    hello: Hello | None = None
    channels: tuple[Channel, ...] = ()
    findings: tuple[Finding, ...] | None = None
    """At rest, for an operator who is to arm; None while nothing was looked at."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something the operator must be told. Events are never dropped.

    `loud` marks what needs a hand on the switch.
    """

    host_s: float
    text: str
    alarm: Alarm | None = None
    loud: bool = False


@dataclass(frozen=True, slots=True)
class JournalMade:
    """Where this recorder's own journal lies. The handle keeps it; nobody else hears of it."""

    path: Path


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen when a motor was stopped in this way, in s of the board's clock from the stop,
    from the last line sent, from the limit, or (stop input) from its report. None is not seen."""

    way: str
    cut_s: float | None
    fell_s: float | None


@dataclass(frozen=True, slots=True)
class Ended:
    """The last message of a run. `journal` is the one that this run's recorder made, if any.

    `seen` is there where a way to stop was tried, see `Prove`.
    """

    outcome: str
    exit_code: int
    cause: str
    to_do: str = ""
    journal: Path | None = None
    seen: Seen | None = None
