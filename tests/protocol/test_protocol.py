"""Framing, decoder, commands and counters against published values and arbitrary bytes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.protocol import commands
from rig.protocol.decoder import DataBlock, Decoder, decode_bulk
from rig.protocol.framing import LONGEST_LINE, Fault, checksum, frame
from rig.protocol.records import Answer, Channel, Data, Hello, Rejected
from rig.protocol.timeline import BoardRestartedError, Timeline


@pytest.mark.parametrize(
    ("data", "value"),
    # CRC RevEng catalogue, CRC-16/IBM-3740 (check value); the others are the widely copied
    # set for this CRC, from memory.
    [(b"123456789", 0x29B1), (b"A", 0xB915), (b"A" * 256, 0xEA0B), (b"", 0xFFFF)],
)
def test_checksum_matches_the_catalogue(data: bytes, value: int) -> None:
    assert checksum(data) == value


@given(st.binary(max_size=200))
def test_checksum_is_that_of_a_bitwise_loop_and_its_residue_is_zero(data: bytes) -> None:
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = ((register << 1) ^ (0x1021 if register & 0x8000 else 0)) & 0xFFFF
    assert checksum(data) == register
    assert checksum(data + register.to_bytes(2, "big")) == 0


words = st.text(
    st.characters(min_codepoint=0x20, max_codepoint=0x7E, exclude_characters=",*"),
    min_size=1,
    max_size=24,
)
abilities = st.frozensets(st.sampled_from("STLZBQ"))
wide = st.integers(-(2**31), 2**31 - 1)
short, long = st.integers(0, 2**16 - 1), st.integers(0, 2**32 - 1)
records = st.one_of(
    st.builds(Data, short, long, short, long, short, st.lists(wide, max_size=7).map(tuple)),
    st.builds(
        Hello,
        st.just(1),
        words,
        words,
        short,
        st.integers(1000, 10**8),
        st.integers(1, 10_000),
        abilities,
        st.integers(0, 16),
    ),
    st.builds(
        Channel,
        st.integers(0, 15),
        words,
        words,
        st.integers(2, 2**15),
        st.integers(1, 999),
        abilities,
        st.integers(-9999, 9999),
    ),
    st.builds(Answer, short, st.one_of(st.just(""), words)),
)


@given(records)
def test_every_record_reads_as_it_was_written(record: Data) -> None:
    assert Decoder().feed(frame(record.body())) == [record]


told = st.one_of(
    st.builds(commands.Arm, short),
    st.builds(commands.Throttle, st.integers(0, 1000)),
    st.builds(
        commands.Limit,
        st.one_of(st.just("e"), st.integers(0, 15)),
        st.none() | wide,
        st.none() | wide,
        short,
    ),
    st.builds(commands.Zero, st.integers(0, 15)),
    st.sampled_from([commands.Stop(), commands.Beat(), commands.AskHello()]),
)


@given(told, short)
def test_every_command_reads_as_it_was_told(command: commands.Command, number: int) -> None:
    assert commands.parse_command(commands.line(command, number)[:-1]) == (number, command)


@given(st.binary(max_size=300))
def test_a_board_makes_something_of_any_line(line: bytes) -> None:
    commands.parse_command(line.replace(b"\n", b""))


def good(sequence: int, *counts: int) -> bytes:
    return frame(Data(sequence, 10 * sequence, sequence, 10 * sequence, 1, counts).body())


def framed(body: bytes) -> bytes:
    return b"%s*%04X\n" % (body, checksum(body))


odd_bodies = st.sampled_from(
    [b"D,,1,1,1,1", b"D,1,1,1,1,1,--5", b"D,1,1,1,1,1,-", b"D,1,1,1,1,1,", b"D,1,1,1,1,1, 4",
     b"D,0001,1,1,1,1,-0", b"D,99999999999999999999,1,1,1,1", b"D,1,1,1,1,1,5-3", b"D,1,1",
     b"D,65536,1,1,1,1,1", b"D,1,1,1,1,1,2147483648", b"Dx,1", b"D", b"Q,new,thing", b"!end,1,{}",
     b'!clock,1.5,{"utc":"x"}', b"!clock,nan,{}", b"A,5,ok", b"X,5,limit,0", b"", b"D,1,1,1,1,1,+5",
     b"D,1,1,1,1,1,1_0", b"D,\xb2,1,1,1,1"]
)  # fmt: skip


@st.composite
def streams(draw: st.DrawFn) -> bytes:
    """Mostly good lines, with everything that a wire can do to them in between."""
    pieces = []
    for _ in range(draw(st.integers(0, 12))):
        runs = st.integers(0, 60).map(lambda n: b"".join(good(i, i, -i) for i in range(n)))
        pieces.append(
            draw(
                st.one_of(
                    runs, odd_bodies.map(framed), st.binary(max_size=40),
                    st.just(good(3, 4).replace(b"\n", b"\r\n")), st.just(good(9, 9)[:-4] + b"\n"),
                    st.just(b"x" * 500), st.just(b"\n"),
                )
            )
        )  # fmt: skip
    return b"".join(pieces)


def in_pieces(data: bytes, size: int) -> list[bytes]:
    return [data[at : at + size] for at in range(0, len(data), size)]


@given(streams(), st.integers(1, 700), st.booleans())
def test_any_stream_in_any_pieces_gives_the_same_records(
    data: bytes, size: int, remarks: bool
) -> None:
    whole, pieces = Decoder(remarks=remarks), Decoder(remarks=remarks)
    expected = whole.feed(data)
    found = []
    for piece in in_pieces(data, size):
        found += pieces.feed(piece)
        assert len(pieces.pending) <= (65536 if remarks else LONGEST_LINE) + 2
    assert found == expected
    assert pieces.counts == whole.counts


@given(streams(), st.integers(1, 5000), st.booleans())
def test_bulk_decoding_is_the_decoder_only_faster(data: bytes, size: int, remarks: bool) -> None:
    plain, fast = Decoder(remarks=remarks), Decoder(remarks=remarks)
    expected = plain.feed(data)
    found = []
    for item in decode_bulk(in_pieces(data, size), fast):
        found += item.records() if isinstance(item, DataBlock) else [item]
    assert found == expected
    assert fast.counts == plain.counts
    assert fast.pending == plain.pending


def test_a_line_may_have_120_bytes_and_no_more() -> None:
    body = b"Q," + b"x" * (LONGEST_LINE - 7)
    assert not isinstance(Decoder().feed(framed(body))[0], Rejected)
    (record,) = Decoder().feed(framed(body + b"x"))
    assert isinstance(record, Rejected)
    assert record.fault is Fault.LENGTH


def test_lines_before_the_first_good_one_are_no_fault() -> None:
    decoder = Decoder()
    decoder.feed(good(1, 5)[9:] + good(2, 5) + good(3, 5)[9:])
    assert (decoder.counts.before_first, decoder.counts.rejected.total()) == (1, 1)


def data(sequence: int, tick: int = 0) -> Data:
    return Data(sequence % 2**16, tick % 2**32, sequence % 2**16, tick % 2**32, 0, ())


def test_counters_go_on_through_every_wrap() -> None:
    timeline = Timeline()
    first, first_tick = 2**16 - 50, 2**32 - 5000
    for i in range(200):
        step = timeline.accept(data(first + i, first_tick + 100 * i))
        assert step is not None
        assert (step.sequence - first, step.tick - first_tick) == (i, 100 * i)
        assert (step.edges - first, step.edge_tick - first_tick) == (i, 100 * i)
    assert timeline.lost == 0


def test_repeated_and_late_lines_are_dropped_and_missing_ones_counted() -> None:
    timeline = Timeline()
    kept = [timeline.accept(data(n, n)) is not None for n in (5, 6, 6, 9, 7, 10)]
    assert kept == [True, True, False, True, False, True]
    assert (timeline.lost, timeline.repeated, timeline.late) == (2, 1, 1)


def test_a_restart_without_a_hello_is_noticed() -> None:
    timeline = Timeline()
    timeline.accept(data(30_000))
    for n in range(3):
        assert timeline.accept(data(n)) is None
    with pytest.raises(BoardRestartedError):
        timeline.accept(data(3))
