"""Records, commands and damaged lines for Hypothesis to draw from."""

from __future__ import annotations

import string
from itertools import pairwise

from hypothesis import strategies as st

from rig.protocol import commands
from rig.protocol.framing import LONGEST_LINE, checksum, frame
from rig.protocol.records import Answer, Channel, Cut, Data, Hello, Remark

PRINTABLE = "".join(map(chr, range(0x20, 0x7F)))
texts = st.text(PRINTABLE.replace(",", "").replace("*", ""), min_size=1, max_size=24)
abilities = st.frozensets(st.sampled_from(string.ascii_uppercase), max_size=16)
word16 = st.integers(0, 2**16 - 1)
word32 = st.integers(0, 2**32 - 1)
count32 = st.integers(-(2**31), 2**31 - 1)


@st.composite
def channels(draw: st.DrawFn) -> Channel:
    """A channel whose summed counts fit in 32 bits, as `Channel.parse` demands."""
    scale = draw(st.integers(2, 2**31))
    conversions = draw(st.integers(1, min(65535, 2**31 // scale)))
    able = draw(abilities)
    lowest = scale * conversions if "B" in able else 0
    highest_zero = min(2**31 - lowest, 2**31 - 1)
    zero = draw(st.integers((scale - 1) * conversions - 2**31 + 1, highest_zero))
    return Channel(
        draw(st.integers(0, 15)), draw(texts), draw(texts), scale, conversions, able, zero
    )


hellos = st.builds(
    Hello,
    st.integers(1, 999),
    texts,
    texts,
    word16,
    st.integers(1000, 100_000_000),
    st.integers(1, 10_000),
    abilities,
    st.integers(0, 16),
)
datas = st.builds(
    Data,
    word16,
    word32,
    word16,
    word32,
    word16,
    st.lists(st.integers(0, 20_000) | count32, max_size=16).map(tuple),
).filter(lambda data: len(frame(data.body())) <= LONGEST_LINE + 1)
answers = st.builds(Answer, word16, st.just("") | texts)
cuts = st.builds(Cut, word32, texts, texts)
Spoken = Hello | Channel | Data | Answer | Cut
board_records: st.SearchStrategy[Spoken] = st.one_of(hellos, channels(), datas, answers, cuts)

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=8,
)
remarks = st.builds(
    Remark,
    texts,
    st.integers(0, 10**10).map(lambda micros: micros / 1e6),
    st.dictionaries(st.text(max_size=8), json_values, max_size=4),
)

bounds = st.none() | count32
commands_told: st.SearchStrategy[commands.Command] = st.one_of(
    st.builds(commands.AskHello),
    st.builds(commands.Arm, word16),
    st.builds(commands.Beat),
    st.builds(commands.Throttle, st.integers(0, 1000)),
    st.builds(commands.Limit, st.integers(0, 15) | st.just("e"), bounds, bounds, word16),
    st.builds(commands.Zero, st.integers(0, 15)),
    st.builds(commands.Stop),
)

ODD_BODIES = (
    "D,,1",
    "D",
    "D,",
    "D,1,2,3,4",
    "D,1,2,3,4,5,",
    "D,1,2,3,4,5,,6",
    "D,1,2,3,4,5,--5",
    "D,1,2,3,4,5,5-",
    "D,1,2,3,4,5,5-3",
    "D,1,2,3,4,5,-",
    "D,1,2,3,4,5,-0",
    "D,1,2,3,4,5,+6",
    "D,1,2,3,4,5, 6",
    "D,1,2,3,4,5,6 ",
    "D,1,2,3,4,5,6 7",
    "D ,1,2,3,4,5,6",
    "D,007,08,0000000000000009,4,5,-0006",
    "D," + "0" * 104 + "1,2,3,4,5",  # 120 bytes with its checksum
    "D," + "0" * 105 + "1,2,3,4,5",
    "D,65536,2,3,4,5,6",
    "D,1,4294967296,3,4,5,6",
    "D,-1,2,3,4,5,6",
    "D,1,2,3,4,65536,6",
    "D,1,2,3,4,5,2147483648",
    "D,1,2,3,4,5,-2147483649",
    "D,1,2,3,4,5,18446744073709551621",
    "D,1,2,3,4,5," + "9" * 60,
    "D,1,2,3,4,5,1e3",
    "D,1,2,3,4,5,0x6",
    "D,1,2,3,4,5,6.0",
    "D,1,2,3,4,5,1_0",
    "D,1,2,3,4,5,nan",
    "D,1,2,3,4,5" + ",6" * 16,
    "D,1,2,3,4,5" + ",6" * 17,
    "D,1,2,3,4,5*1234",
    "DD,1,2,3,4,5,6",
    "d,1,2,3,4,5,6",
    "D,D,2,3,4,5,6",
    "!mark,1.0,{}",
    "!D,1,2,3,4,5,6",
    "H,2,later,1,1,1000,1,-,0,new",
    "!clock,nan,{}",
    "",
)
NOT_ASCII = b"D,1,2,3,4,5,\xb2"
odd_lines = st.sampled_from(
    [frame(body) for body in ODD_BODIES] + [b"%s*%04X\n" % (NOT_ASCII, checksum(NOT_ASCII))]
)
raw_lines = st.binary(max_size=130).map(lambda junk: junk + b"\n")


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """A data line that something happened to on the way."""
    line = frame(draw(datas).body())
    at = draw(st.integers(0, len(line) - 1))
    match draw(st.sampled_from(("flip", "cut", "insert", "crlf", "lower", "empty"))):
        case "flip":
            return line[:at] + bytes([line[at] ^ 1 << draw(st.integers(0, 7))]) + line[at + 1 :]
        case "cut":
            return line[:at] + line[draw(st.integers(at, len(line))) :]
        case "insert":
            return line[:at] + draw(st.binary(min_size=1, max_size=3)) + line[at:]
        case "crlf":
            return line.replace(b"\n", draw(st.sampled_from((b"\r\n", b"\r\r\n", b"\n\r"))))
        case "lower":
            return line[:-5] + line[-5:].lower()
        case _:
            return draw(st.sampled_from((b"\n", b"\r\n", b" \n", b"*FFFF\n")))


streams = st.lists(
    st.one_of(
        st.builds(lambda data, times: frame(data.body()) * times, datas, st.integers(1, 60)),
        datas.map(lambda data: frame(data.body())),
        board_records.map(lambda record: frame(record.body())),
        damaged(),
        odd_lines,
        raw_lines,
    ),
    max_size=40,
).map(b"".join)
"""Bytes as a bad day on the wire gives them."""


def pieces(data: bytes, cuts: list[int]) -> list[bytes]:
    """`data` cut at the given places."""
    places = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    return [data[a:b] for a, b in pairwise(places)]
