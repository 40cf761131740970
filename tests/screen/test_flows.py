"""Each flow as an operator goes through it, by Textual's own Pilot."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, OptionList, Static

from rig.bench import SIMULATED, Desk, Request
from rig.recorder.messages import (
    Acknowledge,
    ArmRun,
    Ended,
    LinkFigures,
    Mark,
    SetThrottle,
    StartRun,
    StopRun,
    TakeZero,
)
from rig.recorder.states import State
from rig.screen import app as app_module
from rig.screen.after import AfterScreen
from rig.screen.app import StandApp
from rig.screen.banner import Banner
from rig.screen.begin import BeginScreen
from rig.screen.chart import Chart
from rig.screen.dialogs import HelpDialog, LeaveDialog, NoteDialog
from rig.screen.events import Events
from rig.screen.header import Header
from rig.screen.live import LiveScreen
from rig.screen.reading import Reading
from tests.screen import messages
from tests.screen.messages import ScriptedRecorder, TestDesk, event, snapshot
from tests.screen.pictures import reached

Screens = Callable[..., "AsyncIterator[Pilot[None]]"]
STOPPED = Ended("tripped", 3, "Current is 103.2 A, over 100.0 A.")


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> TestDesk:
    monkeypatch.setattr(app_module, "Recorder", ScriptedRecorder)
    return TestDesk(tmp_path)


@asynccontextmanager
async def running(
    desk: TestDesk, state: str = "ready", size: tuple[int, int] = (80, 24), **changes: object
) -> AsyncIterator[Pilot[None]]:
    """A live screen that shows `state`."""
    app = StandApp(desk, ("/dev/ttyX0", "early", ""))
    async with app.run_test(size=size, notifications=True) as pilot:
        await deliver(pilot, snapshot(state, **changes))
        yield pilot


async def deliver(pilot: Pilot[None], *arrived: object) -> None:
    for message in arrived:
        ScriptedRecorder.newest.deliver(message)  # type: ignore[arg-type]
        await pilot.pause()
    await pilot.pause()


def orders() -> list[object]:
    return list(ScriptedRecorder.newest.orders)


def shown(pilot: Pilot[None], kind: type[Static] | type[Header] | type[Events]) -> str:
    widget = pilot.app.screen.query_one(kind)
    title = str(widget.border_title or "")
    return title + "\n" + str(widget.render())


async def test_arm_and_start_are_two_actions(desk: TestDesk) -> None:
    async with running(desk) as pilot:
        await pilot.press("r")
        assert orders() == []
        await pilot.press("a")
        assert orders() == [ArmRun()]
        await deliver(pilot, snapshot("armed"))
        await pilot.press("a", "r")
        assert orders() == [ArmRun(), StartRun()]


async def test_zeros_are_taken_before_the_board_is_armed_only(desk: TestDesk) -> None:
    async with running(desk) as pilot:
        await pilot.press("0")
        assert orders() == [TakeZero()]
        for state in ("armed", "running", "coasting"):
            await deliver(pilot, snapshot(state))
            await pilot.press("0")
        assert orders() == [TakeZero()]


@pytest.mark.parametrize("key", ["escape", "space", "ctrl+c"])
@pytest.mark.parametrize(
    "state", ["linking", "ready", "arming", "armed", "running", "stopping", "unproven"]
)
async def test_stop_keys_stop_in_every_state(desk: TestDesk, key: str, state: str) -> None:
    async with running(desk, state) as pilot:
        await pilot.press(key)
        assert orders() == [StopRun()]


async def test_a_second_press_does_not_cut_the_heat_soak_short(desk: TestDesk) -> None:
    async with running(desk, "coasting") as pilot:
        await pilot.press("escape")
        assert orders() == []
        await pilot.press("e")
        assert isinstance(orders()[0], StopRun)


async def test_a_run_from_warning_to_trip_to_the_next_run(desk: TestDesk) -> None:
    async with running(desk, "running") as pilot:
        await deliver(
            pilot,
            event(messages.WARNING.text, messages.WARNING),
            event(messages.TRIP.text, messages.TRIP, loud=True),
            event("Stopping: it", loud=True),
            snapshot("coasting", values=(103.2, *messages.RUNNING[1:])),
        )
        assert "STOPPED" in shown(pilot, Banner) and "103.2 A" in shown(pilot, Banner)
        assert "▲ WARN" in shown(pilot, Events) and "■ TRIP" in shown(pilot, Events)
        current = pilot.app.screen.query(Reading).first()
        assert current.has_class("-trip")
        await pilot.press("k")
        assert orders() == [Acknowledge()]
        assert "STOPPED" not in shown(pilot, Banner)
        await deliver(pilot, STOPPED)
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()
        assert isinstance(pilot.app.screen, AfterScreen)
        assert "run.parquet" in str(pilot.app.screen.query_one("#where", Static).render())
        assert "over 100.0 A" in str(pilot.app.screen.query_one("#alarms", Static).render())
        await pilot.press("n")
        await pilot.pause()
        assert isinstance(pilot.app.screen, LiveScreen)
        assert desk.planned == [("/dev/ttyX0", "early", "")] * 2


async def test_a_note_is_kept_and_keys_in_it_are_words(desk: TestDesk) -> None:
    async with running(desk, "running") as pilot:
        await pilot.press("n")
        assert isinstance(pilot.app.screen, NoteDialog)
        await pilot.press(*"a r k", "enter")
        assert orders() == [Mark("a r k")]
        await pilot.press("m")
        assert orders()[-1] == Mark("mark 1")


async def test_escape_inside_the_note_stops_and_closes_it(desk: TestDesk) -> None:
    async with running(desk, "running") as pilot:
        await pilot.press("n", "x", "escape")
        assert orders() == [StopRun()]
        assert isinstance(pilot.app.screen, LiveScreen)


async def test_escape_in_the_help_stops_and_closes_it(desk: TestDesk) -> None:
    async with running(desk, "running") as pilot:
        await pilot.press("question_mark")
        assert isinstance(pilot.app.screen, HelpDialog)
        await pilot.press("escape")
        assert orders() == [StopRun()]
        assert isinstance(pilot.app.screen, LiveScreen)


async def test_the_unproven_stop_is_the_loudest(desk: TestDesk) -> None:
    async with running(desk, "unproven") as pilot:
        await deliver(pilot, event(messages.TRIP.text, messages.TRIP, loud=True))
        assert pilot.app.screen.query_one(Banner).has_class("-danger")
        assert "DISCONNECT THE SUPPLY BY HAND" in shown(pilot, Banner)
        await pilot.press("k")
        assert "DISCONNECT THE SUPPLY BY HAND" in shown(pilot, Banner)


@pytest.mark.parametrize(
    ("outcome", "words"),
    [("recorder lost", "BY HAND"), ("stop not seen", "BY HAND"), ("link lost", "board")],
)
async def test_what_ends_badly_is_said_after_the_run_too(
    desk: TestDesk, outcome: str, words: str
) -> None:
    async with running(desk, "running") as pilot:
        await deliver(pilot, Ended(outcome, 4, "the board was reset in mid-run"))
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()
        assert words in shown(pilot, Banner)
        assert "the board was reset" in shown(pilot, Banner)


@pytest.mark.parametrize(
    ("fault", "words", "after"),
    [
        ("reset@0.5", "the board was reset in mid-run", "the board was reset in mid-run"),
        ("silent@0.5", "No line from the board", "DISCONNECT THE SUPPLY BY HAND"),
    ],
)
async def test_a_board_that_fails_in_mid_run(
    tmp_path: Path, fault: str, words: str, after: str
) -> None:
    request = Request(
        setup="early", simulated=True, throttle=("40:60",), soak_s=0.0, folder=tmp_path,
        faults=(fault,), seed=1,
    )  # fmt: skip
    with Desk(request) as real:
        app = StandApp(real, (real.first_port(), "early", ""))
        async with app.run_test(size=(80, 24)) as pilot:
            await reached(app, State.READY)
            await pilot.press("a")
            await reached(app, State.ARMED)
            await pilot.press("r")
            while words not in shown(pilot, Banner):
                await pilot.pause(0.02)
            assert pilot.app.screen.query_one(Banner).has_class("-trip")
            while not isinstance(app.screen, AfterScreen):
                await pilot.pause(0.02)
            await pilot.pause()
            assert after in shown(pilot, Banner)
            assert app.outcomes[-1].exit_code == 4
            assert app.outcomes[-1].capture is not None


async def test_leaving_while_it_turns_asks_once_and_stops_first(desk: TestDesk) -> None:
    async with running(desk, "running") as pilot:
        await pilot.press("q")
        assert isinstance(pilot.app.screen, LeaveDialog)
        await pilot.press("n")
        assert orders() == [] and isinstance(pilot.app.screen, LiveScreen)
        await pilot.press("ctrl+q", "y")
        assert orders() == [StopRun("the operator left")]
        assert pilot.app.is_running
        await deliver(pilot, snapshot("stopping"))
        assert "then leaving" in shown(pilot, Banner)
        await deliver(pilot, Ended("operator", 3, "left"))
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()
        assert not pilot.app.is_running
        assert pilot.app.outcomes[-1].outcome == "operator"  # type: ignore[attr-defined]


async def test_a_board_that_only_talks(desk: TestDesk) -> None:
    listening = {"can_stop": False, "can_throttle": False, "throttle_pct": None}
    async with running(desk, "running", instruction="throttle to 60 %, hold 8 s", **listening) as p:
        assert "NO STOP FROM HERE" in shown(p, Header)
        assert "NEXT, BY HAND: throttle to 60 %, hold 8 s" in shown(p, Banner)
        await p.press("up")
        assert orders() == []
        await p.press("escape")
        assert orders() == [StopRun()]


async def test_throttle_keys_drive_in_steps_and_stay_in_range(desk: TestDesk) -> None:
    async with running(desk, "running", throttle_pct=92.0) as pilot:
        await pilot.press("up", "up", "up", "down")
        percents = [order.percent for order in orders() if isinstance(order, SetThrottle)]
        assert percents == [97.0, 100.0, 100.0, 95.0]


async def test_losses_on_the_link_are_marked(desk: TestDesk) -> None:
    async with running(desk, "running", link=LinkFigures(180.0, 900, 3, 2)) as pilot:
        assert "lost 3 rejected 2" in shown(pilot, Header)


async def test_pausing_the_chart_pauses_nothing_else(desk: TestDesk) -> None:
    async with running(desk, "running") as pilot:
        await pilot.press("p", "z", "c")
        assert pilot.app.screen.query_one(Chart).paused
        await deliver(pilot, snapshot("running", values=(44.4, *messages.RUNNING[1:]), host_s=9.0))
        assert "44.4" in str(pilot.app.screen.query(Reading).first()._texts())
        await pilot.press("escape")
        assert orders() == [StopRun()]


@pytest.mark.parametrize("sizes", [[(200, 60), (80, 24)], [(80, 24), (120, 40)], [(40, 12)]])
async def test_a_resize_loses_nothing_that_matters(
    desk: TestDesk, sizes: list[tuple[int, int]]
) -> None:
    async with running(desk, "running") as pilot:
        for size in sizes:
            await pilot.resize_terminal(*size)
            await deliver(pilot, snapshot("running", host_s=float(sum(size))))
            width, height = size
            for reading in pilot.app.screen.query(Reading):
                region = reading.region
                assert region.x >= 0 and region.right <= width and region.bottom <= height


async def test_the_board_and_the_setup_are_chosen_first(desk: TestDesk) -> None:
    app = StandApp(desk, (None, None, ""))
    async with app.run_test(size=(80, 24)) as pilot:
        assert isinstance(app.screen, BeginScreen)
        await pilot.press("enter")
        assert "needs a name" in str(app.screen.query_one("#complaint", Static).render())
        app.screen.query_one("#setup", Input).value = "late"
        assert app.screen.query_one("#ports", OptionList).option_count == 1
        await pilot.press("f5")
        await pilot.pause()
        assert isinstance(app.screen, LiveScreen)
        assert desk.planned == [("/dev/ttyX0", "late", "")]


BOARDS = [("/dev/ttyX0", "a board"), ("/dev/ttyX1", "another"), ("simulated", "no hardware")]


def chosen(app: StandApp) -> str:
    """The port under the cursor of the begin screen."""
    choices = app.screen.query_one(OptionList)
    assert choices.highlighted is not None
    return str(choices.get_option_at_index(choices.highlighted).prompt).split()[0]


async def over(pilot: Pilot[None]) -> None:
    """The run ends, and its figures are shown."""
    await deliver(pilot, STOPPED)
    await pilot.app.workers.wait_for_complete()
    await pilot.pause()


@pytest.mark.parametrize("port", ["/dev/ttyX1", "simulated", "socket://bench:7000"])
async def test_another_setup_keeps_the_board(desk: TestDesk, port: str) -> None:
    desk.listed = BOARDS
    app = StandApp(desk, (port, "early", ""))
    async with app.run_test(size=(80, 24)) as pilot:
        await over(pilot)
        await pilot.press("b")
        await pilot.pause()
        assert isinstance(app.screen, BeginScreen)
        assert chosen(app) == port
        app.screen.query_one("#setup", Input).value = "late"
        await pilot.press("f6")
        await pilot.pause()
        assert chosen(app) == port
        await pilot.press("enter")
        await pilot.pause()
        assert desk.planned == [(port, "early", ""), (port, "late", "")]


async def test_looking_again_keeps_what_was_chosen(desk: TestDesk) -> None:
    desk.listed = BOARDS
    app = StandApp(desk, (None, None, ""))
    async with app.run_test(size=(80, 24)) as pilot:
        app.screen.query_one(OptionList).focus()
        await pilot.press("down")
        assert chosen(app) == "/dev/ttyX1"
        desk.listed = [("/dev/ttyA0", "plugged in just now"), *BOARDS]
        await pilot.press("f6")
        await pilot.pause()
        assert chosen(app) == "/dev/ttyX1"


async def test_the_simulated_board_stays_the_same(tmp_path: Path) -> None:
    with Desk(Request(simulated=True, folder=tmp_path, seed=1)) as real:
        assert real.setups() == []
        ports = [real.plan(SIMULATED, setup, "").port for setup in ("early", "late")]
    assert ports[0] == ports[1]


async def test_setups_that_are_known_are_proposed(desk: TestDesk) -> None:
    desk.known = ["late timing", "early", "\x1b[2J", "x" * 81]
    app = StandApp(desk, ("/dev/ttyX0", None, ""))
    async with app.run_test(size=(80, 24)) as pilot:
        known = str(app.screen.query_one("#known", Static).render())
        assert known == "Known here: late timing, early (right arrow completes)"
        await pilot.press("L")
        await app.workers.wait_for_complete()
        await pilot.pause()
        await pilot.press("right", "enter")
        await pilot.pause()
        assert desk.planned == [("/dev/ttyX0", "late timing", "")]
        assert not app._notifications


async def test_a_new_setup_is_named_as_new(desk: TestDesk) -> None:
    desk.known = ["early", "late[/]"]
    app = StandApp(desk, ("/dev/ttyX0", "erly", ""))
    async with app.run_test(size=(80, 24)):
        (note,) = app._notifications
        assert note.message == "new setup 'erly' (known here: early, late[/])"


HOSTILE = "\x1b[2J[bold red]x[/] \u202eevil\x07"


async def test_words_from_outside_are_shown_harmlessly(desk: TestDesk) -> None:
    app = StandApp(desk, ("/dev/ttyX0", HOSTILE, ""))
    async with app.run_test(size=(200, 60)) as pilot:
        await deliver(pilot, snapshot("running", board=HOSTILE), event(HOSTILE, loud=True))
        texts = [shown(pilot, Header), shown(pilot, Banner), shown(pilot, Events)]
        await deliver(pilot, Ended("tripped", 3, HOSTILE))
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()
        texts.append(shown(pilot, Banner))
        for text in texts:
            assert not {"\x1b", "\u202e", "\x07"} & set(text)
            assert "[bold red]x" in text
