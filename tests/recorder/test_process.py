"""The recorder's process itself: how it comes to an end."""

from pathlib import Path

from rig.errors import LINK_LOST
from rig.recorder.handle import Message, Recorder
from rig.recorder.messages import Ended, Plan
from rig.stand.settings import demo_stand


def test_it_ends_by_itself_while_its_parent_still_holds_the_pipe(tmp_path: Path) -> None:
    heard: list[Message] = []
    plan = Plan(demo_stand(), str(tmp_path / "no port"), tmp_path / "x.journal", {}, seconds=1.0)
    assert Recorder(plan, heard.append).wait(20.0) == LINK_LOST
    assert [type(message) for message in heard] == [Ended]
