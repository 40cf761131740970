"""How a line is built and taken apart: printable ASCII, `*`, four hex digits of CRC-16.

Both directions of the wire and the journal share this one framing (firmware_protocol.md,
"Framing").
"""

from __future__ import annotations

from binascii import crc_hqx
from enum import StrEnum

LONGEST_LINE = 120
"""Most bytes in a line on the wire, checksum included, line ending not."""

LONGEST_REMARK = 65536
"""Most bytes in a host remark; remarks live in journals and never cross the wire."""

CHECKSUM_LENGTH = 5
"""`*` and four hex digits."""

HEX_DIGITS = b"0123456789abcdefABCDEF"


class Fault(StrEnum):
    """Why a line was rejected. The words are counted, kept in captures and shown."""

    LENGTH = "longer than a line may be"
    CHARACTERS = "not printable ASCII"
    FRAMING = "no checksum at its end"
    CHECKSUM = "checksum does not match"
    FIELDS = "fields missing, surplus or out of range"
    DIRECTION = "a record the board may not send"


def checksum(body: bytes) -> int:
    """CRC-16, polynomial 0x1021, initial value 0xFFFF, not reflected, over `body`.

    Listed as CRC-16/IBM-3740 in the CRC RevEng catalogue; check value 0x29B1.
    """
    return crc_hqx(body, 0xFFFF)


def frame(body: str) -> bytes:
    """The whole line for `body`: checksum and line feed added.

    Raises ValueError for a body that could not be read back: not printable ASCII.
    """
    raw = body.encode("ascii")
    if not is_printable(raw):
        raise ValueError(f"not printable ASCII: {body!r}")
    return b"%s*%04X\n" % (raw, checksum(raw))


def unframe(line: bytes, longest: int = LONGEST_LINE) -> bytes | Fault:
    """The body of `line` (given without its line ending), or why it is rejected."""
    if len(line) > longest:
        return Fault.LENGTH
    if not is_printable(line):
        return Fault.CHARACTERS
    body, tail = line[:-CHECKSUM_LENGTH], line[-CHECKSUM_LENGTH:]
    if len(tail) < CHECKSUM_LENGTH or tail[:1] != b"*" or tail[1:].strip(HEX_DIGITS):
        return Fault.FRAMING
    if int(tail[1:], 16) != checksum(body):
        return Fault.CHECKSUM
    return body


def is_printable(line: bytes) -> bool:
    """Whether every byte is in 0x20 to 0x7E."""
    return line.isascii() and line.decode("ascii").isprintable()
