"""A board that is never armed: what its inputs read at rest, and what of that is not right.

The recorder's own session links and listens, so that this finds what a run would find.
"""

from __future__ import annotations

import io
import math
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Protocol

from rig import bench
from rig.errors import DONE, LinkError
from rig.headless import Printer
from rig.recorder.before_arming import not_armed
from rig.recorder.holding import held
from rig.recorder.link import Link
from rig.recorder.messages import Ended, Plan
from rig.recorder.session import Session
from rig.report.document import Column, Table
from rig.report.terminal import print_blocks
from rig.stand.at_rest import AtRest
from rig.stand.findings import REFUSE, Finding
from rig.stand.model import Stand
from rig.stand.quantities import label_of, places_of, unit_of
from rig.stand.resting import judge
from rig.text import plain
from rig.virtual import VirtualStand

READ_S = 0.01
HEADS = ("reads", "+- U", "noise", "lowest", "highest", "left", "of scale")


class Port(Protocol):
    """What is looked through."""

    def read(self, wait_s: float) -> bytes:
        """What has come, after at most `wait_s` of waiting for the first byte."""

    def write(self, data: bytes) -> object:
        """Send `data`."""


@dataclass(frozen=True)
class Checked:
    """What was found."""

    rest: AtRest
    findings: tuple[Finding, ...]

    @property
    def refusal(self) -> Ended | None:
        """How a run of this stand would end before it arms, if so."""
        return not_armed(self.findings)

    @property
    def exit_code(self) -> int:
        """0 unless a run would be refused; then that of the run."""
        return self.refusal.exit_code if self.refusal else DONE

    def as_dict(self) -> dict[str, Any]:
        """For --json. Quantities are in the unit of their column."""
        inputs = [asdict(found) for found in self.rest.inputs.values()]
        return {
            "board": self.rest.hello.board,
            "lines": len(self.rest.lines),
            "edges": self.rest.edges,
            "inputs": [{name: _known(value) for name, value in row.items()} for row in inputs],
            "findings": [
                {"severity": f.severity, "about": f.about, "read": f.read, "look_at": f.look_at}
                for f in self.findings
            ],
            "exit_code": self.exit_code,
        }

    def print(self) -> None:
        """The table, then the findings."""
        rest = self.rest
        columns = (Column("input"), *(Column(head, "number") for head in HEADS))
        rows = tuple(tuple(_row(each)) for each in rest.inputs.values())
        print_blocks([Table(columns, rows, f"{rest.hello.board}, at rest")])
        print(f"{len(rest.lines)} lines in {rest.span_s:.2f} s; {rest.edges} edges")
        for finding in self.findings:
            mark = "WILL NOT ARM" if finding.severity == REFUSE else "note"
            print(plain(f"{mark}: {finding.sentence}"))
        if not self.findings:
            print("Nothing found at rest. `rig check --turn` looks at the stand while it turns.")


def check_at_rest(request: bench.Request) -> Checked:
    """Look at the stand that `request` names. Raises RigError."""
    bench.refuse_contradictions(request, "rig check")
    stand = bench.stand_of(request)
    if request.fast:
        board = bench.near_board(request)
        virtual = VirtualStand(board, Printer(io.StringIO(), False, lambda _: None))
        return looked_at(stand, "simulated", virtual, lambda: virtual.now_s)
    with bench.port_of(request, stand, "rig check") as port, held(port, "rig check"):
        link = Link(port, stand.baud)
        try:
            return looked_at(stand, port, link, time.monotonic)
        except OSError as error:
            raise LinkError(
                f"the port is gone: {error}", where=port, to_do="Check cable and board, then again."
            ) from error
        finally:
            link.close()


def looked_at(stand: Stand, name: str, port: Port, clock: Callable[[], float]) -> Checked:
    """Listen to `port` until the stand is known at rest. Sends nothing but the wish for a hello.

    Raises LinkError, with the exit code of a run, where it does not become known.
    """
    plan = Plan(stand, name, Path("none"), {}, automatic=False)

    def send(data: bytes) -> None:
        port.write(data)

    session = Session(plan, clock(), send=send, keep=lambda _: None, tell=lambda _: None)
    while session.ended is None:
        data = port.read(READ_S)
        now_s = clock()
        if data:
            session.on_bytes(data, now_s)
        session.on_time(now_s)
        if (rest := session.at_rest(now_s)) is not None:
            return Checked(rest, judge(rest))
    error = LinkError(session.ended.cause, where=name, to_do=session.ended.to_do)
    error.exit_code = session.ended.exit_code
    raise error


def _row(found: Any) -> list[str]:
    unit, places = unit_of(found.column), places_of(found.column)

    def amount(value: float, more: int = 0) -> str:
        return "---" if math.isnan(value) else f"{value:.{places + more}f} {unit}"

    left = "---" if math.isnan(found.place) else f"{100 * found.place:.0f} %"
    return [
        label_of(found.column),
        amount(found.reading),
        amount(2 * found.u),
        amount(found.noise, 1),
        amount(found.lowest),
        amount(found.highest),
        amount(found.highest - found.reading),
        left,
    ]


def _known(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value
