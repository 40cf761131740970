"""`rig check --turn` and the firmware together: a tester who does what it asks for."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from rig import stop_proof
from rig.stand.settings import load_stand
from tests.firmware.simulated import Chip
from tests.firmware.test_runs import STAND

HANDS = {">>> Turn": ("turn",), "PART 2": ("plug",), ">>> Press": ("open",)}
"""What the tester does when a line that begins so is read."""


def checked(chip: Chip, state: Path, *words: str) -> tuple[int, dict[str, Any], str]:
    """Exit code, result and all that was said; the state folder is `state`."""
    process = subprocess.Popen(
        [
            sys.executable, "-m", "rig.cli", "check", "--turn", "--port", chip.port, "--stand",
            str(STAND), "--attended", "--propeller", "off", "--json", *words,
        ],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"XDG_STATE_HOME": str(state)},
    )  # fmt: skip
    assert process.stdout and process.stderr
    said = []
    for line in process.stderr:
        said.append(line)
        for event in next((do for head, do in HANDS.items() if line.startswith(head)), ()):
            chip.suffer(event)
    out = process.stdout.read()
    return process.wait(timeout=10), json.loads(out) if out else {}, "".join(said)


@pytest.mark.long
def test_every_way_to_stop_is_proven_on_the_part(
    chip: Chip, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    chip.suffer("unplug")
    code, result, said = checked(chip, tmp_path, "--stop-input")
    assert code == 0, said
    assert {name: way["proven"] for name, way in result["ways"].items()} == dict.fromkeys(
        stop_proof.WAYS, True
    )
    print(*(f"{n}: {w['cut_ms']} ms, fell {w['fell_ms']} ms" for n, w in result["ways"].items()))
    # By the pin: each drive began once, and ended.
    assert len(chip.times("drive", "1")) == len(chip.times("drive", "0")) == 4
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert stop_proof.for_run(load_stand(STAND), chip.port)["proven"] is True
