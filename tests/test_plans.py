"""What a run is planned with: the words that go into the journal's first line."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest

from rig import plans
from rig.errors import SettingsError
from rig.plans import new_setup_line, plan_run
from rig.protocol.framing import LONGEST_REMARK, frame
from rig.protocol.records import Remark
from rig.stand.settings import demo_stand


def plan(folder: Path, **more: Any) -> Any:
    asked = {"setup": "early", "seconds": 1.0, "throttle": (), "soak_s": 0.0, **more}
    return plan_run(demo_stand(), "port", folder=folder, **asked)


def test_the_beginning_has_the_pairs(tmp_path: Path) -> None:
    made = plan(tmp_path, pairs=["pack=P1"])
    assert made.beginning["pairs"] == {"pack": "P1"}


def test_a_beginning_fits_a_line_of_the_journal(tmp_path: Path) -> None:
    """Characters beyond the basic plane take twelve bytes each in JSON (RFC 8259, section 7)."""
    made = plan(tmp_path, notes="🚁" * 2000, pairs=[f"k{i}={'x' * 200}" for i in range(20)])
    assert len(frame(Remark("begin", 0.0, dict(made.beginning)).body())) <= LONGEST_REMARK
    with pytest.raises(SettingsError, match="too long together"):
        plan(tmp_path, notes="🚁" * 2000, pairs=[f"k{i}={'🚁' * 200}" for i in range(20)])


def test_what_is_said_of_a_new_setup() -> None:
    assert new_setup_line("early", []) == new_setup_line("early", ["late", "early"]) == ""
    assert new_setup_line("erly", ["early", "late"]) == "new setup 'erly' (known here: early, late)"
    many = new_setup_line("z", list("abcdefgh"))
    assert many == "new setup 'z' (known here: a, b, c, d, e, f and 2 more)"


@pytest.mark.skipif(not plans.BOOT_ID.exists(), reason="only Linux says which boot it is")
def test_the_beginning_has_a_clock_that_no_one_can_set(tmp_path: Path) -> None:
    before_s = time.clock_gettime(time.CLOCK_BOOTTIME), time.time()
    host = plan(tmp_path).beginning["host"]
    after_s = time.clock_gettime(time.CLOCK_BOOTTIME), time.time()
    assert host["boot"] == plans.BOOT_ID.read_text().strip()
    assert before_s[0] - 0.001 <= host["boot_s"] <= after_s[0] + 0.001
    assert before_s[1] - 0.001 <= host["wall_s"] <= after_s[1] + 0.001


def test_a_system_that_names_no_boot_gives_no_clock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(plans, "BOOT_ID", tmp_path / "none")
    assert plan(tmp_path).beginning["host"].keys() == {"rig", "python", "platform"}
