"""A small storm of hostile lines; `python -m tests.hostile` sends as many as one likes."""

from __future__ import annotations

import pytest

from rig.protocol.decoder import Decoder
from tests import hostile


@pytest.mark.parametrize("seed", [0, 7])
def test_no_hostile_line_raises_and_memory_does_not_grow(seed: int) -> None:
    found = hostile.storm(10_000, seed)
    assert found.lines >= 10_000
    assert found.rejected > 500
    assert {"linking", "ready", "arming", "armed", "running", "stopping"} < found.states.keys()


def test_a_decoder_that_keeps_every_line_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    kept: list[bytes] = []
    decode = Decoder.decode

    def keeping(self: Decoder, line: bytes) -> object:
        kept.append(line + bytes(2_000))
        return decode(self, line)

    monkeypatch.setattr(Decoder, "decode", keeping)
    with pytest.raises(AssertionError, match="memory grew"):
        hostile.storm(10_000, 0)


def test_a_board_that_speaks_for_the_host_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    from rig.recorder.session import Session

    def naive(self: Session, data: bytes, _now_s: float) -> None:
        for line in data.split(b"\n"):
            self._keep(line + b"\n")

    monkeypatch.setattr(Session, "on_bytes", naive)
    with pytest.raises(AssertionError, match="hostile"):
        hostile.storm(10_000, 0)
