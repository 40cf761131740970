"""Every record and command comes back as it went out, whole, in pieces and among junk."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.protocol import commands
from rig.protocol.decoder import Decoder
from rig.protocol.framing import LONGEST_LINE, Fault, frame
from rig.protocol.records import Channel, Data, Hello, Rejected, Remark, Unknown
from tests.protocol.strategies import Spoken, board_records, commands_told, remarks, word16


@given(board_records)
def test_a_record_comes_back_whole_and_byte_by_byte(record: Spoken) -> None:
    line = frame(record.body())
    assert len(line) <= LONGEST_LINE + 1
    assert Decoder().feed(line) == [record]
    decoder = Decoder()
    assert [got for i in range(len(line)) for got in decoder.feed(line[i : i + 1])] == [record]


@given(board_records, st.binary(max_size=200))
def test_junk_before_and_after_harms_only_its_own_lines(record: Spoken, junk: bytes) -> None:
    got = Decoder().feed(junk + b"\n" + frame(record.body()) + junk + b"\n" + junk)
    assert got[junk.count(b"\n") + 1] == record


@given(remarks)
def test_a_remark_comes_back_from_a_journal_and_never_from_the_wire(remark: Remark) -> None:
    line = frame(remark.body())
    assert Decoder(remarks=True).feed(line) == [remark]
    (heard,) = Decoder().feed(line)
    assert isinstance(heard, Rejected)
    assert heard.fault is (Fault.LENGTH if len(line) > LONGEST_LINE + 1 else Fault.DIRECTION)


@given(remarks)
def test_a_question_mark_in_front_silences_a_forged_remark(remark: Remark) -> None:
    (heard,) = Decoder(remarks=True).feed(b"?" + frame(remark.body()))
    assert not isinstance(heard, Remark)


@given(commands_told, word16)
def test_a_command_comes_back(command: commands.Command, number: int) -> None:
    line = commands.line(command, number)
    assert len(line) <= LONGEST_LINE + 1
    assert commands.parse_command(line[:-1]) == (number, command)
    assert commands.parse_command(line[:-1] + b"\r") == (number, command)


@given(commands_told, word16)
def test_an_echoed_command_is_no_record(command: commands.Command, number: int) -> None:
    (heard,) = Decoder().feed(commands.line(command, number))
    assert isinstance(heard, Unknown)


@given(board_records)
def test_an_echoed_record_is_no_command(record: Spoken) -> None:
    heard = commands.parse_command(frame(record.body())[:-1])
    reason = heard.reason if isinstance(heard, commands.Refusal) else heard
    assert reason in ("unknown", Fault.FIELDS)


@given(st.binary(max_size=200))
def test_no_bytes_upset_a_board(raw: bytes) -> None:
    heard = commands.parse_command(raw)
    assert isinstance(heard, Fault | commands.Refusal) or heard == (None, commands.Stop())


@given(
    st.sampled_from(["hello", "arm", "beat", "throttle", "limit", "zero", "stop", "fly", ""]),
    st.lists(st.text("0123456789-+ e_.x", max_size=12), max_size=6),
)
def test_no_fields_upset_a_board(word: str, fields: list[str]) -> None:
    heard = commands.parse_command(frame(",".join([word, *fields]))[:-1])
    if isinstance(heard, tuple):
        number, command = heard
        assert number is not None
        assert commands.parse_command(commands.line(command, number)[:-1]) == heard
    elif isinstance(heard, commands.Refusal):
        assert heard.reason in ("unknown", "fields")
    else:
        assert isinstance(heard, Fault)


@pytest.mark.parametrize(
    "raw", [b"stop", b"STOP", b"sToP", b"stop\r", b"  stop", b"\tStop \t\r", b"stop   "]
)
def test_the_bare_word_stops(raw: bytes) -> None:
    assert commands.parse_command(raw) == (None, commands.Stop())


@pytest.mark.parametrize("raw", [b"stops", b"st op", b"stop,1", b"stop!", b"\x00stop", b"sto", b""])
def test_nothing_else_does(raw: bytes) -> None:
    assert isinstance(commands.parse_command(raw), Fault)


@given(st.binary(max_size=60).filter(lambda junk: b"\n" not in junk), word16)
def test_a_stop_is_heard_behind_any_half_sent_line(half: bytes, number: int) -> None:
    _, *lines = (half + commands.stop_lines(number)).split(b"\n")
    heard = [commands.parse_command(line) for line in lines[:-1]]
    assert heard == [(None, commands.Stop()), (number, commands.Stop())]
    assert lines[-1] == b""


def test_a_later_version_keeps_its_first_eight_fields() -> None:
    known = Hello(1, "stand", "3", 7, 1_000_000, 100, frozenset("S"), 2)
    (heard,) = Decoder().feed(frame("H,2,stand,3,7,1000000,100,S,2,more,and more"))
    assert isinstance(heard, Hello)
    assert heard.protocol == 2
    assert heard.body()[4:] == known.body()[4:]
    (surplus,) = Decoder().feed(frame(known.body() + ",more"))
    assert isinstance(surplus, Rejected)


def test_ends_of_the_scale() -> None:
    one = Channel(0, "current", "shunt", 1024, 16, frozenset("B"), 12)
    assert (one.lowest_count, one.highest_count) == (-1024 * 16 - 12, 1023 * 16 - 12)
    assert Channel(0, "current", "shunt", 1024, 16, frozenset(), 12).lowest_count == -12


@pytest.mark.parametrize(
    "body",
    ["C,0,a,b,2147483648,2,-,0", "C,0,a,b,2147483648,1,B,1", "C,0,a,b,2,1,-,-2147483648"],
)
def test_a_channel_whose_sums_need_more_than_32_bits_is_rejected(body: str) -> None:
    (heard,) = Decoder().feed(frame(body))
    assert isinstance(heard, Rejected)
    assert heard.fault is Fault.FIELDS


def test_a_minus_zero_and_leading_zeros_are_forgiven() -> None:
    assert Decoder().feed(frame("D,007,08,09,4,5,-0")) == [Data(7, 8, 9, 4, 5, (0,))]
