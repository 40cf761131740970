"""The README's pictures of the screen, written by the app itself on the simulated stand.

`python -m tests.screen.pictures` makes them again.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from tempfile import TemporaryDirectory

from rig.bench import Desk, Request
from rig.recorder.states import State
from rig.screen.app import StandApp

PICTURES = Path(__file__).parents[2] / "rig" / "screen" / "pictures"


async def picture(name: str, state: State, after_s: float, *faults: str) -> None:
    """One run, arranged by keys as a person would, pictured `after_s` into `state`."""
    with TemporaryDirectory() as folder:
        request = Request(
            setup="early", simulated=True, throttle=("40:4", "70:20"), soak_s=1.0, seed=1,
            folder=Path(folder), faults=faults,
        )  # fmt: skip
        with Desk(request) as desk:
            app = StandApp(desk, (desk.first_port(), "early", ""))
            async with app.run_test(size=(100, 30)) as pilot:
                for key, before in (("a", State.READY), ("r", State.ARMED), ("", state)):
                    await reached(app, before)
                    if key:
                        await pilot.press(key)
                await asyncio.sleep(after_s)
                (PICTURES / name).write_text(app.export_screenshot(title="rig run"))
                await pilot.press("escape")
                while app.live is not None:
                    await asyncio.sleep(0.05)


async def reached(app: StandApp, state: State) -> None:
    """Wait for a state of the run."""
    while not (app.live and app.live.snapshot and app.live.snapshot.state == state):
        await asyncio.sleep(0.05)


if __name__ == "__main__":
    asyncio.run(picture("running.svg", State.RUNNING, 9.0))
    asyncio.run(picture("tripped.svg", State.COASTING, 1.0, "overheat@6"))
