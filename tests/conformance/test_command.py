"""What `rig verify-board` prints, and how it ends."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest
from typer.testing import CliRunner

from rig.cli import app
from rig.conformance import board
from rig.conformance.rules import UNSEEN, Finding
from rig.errors import DONE, LINK_LOST


def ended(patch: pytest.MonkeyPatch, *verdicts: str, more: tuple[str, ...] = ()) -> tuple[int, str]:
    def found(port: str, baud: int, *, turning: bool) -> Iterator[Finding]:
        for verdict in verdicts:
            yield Finding(f"on {port} at {baud}", "Timing", verdict, f"turning: {turning}")

    patch.setattr(board, "verify_board", found)
    done = CliRunner().invoke(app, ["verify-board", "--port", "here", "--supply-off", *more])
    return done.exit_code, done.output


def test_all_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    code, said = ended(monkeypatch, "kept", "does not apply")
    assert code == DONE
    assert "kept            on here at 115200 (Timing): turning: False" in said
    assert all(f"  - {hint}" in said for hint in UNSEEN)
    assert said.endswith("0 of 2 rules broken\n")


def test_one_broken(monkeypatch: pytest.MonkeyPatch) -> None:
    code, said = ended(monkeypatch, "kept", "broken", more=("--turning",))
    assert code == LINK_LOST
    assert "turning: True" in said
    assert said.endswith("1 of 2 rules broken\n")


def test_what_was_not_judged_is_not_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    code, said = ended(monkeypatch, "kept", "not judged")
    assert code == LINK_LOST
    assert "1 not judged: close what keeps this computer busy, then again" in said
    code, said = ended(monkeypatch, "not judged", more=("--json",))
    assert code == LINK_LOST
    found = json.loads(said)
    assert (found["broken"], found["not_judged"], found["unseen"]) == (0, 1, list(UNSEEN))
