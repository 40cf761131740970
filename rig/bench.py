"""A request for runs on the bench, carried out: with a screen, or one run without."""

from __future__ import annotations

import io
import os
import secrets
import signal
import sys
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TextIO

from rig import headless, virtual
from rig.captures.description import checked_notes, checked_setup, parse_pairs
from rig.captures.listing import known_setups
from rig.errors import SettingsError
from rig.headless import Outcome
from rig.plans import default_folder, find_stand, new_setup_line, plan_run, throttle_steps
from rig.recorder.messages import Ended, Plan
from rig.recorder.ports import list_ports
from rig.simulator.__main__ import parser, settings_of
from rig.simulator.board import Board
from rig.simulator.day import plant_for
from rig.simulator.faults import parse_fault
from rig.simulator.handle import SimulatedBoard
from rig.stand.model import Stand
from rig.stand.settings import demo_stand, load_stand
from rig.text import plain

TELL_ESCAPE_WITHIN_MS = 15


@dataclass(frozen=True, slots=True)
class Request:
    """What the operator asked for."""

    setup: str | None = None
    port: str | None = None
    simulated: bool = False
    stand: Path | None = None
    seconds: float | None = None
    throttle: tuple[str, ...] = ()
    soak_s: float = 20.0
    notes: str = ""
    pairs: tuple[str, ...] = ()
    """As typed, KEY=VALUE."""
    folder: Path | None = None
    timing_deg: float | None = None
    seed: int | None = None
    """Of the simulated board; a new one where None."""
    faults: tuple[str, ...] = ()
    zero: bool = False
    """Take zeros before the run is armed."""
    fast: bool = False
    """Simulated, and in a time of its own: as fast as the computer can."""


def run_once(
    request: Request,
    *,
    stand: Stand | None = None,
    live_line: bool = False,
    out: TextIO = sys.stderr,
) -> Outcome:
    """Carry out one run without a screen.

    Raises RigError for what can be known to be wrong before the board is spoken to.
    """
    _refuse_contradictions(request)
    request = _seeded(request)
    if request.setup is None:
        raise SettingsError(
            "a run without a screen needs --setup NAME: what is being tried", where="rig run"
        )
    if request.seconds is None and not request.throttle:
        raise SettingsError(
            "a run without a screen must know when it ends",
            where="rig run",
            to_do="Give --seconds, or --throttle steps such as 40:5,80:10.",
        )
    folder = request.folder or default_folder()
    words = new_setup_line(checked_setup(request.setup), known_setups(folder))
    if words:
        print(plain(words), file=out)
    stand = stand or _stand(request)
    if request.fast:
        return virtual.run(
            _plan(request, stand, "simulated"), _board(request, stand), live_line=live_line, out=out
        )
    board = SimulatedBoard(board_options(request, stand)) if request.simulated else None
    with board or nullcontext():
        port = board.url if board else request.port or stand.port
        if port is None:
            raise SettingsError(
                "no port is named",
                where="rig run",
                to_do="Give --port, or `port` in stand.toml; `rig ports` lists them.",
            )
        return headless.run(_plan(request, stand, port), live_line=live_line, out=out)


def _plan(request: Request, stand: Stand, port: str) -> Plan:
    return plan_run(
        stand,
        port,
        folder=request.folder or default_folder(),
        setup=request.setup or "",
        seconds=request.seconds,
        throttle=request.throttle,
        soak_s=request.soak_s,
        notes=request.notes,
        pairs=request.pairs,
        zero=request.zero,
        seed=request.seed if request.simulated else None,
    )


def _board(request: Request, stand: Stand) -> Board:
    """The board that `rig simulate` would serve for this request."""
    settings = settings_of(parser().parse_args(board_options(request, stand)))
    return Board(plant_for(settings), settings)


def on_screen(request: Request) -> Outcome | None:
    """Runs on the live screen, as many as the operator likes; the last one's outcome.

    Raises RigError for what can be known to be wrong before the screen is drawn.
    """
    # Textual reads this once, when it is imported: so long it waits to tell Escape, which
    # stops the motor, from the beginning of another key. Its own 100 ms are too long.
    os.environ.setdefault("ESCDELAY", str(TELL_ESCAPE_WITHIN_MS))
    from rig.screen.app import StandApp

    if hasattr(signal, "SIGHUP"):
        # Whoever started us may have it ignored; but a screen nobody sees must not go on.
        signal.signal(signal.SIGHUP, signal.SIG_DFL)
    _refuse_contradictions(request)
    board_options(request)
    throttle_steps(request.throttle, request.seconds)
    checked_notes(request.notes)
    parse_pairs(request.pairs)
    if request.setup is not None:
        checked_setup(request.setup)
    with Desk(request) as desk:
        app = StandApp(desk, (desk.first_port(), request.setup, request.notes))
        app.run()
    return app.outcomes[-1] if app.outcomes else None


