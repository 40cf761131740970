"""A run without a screen: one status line a second, and Ctrl+C stops the motor.

Where the screen is a picture of the recorder's messages, this is the same in plain lines,
for scripts, logs and ssh. All results go to standard output, everything else to the error
output, so that `--json` can be piped.
"""

from __future__ import annotations

import queue
import shutil
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TextIO

from rig.errors import RigError
from rig.recorder.handle import GUARDS_NOTHING, Message, Recorder
from rig.recorder.messages import Ended, Event, Order, Plan, Snapshot, StopRun
from rig.stand.quantities import is_temperature, key_of, places_of, unit_of
from rig.text import plain
from rig.vocabulary import RunOutcome, State

STATUS_EVERY_S = 1.0
LISTEN_S = 0.25
SILENT_AFTER = 6
"""A recorder speaks ten times a second. After so many times LISTEN_S without a word the operator
is warned. They are counted, not timed: a program that was itself stopped has missed nothing."""

PATIENCE_S = 15.0
"""A recorder that says nothing for so long is not waited for any longer."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a run ended, and where it lies."""

    outcome: str
    exit_code: int
    cause: str
    to_do: str
    capture: Path | None
    journal: Path | None

    @property
    def headline(self) -> str:
        """How it ended, and why."""
        named = self.cause.startswith(f"{self.outcome}: ")
        return self.cause if named else f"{self.outcome}: {self.cause}"

    def sentence(self) -> str:
        """What happened, where the run lies, and what to do."""
        lines = [self.headline]
        if self.to_do:
            lines.append(self.to_do)
        if self.capture is not None:
            lines.append(f"capture: {self.capture}")
        if self.journal is not None:
            lines.append(f"journal: {self.journal}\n  rig salvage makes a capture of it")
        return "\n".join(lines)

    def as_dict(self) -> dict[str, object]:
        """For --json: paths as text."""
        paths = {"capture": self.capture, "journal": self.journal}
        return asdict(self) | {key: str(path) if path else None for key, path in paths.items()}


def run(plan: Plan, *, live_line: bool = False, out: TextIO = sys.stderr) -> Outcome:
    """Carry out `plan`, tell the operator on `out`, and make the capture.

    With `live_line` the status is one line that is written over, for a terminal. Ctrl+C
    stops the motor; once more, while it coasts, ends the recording.
    """
    return conclude(carry_out(plan, lambda tell: Printer(out, live_line, tell)), out=out)


def carry_out(plan: Plan, printer_for: Callable[[Callable[[Order], None]], Printer]) -> Ended:
    """Carry out `plan` in a recorder process; how it ended.

    `printer_for` is given the way of orders to the recorder. Should it fail, the motor is stopped.
    """
    messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
    recorder = Recorder(plan, messages.put)
    try:
        with interrupts(lambda: recorder.tell(StopRun())):
            ended = _follow(messages, printer_for(recorder.tell))
    except BaseException:
        recorder.tell(StopRun("the program that watched the run failed"))
        raise
    if ended is GUARDS_NOTHING:
        return replace(ended, journal=recorder.journal)
    recorder.wait(PATIENCE_S)
    return ended


def conclude(ended: Ended, *, out: TextIO = sys.stderr) -> Outcome:
    """The capture of a run that has ended. A journal is kept where it could not be made.

    Only the journal that this run's own recorder made is touched: another run of the same
    second may have one of nearly the same name.
    """
    from rig.captures.convert import finish

    capture, cause, to_do, exit_code = None, ended.cause, ended.to_do, ended.exit_code
    made = ended.journal
    if ended.outcome != RunOutcome.RECORDER_LOST and made is not None and made.exists():
        try:
            capture = finish(made)
        except RigError as error:
            print(plain(str(error)), file=out)
            cause, to_do = f"{cause}; {error.what}", to_do or error.to_do
            exit_code = exit_code or error.exit_code
    journal = made if made is not None and made.exists() else None
    return Outcome(ended.outcome, exit_code, cause, to_do, capture, journal)


