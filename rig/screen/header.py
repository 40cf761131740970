"""The two lines on top: where the run stands, and how board and link are doing."""

from __future__ import annotations

import math

from rich.text import Text
from textual.widget import Widget

from rig.recorder.messages import Plan, Snapshot
from rig.screen.notice import STATE_WORDS
from rig.text import plain
from rig.vocabulary import State

SHOW_EVERY_S = 0.2


class Header(Widget):
    """State, elapsed time, setup and run; link, board, energy."""

    def __init__(self) -> None:
        super().__init__()
        self._text = Text()
        self._state: State | None = None
        self._shown_s = -math.inf

    def show(self, snapshot: Snapshot, plan: Plan) -> None:
        """Take a snapshot."""
        state = State(snapshot.state)
        if state == self._state and abs(snapshot.host_s - self._shown_s) < SHOW_EVERY_S:
            return
        self._state, self._shown_s = state, snapshot.host_s
        text = Text(no_wrap=True, overflow="ellipsis")
        text.append(f" {STATE_WORDS[state]} ", "reverse bold")
        text.append(f" {snapshot.elapsed_s:6.1f} s ", "bold")
        setup = plain(str(plan.beginning.get("setup", "")))
        text.append(f" {shortened(setup, 24)}, run {plan.beginning.get('run', '-')}")
        text.append(f"  {shortened(plain(plan.stand.name), 24)}", "dim")
        text.append("\n")
        text.append(_can_stop(snapshot), "bold")
        link = snapshot.link
        text.append(f"  {link.lines_per_s:4.0f} lines/s")
        lost = f" lost {link.lost} rejected {link.rejected}"
        text.append(lost, "bold reverse" if link.lost or link.rejected else "")
        text.append(f"  {snapshot.charge_ah:.3f} Ah {snapshot.energy_wh:.2f} Wh")
        if snapshot.throttle_pct is not None:
            text.append(f"  throttle {snapshot.throttle_pct:.0f} %", "bold")
        text.append(f"  {shortened(plain(snapshot.board), 24)}", "dim")
        if text != self._text:
            self._text = text
            self.refresh()

    def render(self) -> Text:
        """Both lines."""
        return self._text


def _can_stop(snapshot: Snapshot) -> str:
    if not snapshot.board:
        return "no board yet"
    return "Esc stops it" if snapshot.can_stop else "NO STOP FROM HERE, ONLY YOUR HAND"


def shortened(words: str, longest: int) -> str:
    """`words`, on one line, cut with a mark where they are longer."""
    words = words.replace("\n", " ")
    return words if len(words) <= longest else f"{words[: longest - 1]}…"
