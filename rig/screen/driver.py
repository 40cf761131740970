"""The terminal's keys, read so that Escape arrives at once, whatever the terminal shows.

A lone Escape looks like the beginning of another key until nothing follows. Textual's own
driver looks only ten times a second whether something has followed, which would keep a stop
waiting for 100 ms. And it waits for a slow terminal to take each picture, for which time no key
is heard: 11 s were seen at 960 bytes a second. Here a picture is made only when the terminal has
taken the one before.
"""

from __future__ import annotations

import os
import select
import sys
from codecs import getincrementaldecoder
from contextlib import ExitStack, suppress
from threading import RLock

from textual._xterm_parser import XTermParser
from textual.app import ScreenStackError
from textual.drivers.linux_driver import LinuxDriver

from rig.screen.unblocked import Unblocked

LOOK_EVERY_S = 0.005


class PromptDriver(LinuxDriver):
    """Textual's driver for Linux and macOS, with a wait and a way of writing of its own."""

    _terminal: Unblocked | None = None

    def start_application_mode(self) -> None:
        """Take over the terminal."""
        self._terminal = Unblocked(sys.__stderr__.fileno() if sys.__stderr__ else 2)
        self._lock = RLock()  # the input thread writes too, and a signal may come at any moment
        self._held = ExitStack()
        super().start_application_mode()  # type: ignore[no-untyped-call]

    def write(self, data: str) -> None:
        """Send `data`, without waiting; while the terminal is behind, no picture is made."""
        with self._lock:
            if self._terminal is None:
                return
            was_behind = self._terminal.is_behind
            self._terminal.write(data.encode("utf-8", "replace"))
            if self._terminal.is_behind and not was_behind:
                self._loop.call_soon_threadsafe(self._hold)

    def stop_application_mode(self) -> None:
        """Restore the terminal; the end of a picture does not stand in the way."""
        self._release()
        with self._lock:
            if self._terminal is not None:
                self._terminal.drop()
        super().stop_application_mode()

    def close(self) -> None:
        """Let the terminal go, after a short time in any case."""
        super().close()
        self._release()
        with self._lock:
            if self._terminal is not None:
                self._terminal.close()
            self._terminal = None

    def _hold(self) -> None:
        if self._terminal is not None:
            self._held.enter_context(self._app.batch_update())
            self._loop.add_writer(self._terminal.descriptor, self._catch_up)

    def _catch_up(self) -> None:
        with self._lock:
            if self._terminal is None:
                return
            self._terminal.send()
            is_behind = self._terminal.is_behind
        if not is_behind:
            self._release()
            with suppress(ScreenStackError):  # there may be no screen yet
                self._app.screen.check_idle()

    def _release(self) -> None:
        if self._terminal is not None:
            self._loop.remove_writer(self._terminal.descriptor)
        self._held.close()

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
