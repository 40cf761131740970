"""A board in this process, and what the rules find about it, faster than in real time."""

from __future__ import annotations

from typing import Any

from rig.conformance.host import Host
from rig.conformance.rules import Finding, verify
from rig.simulator.board import Board, demo_board


class Near:
    """A wire to a board in this process, on a clock of its own."""

    def __init__(self, board: Board) -> None:
        self.board, self.time_s = board, 0.0

    def read(self, wait_s: float) -> bytes:
        self.time_s += wait_s
        return self.board.advance(wait_s)

    def write(self, data: bytes) -> None:
        self.board.receive(data)

    def now_s(self) -> float:
        return self.time_s


def findings(board: Board, *, turning: bool = False) -> dict[str, Finding]:
    return {found.rule: found for found in verify(Host(Near(board), turning=turning))}


def broken(board: Board, *, turning: bool = False) -> dict[str, str]:
    found = findings(board, turning=turning).values()
    return {f.rule: f.detail for f in found if f.verdict == "broken"}


def made(kind: type[Board], **changes: Any) -> Board:
    plain = demo_board(seed=1, **changes)
    return kind(plain.plant, plain.settings)
