"""`rig check`, and the same check as the first thing a run does: by command, in both clocks."""

from __future__ import annotations

import dataclasses
import io
import json
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from rig import bench, cli
from rig.captures.capture import read_meta
from rig.check.at_rest import check_at_rest
from rig.errors import LinkError, SettingsError
from rig.plans import plan_run
from rig.recorder.holding import held
from rig.simulator.process import SimulatedBoard
from rig.stand.settings import demo_stand, load_stand
from tests.bench.scripted import ScriptedBoard
from tests.e2e.terminal import Terminal
from tests.ports import wait_until_free

MARRAM = Path(bench.__file__).parent / "stand" / "marram.toml"
OFF = {"upper_ohm = { value = 56000.0": "upper_ohm = { value = 43000.0"}
"""A divider that stand.toml has 20 % too low."""


def stand_file(folder: Path, changes: dict[str, str]) -> Path:
    text = MARRAM.read_text()
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    path = folder / "stand.toml"
    path.write_text(text)
    return path


def check(capsys: pytest.CaptureFixture[str], *options: str | Path) -> tuple[int, str]:
    code = cli.main(["check", "--simulated", "--fast", *map(str, options)])
    return code, capsys.readouterr().out


def test_a_good_stand_gives_a_table_and_nothing_else(capsys: pytest.CaptureFixture[str]) -> None:
    code, said = check(capsys)
    assert code == 0
    for words in ("Current", "Voltage", "24.53 V", "32.95 V", "Nothing found"):
        assert words in said


@pytest.mark.parametrize(
    ("changes", "code", "words"),
    [
        ({"cells = 6": "cells = 8"}, 3, "cell under-voltage"),
        ({"trip_over = 100.0\nhysteresis": "trip_over = 200.0\nhysteresis"}, 0, "note: limits"),
        (
            {"cells = 6": "cells = 8\n# ", "cell_warn_v = 3.5": "", "cell_trip_v = 3.2": "",
             "trip_over = 27.0": "trip_over = 35.0"},
            2,
            "8 full cells are 33.6 V",
        ),
    ],
)  # fmt: skip
def test_what_does_not_fit_has_its_words_and_its_exit_code(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    changes: dict[str, str],
    code: int,
    words: str,
) -> None:
    found, said = check(capsys, "--stand", stand_file(tmp_path, changes))
    assert words in said
    assert found == code


def test_json_has_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    code, said = check(capsys, "--fault", "motor-open", "--json")
    told = json.loads(said)
    assert code == told["exit_code"] == 3
    assert [f["severity"] for f in told["findings"]] == ["refuse"]
    motor = next(row for row in told["inputs"] if row["column"] == "motor_degc")
    assert motor["reading"] is None and motor["highest"] > 200


def test_over_a_pty_it_finds_the_same_unless_another_program_holds_the_port(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def checked(stand: Path) -> tuple[int, str]:
        code = cli.main(["check", "--port", board.url, "--stand", str(stand)])
        return code, "".join(capsys.readouterr())

    with SimulatedBoard() as board:
        wait_until_free(board.url)
        code, said = checked(MARRAM)
        assert code == 0 and "Nothing found" in said
        code, said = checked(stand_file(tmp_path, OFF))
        assert code == 3 and "WILL NOT ARM" in said and "for each of 6 cells" in said
        with held(board.url, "the test"):
            code, said = checked(MARRAM)
        assert code == 4 and "the test" in said


def test_a_board_that_is_not_there_is_a_lost_link(tmp_path: Path) -> None:
    with pytest.raises(LinkError):
        check_at_rest(bench.Request(port=str(tmp_path / "nothing"), stand=MARRAM))


def request(folder: Path, **changes: object) -> bench.Request:
    made = bench.Request(
        setup="early", simulated=True, throttle=("60:2",), soak_s=0.5, folder=folder, seed=4,
        fast=True,
    )  # fmt: skip
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]


def test_a_divider_that_is_off_drives_nothing_without_a_screen(tmp_path: Path) -> None:
    """It rests between the limits of the supply, and tripped after 0.4 s of driving."""
    stand = load_stand(stand_file(tmp_path, OFF))
    outcome = bench.run_once(request(tmp_path), stand=stand, out=io.StringIO())
    assert (outcome.outcome, outcome.exit_code) == ("not armed", 3)
    assert outcome.sentence().count("not armed") == 1
    assert outcome.capture is not None
    states = [state["state"] for state in read_meta(outcome.capture).states]
    assert states == ["ready", "ended"]


def test_a_note_is_printed_and_in_the_capture(tmp_path: Path) -> None:
    stand = stand_file(tmp_path, {"trip_over = 27.0": "trip_over = 35.0"})
    out = io.StringIO()
    outcome = bench.run_once(request(tmp_path, stand=stand), out=out)
    assert outcome.outcome == "done" and outcome.capture is not None
    words = "at rest: limits.voltage.trip_over"
    assert words in out.getvalue()
    assert any(words in mark["text"] for mark in read_meta(outcome.capture).marks)


def test_seconds_without_throttle_are_refused_where_the_board_drives_it(tmp_path: Path) -> None:
    outcome = bench.run_once(request(tmp_path, throttle=(), seconds=2.0), out=io.StringIO())
    assert (outcome.outcome, outcome.exit_code) == ("settings", 2)
    assert "--throttle" in outcome.to_do


def test_a_run_longer_than_the_longest_is_no_plan(tmp_path: Path) -> None:
    def planned(hold_s: float) -> object:
        return plan_run(
            demo_stand(), "none", folder=tmp_path, setup="x", seconds=None,
            throttle=(f"50:{hold_s:g}",), soak_s=0.0,
        )  # fmt: skip

    assert planned(300.0)
    with pytest.raises(SettingsError, match="longest_run_s"):
        planned(301.0)


def test_a_current_that_rests_at_ten_amperes_is_refused_over_a_pty(tmp_path: Path) -> None:
    board = ScriptedBoard(line_hz=200)
    board.noise = 3
    resting = board.introduction

    def introduce() -> bytes:
        board.counts = (1310, *board.counts[1:])
        return resting()

    board.introduction = introduce  # type: ignore[method-assign]
    run = subprocess.Popen(
        [sys.executable, "-m", "rig.cli", "run", "--port", board.url, "--stand", MARRAM, "--setup",
         "x", "--throttle", "50:5", "--headless", "--json", "--out", tmp_path],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    said: list[str] = []
    reading = threading.Thread(target=lambda: said.extend(run.communicate()))
    reading.start()
    board.serve(lambda: run.poll() is not None)
    reading.join()
    board.close()
    assert run.returncode == 3, said
    assert "Current is 10" in json.loads(said[0])["cause"]
    assert b"arm" not in board.heard


def test_the_screen_says_why_it_will_not_arm_and_does_not(tmp_path: Path) -> None:
    command = [
        sys.executable, "-m", "rig.cli", "run", "--simulated", "--fault", "motor-open", "--setup",
        "x", "--throttle", "50:5", "--soak", "0", "--out", str(tmp_path),
    ]  # fmt: skip
    front = Terminal(command, 120, 40)
    front.wait_for("WILL NOT ARM: The sensor of motor temperature is open.")
    front.press("a")
    assert "AT REST, NOT ARMED" in front.wait_for("not armed: The sensor of motor")
    front.press("\x1b")
    front.wait_for("Next run")
    front.press("d")
    assert front.until_over() == 3
