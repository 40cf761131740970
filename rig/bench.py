"""One run on the bench, from the request to the outcome: board, plan, recorder, capture."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from rig import headless
from rig.errors import SettingsError
from rig.headless import Outcome
from rig.plans import default_folder, find_stand, plan_run
from rig.simulator.faults import parse_fault
from rig.simulator.handle import SimulatedBoard
from rig.stand.model import Stand
from rig.stand.settings import demo_stand, load_stand


@dataclass(frozen=True, slots=True)
class Request:
    """What the operator asked for."""

    setup: str
    port: str | None = None
    simulated: bool = False
    stand: Path | None = None
    seconds: float | None = None
    throttle: tuple[str, ...] = ()
    soak_s: float = 20.0
    notes: str = ""
    folder: Path | None = None
    timing_deg: float | None = None
    seed: int | None = None
    faults: tuple[str, ...] = ()


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
    if request.simulated and request.port:
        raise SettingsError("choose one of --port and --simulated", where="rig run")
    if (request.faults or request.timing_deg is not None) and not request.simulated:
        raise SettingsError("--fault and --timing are for --simulated", where="rig run")
    if request.seconds is None and not request.throttle:
        raise SettingsError(
            "a run without a screen must know when it ends",
            where="rig run",
            to_do="Give --seconds, or --throttle steps such as 40:5,80:10.",
        )
    stand = stand or _stand(request)
    board = SimulatedBoard(board_options(request)) if request.simulated else None
    with board or nullcontext():
        port = board.url if board else request.port or stand.port
        if port is None:
            raise SettingsError(
                "no port is named",
                where="rig run",
                to_do="Give --port, or `port` in stand.toml; `rig ports` lists them.",
            )
        plan = plan_run(
            stand,
            port,
            folder=request.folder or default_folder(),
            setup=request.setup,
            seconds=request.seconds,
            throttle=request.throttle,
            soak_s=request.soak_s,
            notes=request.notes,
        )
        return headless.run(plan, live_line=live_line, out=out)


def board_options(request: Request) -> list[str]:
    """The options of `rig simulate` that serve this request. Raises SettingsError."""
    for fault in request.faults:
        parse_fault(fault)
    options = [f"--fault={fault}" for fault in request.faults]
    if request.timing_deg is not None:
        options.append(f"--timing={request.timing_deg:g}")
    if request.seed is not None:
        options.append(f"--seed={request.seed}")
    return options


def _stand(request: Request) -> Stand:
    if request.simulated and request.stand is None:
        return demo_stand()
    return load_stand(find_stand(request.stand))
