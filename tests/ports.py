"""Ports of simulated boards, whose numbers the system gives out again."""

from __future__ import annotations

import time

from rig.errors import LinkError
from rig.recorder.holding import held


def is_free(port: str) -> bool:
    """Whether no program holds `port`."""
    try:
        with held(port, "test"):
            return True
    except LinkError:
        return False


def wait_until_free(port: str, within_s: float = 20.0) -> None:
    """A recorder of an earlier test may still wait for a board that had this number."""
    ends_s = time.monotonic() + within_s
    while not is_free(port):
        if time.monotonic() > ends_s:
            raise TimeoutError(f"{port} is still held")
        time.sleep(0.05)
