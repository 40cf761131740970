"""firmware_protocol.md is executed: each example line is read and written again, both ways."""

import re
from pathlib import Path

import pytest

from rig.protocol import commands
from rig.protocol.decoder import Decoder
from rig.protocol.framing import LONGEST_LINE, checksum, frame
from rig.protocol.records import Rejected, Remark, Status, Unknown

DOCUMENT = (Path(__file__).parents[2] / "firmware_protocol.md").read_text()


def blocks(tag: str) -> list[str]:
    """The lines of every fenced block with this tag."""
    found = re.findall(rf"```{tag}\n(.*?)```", DOCUMENT, re.S)
    lines = [line for block in found for line in block.splitlines() if line]
    assert lines, f"the document has no {tag} block"
    return lines


BOARD = blocks("board") + [line[2:] for line in blocks("dialogue") if line.startswith("< ")]
HOST = blocks("host") + [line[2:] for line in blocks("dialogue") if line.startswith("> ")]


@pytest.mark.parametrize("line", BOARD)
def test_a_board_line_reads_and_writes_the_same(line: str) -> None:
    (record,) = Decoder().feed(line.encode() + b"\n")
    assert not isinstance(record, Rejected | Unknown)
    assert frame(record.body()) == line.encode() + b"\n"


@pytest.mark.parametrize("line", HOST + blocks("bare"))
def test_a_host_line_reads_and_writes_the_same(line: str) -> None:
    heard = commands.parse_command(line.encode())
    assert isinstance(heard, tuple)
    number, command = heard
    if number is None:
        assert command == commands.Stop()
    else:
        assert commands.line(command, number) == line.encode() + b"\n"


@pytest.mark.parametrize("line", blocks("journal"))
def test_a_remark_reads_in_a_journal_and_is_rejected_on_the_wire(line: str) -> None:
    (record,) = Decoder(remarks=True).feed(line.encode() + b"\n")
    assert isinstance(record, Remark)
    assert frame(record.body()) == line.encode() + b"\n"
    assert isinstance(Decoder().feed(line.encode() + b"\n")[0], Rejected)


def test_the_document_shows_every_record_and_every_command() -> None:
    assert {line[0] for line in BOARD} == set("HCDAX")
    assert {re.split("[,*]", line)[0] for line in HOST} >= set(commands._COMMANDS)


@pytest.mark.parametrize("bit", list(Status))
def test_the_status_table_agrees(bit: Status) -> None:
    assert f"| {bit.value} | {bit.name} |" in DOCUMENT


def test_the_documents_numbers_are_the_codes() -> None:
    assert f"at most {LONGEST_LINE} bytes" in DOCUMENT
    assert f"for {1000 * commands.HEARTBEAT_LOST_S:.0f} ms cuts" in DOCUMENT
    assert f"every {1000 * commands.HEARTBEAT_EVERY_S:.0f} ms" in DOCUMENT
    assert f"within {1000 * commands.ANSWER_WITHIN_S:.0f} ms" in DOCUMENT
    assert f"gives `{checksum(b'123456789'):04X}`" in DOCUMENT
