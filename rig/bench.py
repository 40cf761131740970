"""A request for runs on the bench, carried out: with a screen, or one run without."""

from __future__ import annotations

import io
import os
import secrets
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
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
from rig.simulator.day import plant_for, supply_warning
from rig.simulator.process import SimulatedBoard
from rig.simulator.settings import Settings
from rig.stand.model import Stand
from rig.stand.settings import demo_stand, load_stand
from rig.stop_proof import SIMULATED, for_run, warning
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
    motor: Path | None = None
    """Simulated: the file of the motor, its rotor and its supply."""
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
    refuse_contradictions(request, "rig run")
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
    stand = stand or stand_of(request)
    if request.simulated and (clipped := supply_warning(board_settings(request))):
        print(plain(clipped), file=out)
    if request.fast:
        plan = _plan(request, stand, SIMULATED)
        _say_first(plan, words, out)
        return virtual.run(plan, near_board(request), live_line=live_line, out=out)
    with port_of(request, stand, "rig run") as port:
        plan = _plan(request, stand, port)
        _say_first(plan, words, out)
        return headless.run(plan, live_line=live_line, out=out)


@contextmanager
def port_of(request: Request, stand: Stand, command: str) -> Iterator[str]:
    """The port that is asked for; a simulated board is there for as long. Raises SettingsError."""
    board = SimulatedBoard(board_options(request)) if request.simulated else None
    with board or nullcontext():
        port = board.url if board else request.port or stand.port
        if port is None:
            raise SettingsError(
                "no port is named",
                where=command,
                to_do="Give --port, or `port` in stand.toml; `rig ports` lists them.",
            )
        yield port


def _say_first(plan: Plan, words: str, out: TextIO) -> None:
    """Whether the stop is proven comes before everything else."""
    for line in filter(None, (warning(plan.beginning.get("stop_proof")), words)):
        print(plain(line), file=out)


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
        stop_proof=for_run(stand, port, simulated=request.simulated),
    )


def near_board(request: Request) -> Board:
    """The board that `rig simulate` would serve for this request."""
    settings = board_settings(request)
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
    refuse_contradictions(request, "rig run")
    if request.simulated and (words := supply_warning(board_settings(request))):
        print(plain(words), file=sys.stderr)
    throttle_steps(request.throttle, request.seconds)
    checked_notes(request.notes)
    parse_pairs(request.pairs)
    if request.setup is not None:
        checked_setup(request.setup)
    with Desk(request) as desk:
        app = StandApp(desk, (desk.first_port(), request.setup, request.notes))
        app.run()
    return app.outcomes[-1] if app.outcomes else None


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
        stand = self._given or demo_stand()
        return [*found, (SIMULATED, f"a board for {stand.name}, without hardware")]

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
                board_settings(request)
                self._board = SimulatedBoard(board_options(request))
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
            stop_proof=for_run(stand, port, simulated=simulated),
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


def refuse_contradictions(request: Request, command: str) -> None:
    """Raise SettingsError for options of `command` that do not go together."""
    if request.simulated and request.port:
        raise SettingsError("choose one of --port and --simulated", where=command)
    if request.fast and not request.simulated:
        raise SettingsError(
            "--fast is for --simulated: a real motor keeps real time", where=command
        )
    given = (request.motor, request.timing_deg, request.seed)
    if not request.simulated and (request.faults or any(value is not None for value in given)):
        raise SettingsError(
            "--fault, --motor, --timing and --seed are for --simulated", where=command
        )


def _seeded(request: Request) -> Request:
    """With a seed of its own, so that no run repeats the noise of another one."""
    return request if request.seed is not None else replace(request, seed=secrets.randbelow(10**6))


def board_options(request: Request) -> list[str]:
    """The options of `rig simulate` that serve this request."""
    options = [f"--fault={fault}" for fault in request.faults]
    for name in ("stand", "motor", "seed"):
        value = getattr(request, name)
        if value is not None:
            options.append(f"--{name}={value}")
    if request.timing_deg is not None:
        options.append(f"--timing={request.timing_deg:g}")
    return options


def board_settings(request: Request) -> Settings:
    """The board that serves this request. Raises SettingsError with every mistake, which a
    process of its own could not tell as well."""
    return settings_of(parser().parse_args(board_options(request)))


def stand_of(request: Request) -> Stand:
    """The stand that is asked for. Raises SettingsError."""
    if request.simulated and request.stand is None:
        return demo_stand()
    return load_stand(find_stand(request.stand))
