"""The whole of `rig check --turn` on a simulated stand, in a time of its own."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from rig import bench, stop_proof
from rig.bench import Request
from rig.captures.capture import read_meta
from rig.errors import LINK_LOST, RigError, SettingsError
from rig.protocol.records import Hello
from rig.proving.scripts import Drive
from rig.proving.tester import Answers, Simulated
from rig.proving.turn import Checked, _Check, check_turn
from rig.recorder.messages import Ended, Seen
from rig.report.runs import description_lines
from rig.simulator.board import Board, demo_board
from rig.stand.settings import demo_stand
from rig.stop_proof import Way

MARRAM = Path(__file__).parents[2] / "rig" / "stand" / "marram.toml"


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state"


def check(*faults: str, stop_input: bool = False, **more: Any) -> tuple[Checked, str]:
    out = io.StringIO()
    request = Request(simulated=True, fast=True, faults=faults)
    answers = Answers(propeller="on", stop_input=stop_input)
    try:
        checked = check_turn(request, answers, out=out, **({"ceiling_pct": 25.0} | more))
    except RigError as error:
        raise type(error)(f"{error}\n{out.getvalue()}") from error
    return checked, out.getvalue()


def proven(checked: Checked) -> dict[str, bool | None]:
    return {name: way.proven for name, way in checked.ways.items()}


def test_every_way_is_proven_and_the_captures_that_follow_say_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, state: Path
) -> None:
    checked, said = check(stop_input=True)  # rpm per volt is that of stand.toml, 712
    assert checked.exit_code == 0, said
    assert proven(checked) == dict.fromkeys(stop_proof.WAYS, True)
    assert [(f.what, f.good) for f in checked.findings] == [
        ("turns", True), ("current", True), ("rpm per volt", True), ("sag", None),
    ]  # fmt: skip
    assert said.index("PART 1") < said.index(">>> Turn") < said.index("PART 2")
    assert not list((state / "rig" / "checks").iterdir()), "no journal of a drive that ended well"

    def run(setup: str) -> dict[str, Any]:
        request = Request(
            setup=setup, simulated=True, fast=True, throttle=("30:0.3",), soak_s=0.0,
            folder=tmp_path / "captures",
        )  # fmt: skip
        outcome = bench.run_once(request, out=(out := io.StringIO()))
        assert outcome.capture is not None
        meta = read_meta(outcome.capture)
        first = out.getvalue().splitlines()[0]
        (line,) = [words for words in description_lines(meta) if words.startswith("stop ")]
        return {"first": first, "line": line, **meta.stop_proof}

    kept = run("early")
    assert kept["proven"] is True and "NOT PROVEN" not in kept["first"]
    assert kept["line"].startswith("stop proven ") and "silence 58" in kept["line"]

    monkeypatch.setattr(stop_proof, "digest_of", lambda _: "other")
    kept = run("late")
    assert kept["proven"] is False
    assert kept["first"].startswith("THE STOP IS NOT PROVEN: stand.toml was changed")
    assert kept["line"].startswith("stop not proven before this run: stand.toml was changed")


def test_what_does_not_stop_the_motor_is_found_and_the_rest_still_tried() -> None:
    checked, said = check("no-watch", "deaf-limits", "dead-input", stop_input=True)
    assert (checked.outcome, checked.exit_code) == ("not proven", LINK_LOST)
    assert proven(checked) == {"stop": True, "silence": False, "limit": False, "stop input": False}
    assert said.count("the board did not cut") == 3
    assert "tried" in stop_proof.for_run(demo_stand(), "", simulated=True)["why"]


@pytest.mark.parametrize("fault", ["deaf-stop", "drive-stuck", "ignores-stop"])
def test_a_stop_that_does_not_take_effect_ends_it_as_a_run_would(fault: str) -> None:
    checked, said = check(fault)
    assert (checked.outcome, checked.exit_code) == ("stop not effective", LINK_LOST)
    assert "THE STOP DID NOT TAKE EFFECT. Disconnect the supply by hand, now." in said
    assert checked.to_do == "Disconnect the supply by hand, now."
    assert "silence:" not in said, "no further drive"
    assert proven(checked) == {"stop": False, "silence": None, "limit": None, "stop input": None}


@pytest.mark.parametrize(
    ("fault", "word"),
    [("missing-mark=1", "dead"), ("double-mark=1", "double")],
)
def test_a_tachometer_that_counts_wrong_is_found_before_anything_is_driven(
    fault: str, word: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    armed = watch_arms(monkeypatch)
    checked, said = check(fault)
    assert checked.exit_code == LINK_LOST and word in checked.cause
    assert "PART 2" not in said and not armed
    assert checked.kept is None


def test_with_the_supply_on_nothing_is_turned_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    real = Board.happen
    monkeypatch.setattr(
        Board, "happen", lambda board, event: None if event == "supply off" else real(board, event)
    )
    armed = watch_arms(monkeypatch)
    with pytest.raises(SettingsError, match=r"the supply is on: 24\.5 V") as error:
        check()
    assert ">>> Turn" not in str(error.value) and not armed


@pytest.mark.parametrize(("abilities", "missing"), [("", "S .* and T "), ("SLZ", "lacks T ")])
def test_a_board_that_cannot_be_driven_is_refused_after_part_1(
    abilities: str, missing: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = bench.settings_of
    monkeypatch.setattr(
        bench, "settings_of", lambda chosen: replace(real(chosen), abilities=abilities)
    )
    armed = watch_arms(monkeypatch)
    with pytest.raises(SettingsError, match=missing) as error:
        check()
    assert "good          turns" in str(error.value)
    assert "only your hand" in str(error.value) and not armed


def test_an_over_current_in_a_drive_trips_as_in_a_run() -> None:
    checked, said = check("overcurrent@1=110")
    assert (checked.outcome, checked.exit_code) == ("tripped", 3)
    assert "over the limit of 100.0 A" in said
    assert checked.kept is None, "nothing was tried"


@pytest.mark.parametrize("outcome", ["operator", "tripped", "link lost", "front lost"])
def test_what_comes_before_the_cut_proves_nothing_either_way(outcome: str) -> None:
    board = demo_board()
    way = Way(None)
    tester = Simulated(Answers(), io.StringIO(), board.happen)
    check = _Check(demo_stand(), "none", carry_nothing, tester, io.StringIO())
    check.result.ways["silence"] = way
    drive = Drive("silence", demo_stand(), known_pct=None, ceiling_pct=25.0, ask=lambda: None)
    ended = Ended(outcome, 3, "it ended", seen=Seen("silence", None, None))
    assert (
        check._judge("silence", drive, ended, Hello(1, "b", "1", 1, 1000, 100, frozenset(), 0))
        is False
    )
    assert check.result.ways["silence"] is way
    assert (check.result.outcome, check.result.exit_code) == (outcome, 3)


def carry_nothing(*_: object) -> Ended:
    raise AssertionError("nothing may be driven")


def test_no_terminal_and_nobody_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("off\nclear\n"))
    with pytest.raises(SettingsError, match="no terminal"):
        check_turn(Request(port="none", stand=MARRAM), Answers(), ceiling_pct=25.0)


def watch_arms(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Grows with each arm that a simulated board obeys."""
    armed: list[int] = []
    real = Board._arm

    def arm(board: Board, boot: int) -> str:
        armed.append(boot)
        return real(board, boot)

    monkeypatch.setattr(Board, "_arm", arm)
    return armed