def _follow(messages: queue.SimpleQueue[Message], printer: Printer) -> Ended:
    silences, heard, ending = 0, False, False
    while True:
        try:
            message = messages.get(timeout=LISTEN_S)
        except queue.Empty:
            silences += 1
            if silences == SILENT_AFTER and heard and not ending:
                printer.event(SILENT)
            if silences * LISTEN_S >= PATIENCE_S:
                return GUARDS_NOTHING
            continue
        silences, heard = 0, True
        ending = isinstance(message, Snapshot) and message.state == State.ENDED
        match message:
            case Ended():
                return message
            case Event():
                printer.event(message)
            case Snapshot():
                printer.status(message)


SILENT = Event(
    0.0,
    f"NOTHING FROM THE RECORDER FOR {SILENT_AFTER * LISTEN_S:g} s: NOBODY MAY BE GUARDING. "
    "If the motor turns, disconnect the supply by hand.",
    loud=True,
)


class Printer:
    """Events as lines, and between them the status: each second, or one line kept current."""

    def __init__(self, out: TextIO, live: bool, tell: Callable[[Order], None]) -> None:
        self._out: TextIO | None = out
        self._tell = tell
        self._live = live
        self._next_s = 0.0
        self._state = ""

    def event(self, event: Event) -> None:
        """A line for what happened."""
        mark = "!!! " if event.loud else "    "
        bell = "\a" if event.loud and self._live else ""
        self._print(f"{bell}{mark}{plain(event.text)}")

    def status(self, snapshot: Snapshot) -> None:
        """The status, where one is due."""
        changed = snapshot.state != self._state
        self._state = snapshot.state
        if self._live:
            # Cut at the edge: a line that wraps could not be written over.
            line = status_line(snapshot)[: shutil.get_terminal_size().columns - 1]
            end = "\n" if changed else ""
            self._write(f"\r{line}\x1b[K{end}")
        elif changed or snapshot.host_s >= self._next_s:
            self._next_s = snapshot.host_s + STATUS_EVERY_S
            self._print(status_line(snapshot))

    def _print(self, line: str) -> None:
        start, end = ("\r", "\x1b[K") if self._live else ("", "")
        self._write(f"{start}{line}{end}\n")

    def _write(self, text: str) -> None:
        """A status that nobody reads any more is a run that nobody watches."""
        if self._out is None:
            return
        try:
            self._out.write(text)
            self._out.flush()
        except BrokenPipeError:
            self._out = None
            self._tell(StopRun("nobody reads the status of the run any more"))


def status_line(snapshot: Snapshot) -> str:
    """One line that says how the run stands; what may be cut off at its end matters least."""
    pairs = list(zip(snapshot.columns, snapshot.values, strict=False))
    link = snapshot.link
    parts = [_reading(*pair) for pair in pairs if not is_temperature(pair[0])]
    if snapshot.state == State.LINKING:
        parts = [snapshot.cause]
    if snapshot.instruction:
        parts.append(f">> {snapshot.instruction}")
    if link.lost or link.rejected:
        parts.append(f"lost {link.lost} rejected {link.rejected}")
    parts += [_reading(*pair) for pair in pairs if is_temperature(pair[0])]
    return plain(f"{snapshot.host_s:6.1f} s  {snapshot.state:<9} {'  '.join(parts)}")


def _reading(column: str, value: float) -> str:
    """Temperatures need their names; amps, volts and watts are known by their units."""
    name = f"{key_of(column)} " if is_temperature(column) else ""
    return f"{name}{value:.{places_of(column)}f} {unit_of(column)}"


@contextmanager
def interrupts(stop: Callable[[], None]) -> Iterator[None]:
    """Ctrl+C and a polite kill call `stop` in place of ending this program."""
    numbers = (signal.SIGINT, signal.SIGTERM)
    before = {number: signal.signal(number, lambda *_: stop()) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
