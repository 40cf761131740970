"""The frame: checksum against the catalogue, length and characters at their edges."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.protocol.framing import LONGEST_LINE, Fault, checksum, frame, unframe
from tests.protocol.strategies import PRINTABLE


def bitwise(data: bytes, register: int = 0xFFFF) -> int:
    """The checksum by the definition, one bit at a time: polynomial x16 + x12 + x5 + 1."""
    for byte in data:
        for place in range(7, -1, -1):
            carry = (register >> 15) ^ (byte >> place & 1)
            register = (register << 1 & 0xFFFF) ^ (0x1021 if carry else 0)
    return register


# The first is the check value of CRC-16/IBM-3740 in the CRC RevEng catalogue. The next three
# are from Geluso's note "CRC16-CCITT" (its authorship from memory). The rest were computed.
@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"123456789", 0x29B1),
        (b"A", 0xB915),
        (b"A" * 256, 0xEA0B),
        (b"", 0xFFFF),
        (b"T", 0xFB81),
        (bytes(1), 0xE1F0),
        (bytes(4), 0x84C0),
        (b"\xff" * 4, 0x1D0F),
        (bytes(range(256)), 0x3FBD),
    ],
)
def test_check_values(data: bytes, told: int) -> None:
    assert checksum(data) == bitwise(data) == told


@given(st.binary(max_size=200))
def test_checksum_is_the_polynomial_and_leaves_no_residue(data: bytes) -> None:
    assert checksum(data) == bitwise(data)
    assert checksum(data + checksum(data).to_bytes(2, "big")) == 0


@given(st.text(PRINTABLE, max_size=LONGEST_LINE - 5))
def test_any_printable_body_comes_back(body: str) -> None:
    assert unframe(frame(body)[:-1]) == body.encode("ascii")


@given(st.text(PRINTABLE, max_size=60), st.data())
def test_every_change_of_up_to_16_neighbouring_bits_is_noticed(
    body: str, data: st.DataObject
) -> None:
    """What a 16-bit CRC promises: no burst of 16 bits or fewer passes."""
    line = int.from_bytes(body.encode() + checksum(body.encode()).to_bytes(2, "big"), "big")
    bits = 8 * len(body) + 16
    burst = data.draw(st.integers(1, 0xFFFF)) << data.draw(st.integers(0, bits - 16))
    assert checksum((line ^ burst).to_bytes(bits // 8, "big")) != 0


@pytest.mark.parametrize("body", ["D,1\n", "D,\x00", "D,\x7f", "\t", "\r"])
def test_what_could_not_be_read_back_is_not_framed(body: str) -> None:
    with pytest.raises(ValueError, match="printable"):
        frame(body)


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        (b"", Fault.FRAMING),
        (b"*FFF", Fault.FRAMING),
        (b"D,1,2", Fault.FRAMING),
        (b"A29B1", Fault.FRAMING),
        (b"A*B91", Fault.FRAMING),
        (b"A*B91G", Fault.FRAMING),
        (b"A*+915", Fault.FRAMING),
        (b"A* 915", Fault.FRAMING),
        (b"A*B915 ", Fault.FRAMING),
        (b"A*B914", Fault.CHECKSUM),
        (b"A\r*B915", Fault.CHARACTERS),
        (b"\xc1*B915", Fault.CHARACTERS),
        (b"A\x00*B915", Fault.CHARACTERS),
        (b"x" * 121, Fault.LENGTH),
    ],
)
def test_why_a_line_is_rejected(line: bytes, fault: Fault) -> None:
    assert unframe(line) is fault


def test_a_checksum_in_small_letters_is_accepted() -> None:
    assert unframe(b"A*b915") == b"A"


def test_120_bytes_pass_and_121_do_not() -> None:
    assert unframe(frame("x" * 115)[:-1]) == b"x" * 115
    assert unframe(frame("x" * 116)[:-1]) is Fault.LENGTH
