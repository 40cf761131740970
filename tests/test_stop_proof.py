"""The file with the last proof of a stand's stop: untrusted when read, whole when written."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import pytest

from rig import stop_proof
from rig.stand.model import Limits
from rig.stand.settings import demo_stand
from rig.stop_proof import StopProof, Way

STAND = demo_stand()
WAYS = {
    "stop": Way(True, 5.0, 80.0),
    "silence": Way(True, 501.0, 560.0),
    "limit": Way(None, words="the board holds no limits"),
}


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))


def proof(**changes: Any) -> StopProof:
    made = StopProof(
        "2026-11-26T10:00:00+00:00", stop_proof.digest_of(STAND), "marram", "0.3", WAYS, "off", 12.0
    )
    return dataclasses.replace(made, **changes)


def test_what_was_kept_is_read_again() -> None:
    path = stop_proof.keep(proof(), STAND, "COM7")
    assert stop_proof.read(path) == proof()
    known = stop_proof.for_run(STAND, "COM7")
    assert known["proven"] is True and known["ways"]["stop"]["fell_ms"] == 80.0
    assert stop_proof.warning(known) == ""
    assert "stop 80 ms, silence 560 ms, limit not tried" in stop_proof.line_of(known)
    assert not list(path.parent.glob("*.part"))


def test_another_port_or_stand_has_none() -> None:
    stop_proof.keep(proof(), STAND, "COM7")
    for stand, port in ((STAND, "COM8"), (dataclasses.replace(STAND, name="other"), "COM7")):
        known = stop_proof.for_run(stand, port)
        assert known == {"proven": False, "why": "never tried on this stand and port"}
        assert "`rig check --turn`" in stop_proof.warning(known)


def test_a_change_of_limits_ends_it_and_a_change_of_port_alone_does_not() -> None:
    changed = dataclasses.replace(STAND, limits=Limits())
    stop_proof.keep(proof(), STAND, "COM7")
    assert "stand.toml was changed" in stop_proof.for_run(changed, "COM7")["why"]
    assert stop_proof.digest_of(dataclasses.replace(STAND, port="COM7")) == stop_proof.digest_of(
        STAND
    )


@pytest.mark.parametrize(
    ("ways", "holds"),
    [
        (WAYS, True),
        (WAYS | {"limit": Way(False)}, False),
        ({"stop": Way(True)}, False),
        ({"stop": Way(True), "silence": Way(None)}, False),
        ({}, False),
    ],
)
def test_it_holds_where_all_that_was_tried_stopped_the_motor(
    ways: dict[str, Way], holds: bool
) -> None:
    assert proof(ways=ways).holds is holds


GOOD = dataclasses.asdict(proof())


@pytest.mark.parametrize(
    "content",
    [
        b"", b"[]", b"{}", b"\xff", b"[" * 10_000, b'{"schema": 1}',
        json.dumps(GOOD | {"schema": 2}).encode(),
        json.dumps(GOOD | {"utc": "yesterday"}).encode(),
        json.dumps(GOOD | {"board": 7}).encode(),
        json.dumps(GOOD | {"board": "x" * 1000}).encode(),
        json.dumps(GOOD | {"ways": []}).encode(),
        json.dumps(GOOD | {"ways": {"stop": 1, "silence": {"proven": "yes"}}}).encode(),
        json.dumps(GOOD | {"more": "x" * 100_000}).encode(),
    ],
)  # fmt: skip
def test_a_file_that_makes_no_sense_proves_nothing(content: bytes) -> None:
    path = stop_proof.path_of(STAND, "COM7")
    path.parent.mkdir(parents=True)
    path.write_bytes(content)
    assert stop_proof.for_run(STAND, "COM7")["proven"] is False


@pytest.mark.parametrize(
    "kept", [None, 7, {}, {"proven": True}, {"proven": True, **GOOD, "utc": "0001-01-01T00:00:00"},
             {"proven": False, "why": "\x1b[2J" + "x" * 9999}, {"proven": "no", "why": 3}],
)  # fmt: skip
def test_a_captures_words_are_fit_for_a_terminal(kept: object) -> None:
    for words in (stop_proof.line_of(kept), stop_proof.warning(kept)):
        assert "\x1b" not in words and len(words) < 400
