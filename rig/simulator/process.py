"""A simulated board in a process of its own, for as long as somebody holds it."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from collections.abc import Sequence
from types import TracebackType
from typing import Self

from rig.errors import USAGE, LinkError, SettingsError


class SimulatedBoard:
    """Serves a board at `url` until closed. `options` are those of `rig simulate`.

    Raises SettingsError for options that it refuses, LinkError when it does not come up.
    """

    def __init__(self, options: Sequence[str] = ()) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-m", "rig.simulator", *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        assert self.process.stdout is not None and self.process.stderr is not None
        self.url = self.process.stdout.readline().strip()
        if not self.url:
            words = self.process.stderr.read().strip().splitlines()[-1:] or ["no reason given"]
            reason = words[0].removeprefix("rig: ")
            if self.process.wait() == USAGE:
                raise SettingsError(reason)
            raise LinkError(f"the simulated board did not start: {reason}")

    def happen(self, event: str) -> None:
        """Let one of `rig.simulator.board.EVENTS` happen; one after the end is lost."""
        assert self.process.stdin is not None
        with contextlib.suppress(OSError, ValueError):
            self.process.stdin.write(f"{event}\n")
            self.process.stdin.flush()

    def close(self) -> None:
        """Switch the board off; it stops when its input ends."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        try:
            self.process.wait(3.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
