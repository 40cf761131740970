"""The terminal's keys, read so that Escape arrives at once.

A lone Escape looks like the beginning of another key until nothing follows. Textual's own
driver looks only ten times a second whether something has followed, which would keep a stop
waiting for 100 ms.
"""

from __future__ import annotations

import os
import select
from codecs import getincrementaldecoder

from textual._xterm_parser import XTermParser
from textual.drivers.linux_driver import LinuxDriver

LOOK_EVERY_S = 0.005


class PromptDriver(LinuxDriver):
    """Textual's driver for Linux and macOS, with a wait of its own."""

    def run_input_thread(self) -> None:
        """Pass on keys until the program ends, or its terminal does."""
        parser = XTermParser()
        decode = getincrementaldecoder("utf-8")("replace").decode
        while not self.exit_event.is_set():
            if select.select([self.fileno], [], [], LOOK_EVERY_S)[0]:
                try:
                    data = os.read(self.fileno, 4096)
                except OSError:
                    data = b""
                if not data:
                    self._app.call_later(self._app.exit)
                    return
                for message in parser.feed(decode(data)):
                    self.process_message(message)
            for message in parser.tick():
                self.process_message(message)
