"""A board on a port, and the rules of firmware_protocol.md."""

from __future__ import annotations

import time
from collections.abc import Iterator

from rig.conformance.host import Host
from rig.conformance.rules import Finding, verify
from rig.errors import LINK_LOST, LinkError
from rig.recorder.holding import held
from rig.recorder.link import Link

CAUTION = (
    "This arms the board and lets it cut, again and again. Take the motor's supply off first: "
    "a board that breaks a rule may drive it."
)


class _Port:
    """A port and the host's clock."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self.now_s = time.monotonic

    def read(self, wait_s: float) -> bytes:
        return self._link.read(wait_s)

    def write(self, data: bytes) -> None:
        if not self._link.write(data):
            raise OSError("the board does not take what is sent")


def verify_board(port: str, baud: int, *, turning: bool = False) -> Iterator[Finding]:
    """Play through the rules on `port`. Raises LinkError when it is or becomes unusable."""
    with held(port, "rig verify-board"):
        link = Link(port, baud)
        try:
            yield from verify(Host(_Port(link), turning=turning))
        except OSError as error:
            lost = LinkError(
                f"the port is gone: {error}", where=port, to_do="Check cable and board, then again."
            )
            lost.exit_code = LINK_LOST
            raise lost from error
        finally:
            link.close()
