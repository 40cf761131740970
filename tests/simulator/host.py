"""A host for boards in the same process: tells commands, lets time pass, collects lines."""

from __future__ import annotations

from rig.protocol import commands
from rig.protocol.decoder import Decoder
from rig.protocol.records import Answer, Channel, Cut, Data, Hello, Record
from rig.simulator.board import Board

BEAT_S = 0.1


class Host:
    """`board` with somebody who listens and, while `beating`, speaks every 100 ms."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.decoder = Decoder()
        self.records: list[Record] = []
        self.beating = True
        self._number = 0
        self.pass_time(0.05)

    @property
    def hello(self) -> Hello:
        """The newest hello."""
        return [r for r in self.records if isinstance(r, Hello)][-1]

    @property
    def channels(self) -> list[Channel]:
        """The newest line of each channel, in order."""
        lines = {r.index: r for r in self.records if isinstance(r, Channel)}
        return [lines[index] for index in sorted(lines)]

    @property
    def data(self) -> list[Data]:
        """All data lines so far."""
        return [r for r in self.records if isinstance(r, Data)]

    @property
    def cuts(self) -> list[Cut]:
        """All cut reports so far."""
        return [r for r in self.records if isinstance(r, Cut)]

    @property
    def status(self) -> int:
        """The status of the newest data line."""
        return self.data[-1].status

    def pass_time(self, seconds: float) -> list[Record]:
        """Let time pass; the records of that time."""
        before = len(self.records)
        left_s = seconds
        while left_s > 1e-9:
            slice_s = min(left_s, BEAT_S)
            if self.beating:
                self.board.receive(commands.line(commands.Beat(), 65535))
            self._listen(slice_s)
            left_s -= slice_s
        return self.records[before:]

    def tell(self, command: commands.Command) -> Answer | None:
        """Tell `command`; its answer, None if none came within 50 ms."""
        self._number += 1
        self.board.receive(commands.line(command, self._number))
        before = len(self.records)
        self._listen(commands.ANSWER_WITHIN_S)
        for record in self.records[before:]:
            if isinstance(record, Answer) and record.number == self._number:
                return record
        return None

    def run(self, permille: int, seconds: float) -> list[Record]:
        """Arm, drive, and let time pass; the records since."""
        before = len(self.records)
        assert self.tell(commands.Arm(self.hello.boot)) is not None
        self.tell(commands.Throttle(permille))
        self.pass_time(seconds)
        return self.records[before:]

    def _listen(self, seconds: float) -> None:
        self.records += self.decoder.feed(self.board.advance(seconds))
