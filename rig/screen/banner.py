"""The notice, in a box that grows with what is at stake."""

from __future__ import annotations

from rich.text import Text
from textual.widgets import Static

from rig.screen.notice import Notice
from rig.text import plain
from rig.vocabulary import Rank

_TITLES = {Rank.TRIP: "■■■ STOPPED ■■■", Rank.DANGER: "!!! DANGER !!! DANGER !!!"}


class Banner(Static):
    """Words and shape carry it; the colour only helps."""

    def __init__(self) -> None:
        super().__init__()
        self._notice: Notice | None = None

    def show(self, notice: Notice) -> None:
        """Take a notice."""
        if notice == self._notice:
            return
        self._notice = notice
        for rank in Rank:
            self.set_class(rank == notice.rank, f"-{rank}")
        self.border_title = _TITLES.get(notice.rank, "")
        lines = [plain(line) for line in notice.lines]
        if notice.rank == Rank.WARNING:
            lines[0] = f"▲ {lines[0]}"
        if notice.rank == Rank.DANGER:
            lines = [f"!!! {line} !!!" for line in lines]
        self.update(Text("\n".join(lines)))