SIMULATED = "simulated"


class Desk:
    """What the screen asks of the rest of the program. Holds the simulated board, if any."""

    def __init__(self, request: Request) -> None:
        """Raises SettingsError for a stand that cannot be read."""
        self._request = _seeded(request)
        self._given = load_stand(request.stand) if request.stand is not None else None
        self._board: SimulatedBoard | None = None

    def __enter__(self) -> Desk:
        return self

    def __exit__(self, *_: object) -> None:
        if self._board is not None:
            self._board.close()

    def first_port(self) -> str | None:
        """The port that the request or the stand names."""
        if self._request.simulated:
            return SIMULATED
        return self._request.port or (self._given.port if self._given else None)

    def ports(self) -> list[tuple[str, str]]:
        """The serial ports, and the simulated board."""
        found = [(p["port"], p["description"]) for p in list_ports()]
        return [*found, (SIMULATED, "a board of the Marram stand, without hardware")]

    def setups(self) -> list[str]:
        """The setups that the folder knows, newest first."""
        return known_setups(self._request.folder or default_folder())

    def plan(self, port: str, setup: str, notes: str) -> Plan:
        """A plan for an operator who arms and starts by hand. Raises RigError."""
        request = self._request
        stand = self._given
        if stand is None:
            stand = demo_stand() if port == SIMULATED else load_stand(find_stand(None))
        simulated = port == SIMULATED
        if simulated:
            if self._board is None:
                self._board = SimulatedBoard(board_options(request, stand))
            port = self._board.url
        return plan_run(
            stand,
            port,
            folder=request.folder or default_folder(),
            setup=setup,
            seconds=request.seconds,
            throttle=request.throttle,
            soak_s=request.soak_s,
            notes=notes,
            pairs=request.pairs,
            automatic=False,
            zero=request.zero,
            seed=request.seed if simulated else None,
        )

    def conclude(self, plan: Plan, ended: Ended) -> Outcome:  # noqa: ARG002 - for other desks
        """Make the capture; what goes wrong is in the outcome."""
        return headless.conclude(ended, out=io.StringIO())

    def figures(self, capture: Path) -> list[tuple[str, str]]:
        """The run's figures as a person reads them. Raises InputFileError."""
        from rig import review
        from rig.analysis.steps import step_words
        from rig.report.words import in_short, number, quantity_name, rising_mark

        shown = review.show(capture)
        step = [("Figures of", step_words([shown.run]))] if len(shown.run.steps) > 1 else []
        return step + [
            (
                quantity_name(column) + rising_mark(column, shown.run.still_rising),
                number(value, column),
            )
            for column, value in in_short(shown.figures).items()
        ]


def _refuse_contradictions(request: Request) -> None:
    if request.simulated and request.port:
        raise SettingsError("choose one of --port and --simulated", where="rig run")
    if request.fast and not request.simulated:
        raise SettingsError(
            "--fast is for --simulated: a real motor keeps real time", where="rig run"
        )
    of_the_board = request.faults or request.timing_deg is not None or request.seed is not None
    if of_the_board and not request.simulated:
        raise SettingsError("--fault, --timing and --seed are for --simulated", where="rig run")


def _seeded(request: Request) -> Request:
    """With a seed of its own, so that no run repeats the noise of another one."""
    return request if request.seed is not None else replace(request, seed=secrets.randbelow(10**6))


def board_options(request: Request, stand: Stand | None = None) -> list[str]:
    """The options of `rig simulate` that serve this request. Raises SettingsError.

    The board measures its reference where `stand` asks for that.
    """
    for fault in request.faults:
        parse_fault(fault)
    options = [f"--fault={fault}" for fault in request.faults]
    if request.timing_deg is not None:
        options.append(f"--timing={request.timing_deg:g}")
    if request.seed is not None:
        options.append(f"--seed={request.seed}")
    if stand is not None and stand.reference is not None:
        options.append("--reference")
    return options


def _stand(request: Request) -> Stand:
    if request.simulated and request.stand is None:
        return demo_stand()
    return load_stand(find_stand(request.stand))
