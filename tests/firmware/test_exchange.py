"""The board answers as the exchange in firmware_protocol.md shows."""

from __future__ import annotations

import re

from rig.protocol.commands import Beat
from rig.protocol.framing import frame
from tests.firmware.simulated import Chip, Host
from tests.protocol import document


def test_it_answers_as_the_document_shows(chip: Chip) -> None:
    host = Host(chip.port)
    boot = host.boot_number()
    host._number = 1000  # unlike those of the document
    for line, board in document.exchange():
        body = line.rpartition("*")[0]
        # The document's boot number is 4711; this board has another each time.
        meant = re.sub(r"^(arm,\d+,.?)(471\d)", lambda m: f"{m[1]}{int(m[2]) - 4711 + boot}", body)
        begin = len(host.heard)
        host.line.write(frame(meant) if body else line.encode() + b"\n")
        # The answer to this comes after whatever the board has to say to the line before.
        assert host.tell(Beat()) == "ok"
        said = [fields for fields in host.heard[begin:] if fields[0] in "AX"][:-1]
        for fields in said:
            if fields[0] == "X":
                fields[1] = "3136500"
        shown = [line.rpartition("*")[0].split(",") for line in board]
        assert said == shown, line
