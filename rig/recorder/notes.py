"""What a session writes down and says: remarks into the journal, events to the operator."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from rig.protocol.framing import frame
from rig.protocol.records import Remark
from rig.recorder.messages import Event
from rig.stand.limits import Alarm
from rig.vocabulary import Severity


class Notes:
    """The session's pen and its voice. Times are the host's, counted from `began_s`."""

    def __init__(
        self, keep: Callable[[bytes], None], tell: Callable[[Event], None], began_s: float
    ) -> None:
        self._keep, self._tell, self._began_s = keep, tell, began_s

    def remark(self, kind: str, content: dict[str, Any], now_s: float) -> None:
        """Put a line of the host's own into the journal."""
        self._keep(frame(Remark(kind, now_s - self._began_s, content).body()))

    def say(self, text: str, now_s: float, *, loud: bool = False) -> None:
        """Tell the operator, and keep what was said."""
        self.remark("mark", {"text": text}, now_s)
        self._tell(Event(now_s - self._began_s, text, loud=loud))

    def report(self, alarm: Alarm, state: str, now_s: float) -> None:
        """An alarm: into the journal, and to the operator."""
        content = {
            "severity": alarm.severity,
            "quantity": alarm.quantity,
            "cause": alarm.cause,
            "value": _finite(alarm.value),
            "limit": _finite(alarm.limit),
            "text": alarm.text,
            "time_s": alarm.time_s,
            "state": state,
        }
        self.remark("alarm", content, now_s)
        event = Event(
            now_s - self._began_s, alarm.text, alarm, loud=alarm.severity == Severity.TRIP
        )
        self._tell(event)


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
