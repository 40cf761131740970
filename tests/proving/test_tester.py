"""The questions that somebody at the stand is asked."""

from __future__ import annotations

import io

import pytest

from rig.errors import SettingsError
from rig.proving import tester


class Terminal(io.StringIO):
    """Lines that somebody types."""

    def isatty(self) -> bool:
        return True


def before_power(typed: str, monkeypatch: pytest.MonkeyPatch) -> tuple[tuple[str, bool], str]:
    monkeypatch.setattr("sys.stdin", Terminal(typed))
    said = io.StringIO()
    return tester.Tester(tester.Answers(), said).before_power(25.0), said.getvalue()


def test_a_mistyped_answer_is_asked_for_again(monkeypatch: pytest.MonkeyPatch) -> None:
    answers, said = before_power("yes\non\nn\nno\nclear\n", monkeypatch)
    assert answers == ("on", False)
    assert max(map(len, said.splitlines())) < 80


@pytest.mark.parametrize("typed", ["", "on\n1\n2\n3\n", "on\nyes\nclera\n"])
def test_who_does_not_answer_gets_no_power(typed: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The word that lets the motor turn is asked for once only."""
    with pytest.raises(SettingsError):
        before_power(typed, monkeypatch)
