"""firmware_protocol.md is true: its examples run both ways, its tables agree with the code."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import pytest

from rig.conformance.steps import EDGES_WITHIN_S, LIMIT_WITHIN_LINES, STOP_WITHIN_S
from rig.protocol import commands
from rig.protocol.decoder import DataBlock, Decoder, decode_bulk
from rig.protocol.framing import LONGEST_LINE, LONGEST_REMARK, Fault, checksum, frame
from rig.protocol.records import (
    LONGEST_TEXT,
    PROTOCOL_VERSION,
    Answer,
    Channel,
    Cut,
    Data,
    Hello,
    Record,
    Rejected,
    Remark,
    Status,
    Unknown,
)
from rig.protocol.timeline import Timeline
from rig.recorder.conversation import AGAIN_AFTER_S
from rig.simulator.board import demo_board
from rig.simulator.watch import RATE_OVER_S, STANDSTILL_S
from tests.protocol import document

BOARD_LINES = document.lines("board") + [said for who, said in document.dialogue() if who == "<"]
TEXT = " ".join(document.TEXT.split())
HOST_LINES = document.lines("host") + [said for who, said in document.dialogue() if who == ">"]


# The examples


@pytest.mark.parametrize("text", BOARD_LINES)
def test_a_board_example_is_read_and_written_back(text: str) -> None:
    line = text.encode("ascii") + b"\n"
    (record,) = Decoder().feed(line)
    if isinstance(record, Unknown):
        assert text.startswith("Q,")
        assert frame(record.body) == line
    else:
        assert not isinstance(record, Rejected)
        assert frame(record.body()) == line
    (bulk,) = decode_bulk([line], Decoder())
    assert (bulk.records() if isinstance(bulk, DataBlock) else [bulk]) == [record]


@pytest.mark.parametrize("text", [text for text in HOST_LINES if text])
def test_a_host_example_is_read_and_written_back(text: str) -> None:
    heard = commands.parse_command(text.encode("ascii"))
    assert isinstance(heard, tuple), heard
    number, command = heard
    if number is None:
        assert text.encode() == commands.STOP_WORD.strip()
    else:
        assert commands.line(command, number) == text.encode("ascii") + b"\n"


def test_every_record_and_command_has_an_example() -> None:
    records = {type(Decoder().feed(text.encode() + b"\n")[0]) for text in BOARD_LINES}
    assert records == {Hello, Channel, Data, Answer, Cut, Unknown}
    words = {text.partition(",")[0] for text in document.lines("host")}
    assert words == set(commands._COMMANDS) == {row[0] for row in document.table("command")}


def test_the_journal_example_is_read_and_written_back() -> None:
    text = "\n".join(document.lines("journal")).encode() + b"\n"
    records = Decoder(remarks=True).feed(text)
    kept = [record for record in records if isinstance(record, Remark | Data)]
    assert b"".join(frame(record.body()) for record in kept) == text
    assert f"{LONGEST_REMARK} characters" in document.TEXT
    from_wire = Decoder().feed(text)
    assert [type(record) for record in from_wire] == [Rejected, Rejected, Data, Rejected, Rejected]


def test_the_dialogue_holds_together() -> None:
    """Answers in order, counters in step, and a status that follows what was told."""
    decoder, timeline = Decoder(), Timeline()
    hello: Hello | None = None
    told: list[int] = []
    armed = False
    zero = 0
    for who, said in document.dialogue():
        if who == ">":
            heard = commands.parse_command(said.encode())
            if isinstance(heard, tuple):
                number, command = heard
                told += [] if number is None else [number]
                if isinstance(command, commands.Arm):
                    assert hello
                    assert command.boot == hello.boot
                    armed = True
                armed = armed and not isinstance(command, commands.Stop)
            continue
        (record,) = decoder.feed(said.encode() + b"\n")
        match record:
            case Hello():
                hello = record
            case Channel(index=0):
                zero = record.zero
            case Answer():
                assert record.number == told.pop(0)
            case Data():
                assert hello
                assert len(record.counts) == hello.channels
                assert record.status == (Status.ARMED if armed else Status.CUT)
                assert record.tick == (record.sequence + 1) * hello.tick_hz // hello.line_hz
                assert 0 <= record.tick - record.edge_tick < 2**32
                assert record.counts[0] < 16 if not armed else record.counts[0] < 4903
                assert timeline.accept(record) is not None
    assert told == []
    assert zero == 12
    assert decoder.counts.unknown == 0


def test_the_dialogue_stops_as_the_host_does() -> None:
    said = "".join(said + "\n" for who, said in document.dialogue() if who == ">")
    assert said.encode().endswith(commands.stop_lines(11))


class Simulated:
    """A simulated board, and what it says within the time it has for an answer."""

    def __init__(self) -> None:
        self.board, self.decoder = demo_board(), Decoder()
        self.boot = next(r for r in self.tell(b"") if isinstance(r, Hello)).boot

    def tell(self, line: bytes) -> list[Record]:
        self.board.receive(line)
        return self.decoder.feed(self.board.advance(commands.ANSWER_WITHIN_S))


def test_the_simulated_board_gives_the_answers_of_the_dialogue() -> None:
    simulated, given, wanted = Simulated(), [], []
    for who, said in document.dialogue():
        line = said.encode() + b"\n"
        if who == "<":
            wanted += [r for r in Decoder().feed(line) if isinstance(r, Answer)]
            continue
        heard = commands.parse_command(line[:-1])
        if isinstance(heard, tuple) and isinstance(heard[1], commands.Arm):
            line = commands.line(commands.Arm(simulated.boot), heard[0] or 0)
        given += [r for r in simulated.tell(line) if isinstance(r, Answer | Cut)]
    (cut,) = (record for record in given if isinstance(record, Cut))
    assert (cut.cause, cut.where) == ("stop", "-")
    assert [record for record in given if isinstance(record, Answer)] == wanted


def test_the_simulated_board_answers_as_the_exchange_shows() -> None:
    simulated = Simulated()
    simulated.board._boot = 4711
    assert len(document.exchange()) > 15
    for host, board in document.exchange():
        said = [r for r in simulated.tell(host.encode() + b"\n") if not isinstance(r, Data)]
        said = [replace(r, tick=3_136_500) if isinstance(r, Cut) else r for r in said]
        assert said == Decoder().feed("".join(f"{line}\n" for line in board).encode()), host


def test_a_low_limit_above_its_high_cuts_at_the_next_arm() -> None:
    assert "A low above its high is held too: every reading is outside." in TEXT
    simulated = Simulated()
    low_high, arm = commands.Limit(0, 5, -5, 0), commands.Arm(simulated.boot)
    said = simulated.tell(commands.line(low_high, 1)) + simulated.tell(commands.line(arm, 2))
    assert [record.where for record in said if isinstance(record, Cut)] == ["0"]


def test_a_zero_leaves_the_numbers_of_a_limit_and_a_reset_forgets_both() -> None:
    simulated = Simulated()
    before = [r.counts[0] for r in simulated.tell(b"") if isinstance(r, Data)][-1]
    assert before > 20
    simulated.tell(commands.line(commands.Limit(0, before // 2, None, 0), 1))
    (taken,) = (
        r for r in simulated.tell(commands.line(commands.Zero(0), 2)) if isinstance(r, Channel)
    )
    assert taken.zero == pytest.approx(before, abs=20)
    arm = commands.line(commands.Arm(simulated.boot), 3)
    assert [r.where for r in simulated.tell(arm) if isinstance(r, Cut)] == ["0"]
    simulated.board._power_up()
    again = simulated.tell(b"")
    assert [r.zero for r in again if isinstance(r, Channel) and r.index == 0] == [0]
    assert not [r for r in simulated.tell(arm) + simulated.tell(b"") if isinstance(r, Cut)]


def test_the_lines_of_code_are_counted() -> None:
    talks, hears = map(int, re.findall(r"some (\d+) lines of C.*?some (\d+) more", TEXT)[0])
    *first, last = map(len, document.blocks("c"))
    assert sum(first) == pytest.approx(talks, abs=5)
    assert last == pytest.approx(hears, abs=5)


# The numbers in the text


@pytest.mark.parametrize("row", document.table("text | checksum"), ids=lambda row: row[0])
def test_the_check_values(row: list[str]) -> None:
    text = b"" if row[0] == "nothing" else row[0].encode()
    assert f"{checksum(text):04X}" == row[1]


@pytest.mark.parametrize("row", document.table("channels | digits"), ids=lambda row: row[0])
def test_what_the_wire_carries(row: list[str]) -> None:
    channels, digits, length, most, sensible = map(int, row)
    counts = (int("9" * digits),) * channels
    longest = frame(Data(2**16 - 1, 2**32 - 1, 2**16 - 1, 2**32 - 1, 63, counts).body())
    assert sum(Status) == 511
    assert len(longest) == length <= LONGEST_LINE + 1
    assert 115200 // 10 // length == most
    assert int(0.8 * 11520 / length) == sensible


@pytest.mark.parametrize(("channels", "digits"), [(10, 6), (16, 3)])
def test_how_many_channels_fit(channels: int, digits: int) -> None:
    assert "hold 10 channels of 6 digits, or 16 of\n3:" in document.TEXT
    for more, fits in ((0, True), (1, False)):
        counts = (int("9" * (digits + more)),) * channels
        line = frame(Data(65535, 2**32 - 1, 65535, 2**32 - 1, 63, counts).body())
        assert (len(line) <= LONGEST_LINE + 1) is fits


def test_the_worked_speed() -> None:
    first, second = (
        record
        for text in document.blocks("board")[2]
        for record in Decoder().feed(text.encode() + b"\n")
        if isinstance(record, Data)
    )
    edges, ticks = second.edges - first.edges, second.edge_tick - first.edge_tick
    assert f"{edges} edges in {ticks} ticks" in document.TEXT
    assert f"{edges / 2 / (ticks * 1e-6):.2f} turns per second" in document.TEXT
    assert f"{60 * edges / 2 / (ticks * 1e-6):.0f} rpm" in document.TEXT


def test_the_worked_end_of_scale_and_limit() -> None:
    (channel,) = Decoder().feed(document.blocks("board")[1][0].encode() + b"\n")
    assert isinstance(channel, Channel)
    assert f"= {channel.highest_count})" in document.TEXT
    counts = int(40 * 0.00075 * 50 / 5 * channel.full_scale * channel.conversions)
    assert f"= {counts}, less the zero of 12 gives {counts - channel.zero}" in document.TEXT


def test_the_timing_table_and_the_frame_agree_with_the_code() -> None:
    told = [re.findall(r"(\d+) ms", row[1]) for row in document.table("what | time")]
    assert told == [
        [f"{commands.HEARTBEAT_EVERY_S * 1000:.0f}"],
        [f"{commands.ANSWER_WITHIN_S * 1000:.0f}"],
        [f"{AGAIN_AFTER_S * 1000:.0f}"],
        [f"{RATE_OVER_S * 1000:.0f}"],
    ]
    assert f"A limit on the edges has {2000 * RATE_OVER_S:.0f} ms more" in document.TEXT
    assert EDGES_WITHIN_S == 2 * RATE_OVER_S
    assert f"to {1 / STANDSTILL_S:.0f} at most after {STANDSTILL_S * 1000:.0f} ms" in TEXT
    lost_ms = commands.HEARTBEAT_LOST_S * 1000
    bounds = {row[0]: row[1] for row in document.table("the drive is off after")}
    for stop in ("a stop as a bare word", "a numbered stop"):
        assert bounds[stop].startswith(f"{STOP_WITHIN_S * 1000:.0f} ms ")
    assert bounds["a reading went beyond its limit"].startswith(f"{LIMIT_WITHIN_LINES} data lines ")
    silent = bounds["the host's last line"]
    assert re.findall(r"(\d+) ms", silent) == [f"{lost_ms + 10:.0f}", f"{lost_ms - 10:.0f}"]
    assert f"# The board's line protocol, version {PROTOCOL_VERSION}\n" in document.TEXT
    assert f"at most {LONGEST_LINE} characters" in document.TEXT
    assert f"1 to {LONGEST_TEXT} characters, no comma" in document.TEXT


# The tables of words, letters and bits


def test_the_status_bits() -> None:
    told = {row[1]: int(row[0]) for row in document.table("bit |")}
    assert told == {str(bit.name).lower(): bit.value for bit in Status}


@pytest.mark.parametrize("letter", [row[0] for row in document.table("hello letter")])
def test_a_hello_letter(letter: str) -> None:
    abilities = {"S": "can_stop", "T": "can_throttle", "L": "can_limit", "Z": "can_zero"}
    hello = Hello.parse(["1", "a", "b", "0", "1000", "1", letter, "0"])
    assert [name for name in abilities.values() if getattr(hello, name)] == [abilities[letter]]


@pytest.mark.parametrize("letter", [row[0] for row in document.table("channel letter")])
def test_a_channel_letter(letter: str) -> None:
    abilities = {"L": "can_limit", "Z": "can_zero", "B": "bipolar"}
    channel = Channel.parse(["0", "a", "b", "1024", "1", letter, "0"])
    assert [name for name in abilities.values() if getattr(channel, name)] == [abilities[letter]]


def test_both_letter_tables_are_whole() -> None:
    assert [row[0] for row in document.table("hello letter")] == list("STLZ")
    assert [row[0] for row in document.table("channel letter")] == list("LZB")


def test_the_reasons_that_the_code_gives_are_in_the_table() -> None:
    unknown = commands.parse_command(frame("fly,1")[:-1])
    fields = commands.parse_command(frame("arm,1")[:-1])
    assert isinstance(unknown, commands.Refusal)
    assert isinstance(fields, commands.Refusal)
    simulated = Simulated()
    wrong: list[commands.Command] = [
        commands.Arm((simulated.boot + 1) % 2**16),
        commands.Throttle(1),
        commands.Limit(15, 0, 1, 0),
        commands.Zero(3),
    ]
    said = [r for command in wrong for r in simulated.tell(commands.line(command, 1))]
    answers = [record.reason for record in said if isinstance(record, Answer)]
    given = [unknown.reason, fields.reason, *answers]
    told = [row[0] for row in document.table("reason | the board")]
    assert sorted(given) == sorted(told)
    # In the order in which one goes before another.
    assert told == ["unknown", "fields", "range", "cannot", "boot", "state"]


# The ranges of the fields: each bound passes, the number beyond it does not


def accepted_record(body: str) -> bool:
    return not isinstance(Decoder().feed(frame(body))[0], Rejected)


def accepted_command(body: str) -> bool:
    return isinstance(commands.parse_command(frame(body)[:-1]), tuple)


HELLO = "H,1,marram bench,0.3,4711,1000000,100,LSTZ,3"
CHANNEL = "C,0,current,shunt,2,1,B,0"
DATA = "D,312,3130000,1873,3129411,1,4316"
SPECIMENS: dict[str, tuple[str, Callable[[str], bool]]] = {
    "### H: hello": (HELLO, accepted_record),
    "### C: channel": (CHANNEL, accepted_record),
    "### D: data": (DATA, accepted_record),
    "### A: answer": ("A,17,no,boot", accepted_record),
    "### X: cut": ("X,3136500,limit,0", accepted_record),
}


def ranged_fields() -> list[tuple[str, Callable[[str], bool], str]]:
    """A body with a gap for the field, who judges it, and the range the document gives."""
    rows = []
    for section, (body, judge) in SPECIMENS.items():
        told = document.fields(section)
        parts = body.split(",")
        assert len(told) == len(parts) - 1, section
        for place, cell in enumerate(told.values(), start=1):
            rows.append((",".join([*parts[:place], "{}", *parts[place + 1 :]]), judge, cell))
    told = document.fields("## What the host says")
    for name, body in {
        "boot": "arm,1,{}",
        "permille": "throttle,1,{}",
        "where": "limit,1,{},-,5,50",
        "low": "limit,1,0,{},5,50",
        "high": "limit,1,0,5,{},50",
        "hold_ms": "limit,1,0,-,5,{}",
        "channel": "zero,1,{}",
    }.items():
        rows.append((body, accepted_command, told.pop(name)))
    assert not told
    rows.append(("beat,{}", accepted_command, "0 to 65535"))
    return rows


@pytest.mark.parametrize(
    ("body", "accepted", "cell"),
    ranged_fields(),
    ids=lambda value: getattr(value, "__name__", str(value)[:40]),
)
def test_a_field_keeps_to_the_range_that_the_document_gives(
    body: str, accepted: Callable[[str], bool], cell: str
) -> None:
    limits = document.bounds(cell)
    if limits:
        lowest, highest = limits
        fine = [f"{lowest}", f"{highest}"]
        wrong = [f"{lowest - 1}", f"{highest + 1}", "", "x", "+1", "1.0", " 1", "1_0", "--1"]
        other = re.search(r", or (\S)$", cell)
        fine += [other[1]] if other else []
        wrong += [] if other else ["-", "e"]
    elif cell == "text":
        fine = ["a", "~" * LONGEST_TEXT, "a b", "-", "0"]
        wrong = ["", "a" * (LONGEST_TEXT + 1), "a*b"]
    elif cell == "letters":
        fine = ["-", "S", "ABCDEFGHIJKLMNOP"]
        wrong = ["", "s", "S-", "1", "S T"]
    elif cell == "word":
        fine = ["no"]
        wrong = ["", "NO", "yes", "ok"]
    else:
        assert cell == "number"
        fine = ["-2147483646", "0", "2147483645"]
        wrong = ["-2147483648", "2147483648", "", "x", "-"]
    assert [value for value in fine if not accepted(body.format(value))] == []
    assert [value for value in wrong if accepted(body.format(value))] == []


@pytest.mark.parametrize("section", SPECIMENS)
def test_a_field_missing_or_surplus_is_rejected(section: str) -> None:
    body, accepted = SPECIMENS[section]
    assert accepted(body)
    short = body.rpartition(",")[0]
    if section == "### D: data":
        assert accepted(short)  # A board without channels.
        short = short.rpartition(",")[0]
        body += ",0" * 15
    assert not accepted(short)
    assert not accepted(body + ",0")


def test_what_is_not_understood() -> None:
    """The table of that name, row by row, where it is this room's to keep."""
    assert isinstance(Decoder().feed(frame("Q,1"))[0], Unknown)
    assert Decoder().feed(frame("!mark,1.0,{}"))[0] == Rejected(
        Fault.DIRECTION, frame("!mark,1.0,{}")[:-1]
    )
    assert isinstance(commands.parse_command(b"arm,1,4711*0000"), Fault)
    assert isinstance(commands.parse_command(frame("arm")[:-1]), Fault)
    simulated = Simulated()
    quiet = simulated.tell(b"\n \r\n")
    loud = simulated.tell(b"arm,1,4711*0000\n")
    assert not any(isinstance(record, Answer) for record in quiet + loud)
    for records, marked in ((quiet, 0), (loud, 1)):
        status = [record.status for record in records if isinstance(record, Data)]
        assert [bool(bits & Status.REJECTED) for bits in status].count(True) == marked
