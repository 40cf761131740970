"""The host's ear on bad days: no exception, bounded memory, the same at any chunking."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.protocol.decoder import DataBlock, Decoder, decode_bulk
from rig.protocol.framing import LONGEST_LINE, LONGEST_REMARK, Fault, frame
from rig.protocol.records import Data, Record, Rejected, Unknown
from tests.protocol.strategies import ODD_BODIES, datas, pieces, streams

GOOD = frame("D,1,2,3,4,5,6")
cut_places = st.lists(st.integers(0, 10**6), max_size=20)


def by_bulk(chunks: list[bytes], decoder: Decoder) -> list[Record]:
    got: list[Record] = []
    for item in decode_bulk(chunks, decoder):
        got.extend(item.records() if isinstance(item, DataBlock) else [item])
    return got


@settings(max_examples=200)
@given(streams | st.binary(max_size=1000), cut_places, st.booleans())
def test_any_bytes_in_any_pieces(data: bytes, cuts: list[int], remarks: bool) -> None:
    """One record a line, the same in any pieces, for the live and for the bulk decoder."""
    whole, pieced, bulk = (Decoder(remarks=remarks) for _ in range(3))
    expected = whole.feed(data)
    assert len(expected) == data.count(b"\n")
    got = []
    for piece in pieces(data, cuts):
        got += pieced.feed(piece)
        assert len(pieced.pending) <= (LONGEST_REMARK if remarks else LONGEST_LINE) + 2
    assert got == expected
    assert by_bulk(pieces(data, cuts), bulk) == expected
    assert whole.counts == pieced.counts == bulk.counts
    assert whole.pending == pieced.pending == bulk.pending


@given(st.lists(datas, min_size=1, max_size=30), cut_places)
def test_good_lines_come_in_blocks_and_all_come(records: list[Data], cuts: list[int]) -> None:
    decoder = Decoder()
    data = b"".join(frame(record.body()) for record in records)
    assert by_bulk(pieces(data, cuts), decoder) == records
    assert decoder.counts.good == len(records)


@pytest.mark.parametrize("body", ODD_BODIES)
@pytest.mark.parametrize("good_around", [0, 1, 200])
def test_an_odd_line_means_the_same_alone_and_in_bulk(body: str, good_around: int) -> None:
    data = GOOD * good_around + frame(body) + GOOD * good_around
    live, bulk = Decoder(), Decoder()
    assert by_bulk([data], bulk) == live.feed(data)
    assert live.counts == bulk.counts


def test_only_these_odd_lines_are_data() -> None:
    kept = [body for body in ODD_BODIES if isinstance(Decoder().feed(frame(body))[0], Data)]
    assert kept == [
        "D,1,2,3,4,5,-0",
        "D,007,08,0000000000000009,4,5,-0006",
        "D," + "0" * 104 + "1,2,3,4,5",
        "D,1,2,3,4,5" + ",6" * 16,
    ]


def test_a_long_run_of_one_width_is_one_block() -> None:
    (block,) = decode_bulk([GOOD * 500], Decoder())
    assert isinstance(block, DataBlock)
    assert block.fields.shape == (500, 6)
    assert block.fields[499].tolist() == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize("piece", [1, 100, 121, 122, 123, 100_000])
def test_a_flood_without_a_line_feed_fills_nothing(piece: int) -> None:
    decoder = Decoder()
    for _ in range(max(1, 20_000 // piece)):
        assert decoder.feed(b"x" * piece) == []
        assert len(decoder.pending) <= LONGEST_LINE + 2
    (rejected,) = decoder.feed(b"\n")
    assert rejected == Rejected(Fault.LENGTH, b"x" * LONGEST_LINE)
    assert decoder.feed(GOOD) == [Data(1, 2, 3, 4, 5, (6,))]


@pytest.mark.parametrize("ending", [b"\n", b"\r\n"])
@pytest.mark.parametrize("step", [1, 1000])
def test_120_bytes_pass_and_121_do_not(ending: bytes, step: int) -> None:
    for surplus, kind in ((0, Unknown), (1, Rejected)):
        line = frame("Q," + "x" * (113 + surplus))[:-1] + ending
        decoder = Decoder()
        got = [r for i in range(0, len(line), step) for r in decoder.feed(line[i : i + step])]
        assert [type(record) for record in got] == [kind]


@pytest.mark.parametrize("length", [2045, 2046, 2047, 2048, 5000, 300_000])
@pytest.mark.parametrize("good_before", [0, 1, 300])
def test_one_long_line_that_claims_to_be_data_costs_no_other(length: int, good_before: int) -> None:
    data = GOOD * good_before + b"D," + b"1" * length + b"\n" + GOOD * 3
    live, bulk = Decoder(), Decoder(remarks=True)
    assert len(live.feed(data)) == good_before + 4
    by_bulk([data], bulk)
    assert live.counts.good == bulk.counts.good == good_before + 3


lengths = st.integers(0, 130) | st.integers(2000, 5000) | st.integers(65_500, 65_600)
long_lines = st.builds(
    lambda start, filling, length: start + filling * length + b"\n",
    st.sampled_from([b"D,", b"D,1,2,3", b"!", b"!note,0.0,", b"H,", b""]),
    st.sampled_from([b"1", b",", b"-", b"*", b"\r", b"[", b"\x00"]),
    lengths,
)


@settings(max_examples=200)
@given(st.lists(long_lines | st.just(GOOD), max_size=12), cut_places, st.booleans())
def test_lines_of_any_length_cost_themselves_only(
    lines: list[bytes], cuts: list[int], remarks: bool
) -> None:
    data = b"".join(lines)
    live, bulk = Decoder(remarks=remarks), Decoder(remarks=remarks)
    expected = [record for piece in pieces(data, cuts) for record in live.feed(piece)]
    assert live.counts.good == lines.count(GOOD)
    assert len(expected) == len(lines)
    assert by_bulk(pieces(data, cuts), bulk) == expected
    assert live.counts == bulk.counts


def test_unusable_lines_before_the_first_good_one_are_counted_apart() -> None:
    decoder = Decoder()
    decoder.feed(b"3,4,5*1234\n\xff\xfe\n" + GOOD + b"3,4,5*1234\n" + frame("Q,1"))
    assert decoder.counts.before_first == 2
    assert decoder.counts.rejected == {Fault.CHECKSUM: 1}
    assert (decoder.counts.good, decoder.counts.unknown) == (1, 1)


def test_a_baud_mismatch_is_rejected_line_by_line() -> None:
    """Bits read at half their speed: each pair of bits arrives as one, no line survives."""
    garbled = bytes((byte & 0x0F) * 0x11 for byte in GOOD * 50)
    decoder = Decoder()
    assert all(isinstance(record, Rejected) for record in decoder.feed(garbled))
    assert decoder.counts.good == 0


def test_a_deeply_nested_remark_is_rejected() -> None:
    bomb = '!mark,1.0,{"a":' + "[" * 30_000 + "]" * 30_000 + "}"
    (record,) = Decoder(remarks=True).feed(frame(bomb))
    assert isinstance(record, Rejected)
    assert record.fault is Fault.FIELDS
    assert len(record.line) <= LONGEST_LINE


def test_a_board_cannot_speak_for_the_host() -> None:
    (record,) = Decoder().feed(frame("!end,1.0,{}"))
    assert isinstance(record, Rejected)
    assert record.fault is Fault.DIRECTION
