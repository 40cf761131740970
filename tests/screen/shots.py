"""The screen as text files: what stands where, and in which colours.

`python -m tests.screen.shots` writes them anew after a wanted change; the difference is then
read like any other. A file has the rows of the screen, under a line of dashes the same rows
with a letter for each cell's colours, and the legend.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

from rich.segment import Segment
from textual.pilot import Pilot

from rig.recorder.messages import Ended, LinkFigures
from rig.screen import app as app_module
from rig.screen.app import StandApp
from rig.stand.watches import ActiveAlarm
from tests.screen.messages import (
    RUNNING,
    TRIP,
    WARNING,
    ScriptedRecorder,
    TestDesk,
    event,
    snapshot,
)

SHOTS = Path(__file__).parent / "shots"
SIZES = ((80, 24), (120, 40), (200, 60))
SCENES = ("begin", "warned", "tripped", "unproven", "after")
PLAIN = ("begin", "tripped")
"""Scenes that are also shot without colour."""
HOT = (88.0, 22.4, 1971.2, 71.5, 52.1, 31.0, 11313.0)


def wanted() -> list[tuple[str, tuple[int, int], bool]]:
    """Scene, size, and whether it has colour."""
    return [
        (scene, size, colour)
        for scene in SCENES
        for size in SIZES
        for colour in (True, False)
        if colour or scene in PLAIN
    ]


def name_of(scene: str, size: tuple[int, int], colour: bool) -> str:
    return f"{scene}_{size[0]}x{size[1]}{'' if colour else '_no_colour'}.txt"


async def shoot(scene: str, size: tuple[int, int], colour: bool) -> str:
    """One file's content."""
    with _environment(colour):
        known = (None, None) if scene == "begin" else ("/dev/ttyX0", "early")
        desk = TestDesk(Path("captures"))
        desk.known = ["early", "late"]
        app = StandApp(desk, (*known, ""))
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            for message in _messages(scene):
                ScriptedRecorder.newest.deliver(message)
                await pilot.pause()
            await app.workers.wait_for_complete()
            await pilot.pause()
            return _as_text(pilot)


def _messages(scene: str) -> Iterator[object]:
    if scene == "begin":
        return
    trace = [(tenth, RUNNING, RUNNING) for tenth in range(30)]
    trace += [(tenth, HOT, HOT) for tenth in range(45, 60)]
    warned = {
        "values": HOT,
        "peaks": HOT,
        "trace": tuple(trace),
        "link": LinkFigures(200.0, 1200, 3, 1),
        "active": (ActiveAlarm(WARNING, "unacknowledged"),),
    }
    yield snapshot("running", **warned)
    yield event(WARNING.text, WARNING)
    if scene == "warned":
        return
    yield event(TRIP.text, TRIP, loud=True)
    yield event(f"Stopping: {TRIP.text}", loud=True)
    latched = (*warned["active"], ActiveAlarm(TRIP, "latched, unacknowledged"))
    state = "unproven" if scene == "unproven" else "coasting"
    yield snapshot(state, **warned | {"active": latched, "remaining_s": None})
    if scene == "unproven":
        text = "THE STOP DID NOT TAKE EFFECT. Disconnect the supply by hand, now."
        yield event(text, loud=True)
    if scene == "after":
        yield Ended("tripped", 3, TRIP.text)


def _as_text(pilot: Pilot[None]) -> str:
    letters: dict[str, str] = {}
    rows, colours = [], []
    for strip in pilot.app.screen._compositor.render_strips():
        rows.append("".join(segment.text for segment in strip).rstrip())
        colours.append(
            "".join(
                letters.setdefault(_colours(segment), chr(ord("A") + len(letters)))
                * segment.cell_length
                for segment in strip
            )
        )
    legend = [f"{letter} {colour}" for colour, letter in letters.items()]
    return "\n".join([*rows, "-" * 20, *colours, "-" * 20, *legend, ""])


def _colours(segment: Segment) -> str:
    style = segment.style
    if style is None:
        return "plain"
    triplets = [c.get_truecolor().hex if c else "none" for c in (style.color, style.bgcolor)]
    weight = [word for word in ("bold", "dim", "reverse", "underline") if getattr(style, word)]
    return " ".join([*triplets, *weight])


@contextmanager
def _environment(colour: bool) -> Iterator[None]:
    with patch.dict(os.environ), patch.object(app_module, "Recorder", ScriptedRecorder):
        os.environ.pop("NO_COLOR", None)
        if not colour:
            os.environ["NO_COLOR"] = "1"
        yield


if __name__ == "__main__":
    SHOTS.mkdir(exist_ok=True)
    for shot in wanted():
        (SHOTS / name_of(*shot)).write_text(asyncio.run(shoot(*shot)), encoding="utf-8")
