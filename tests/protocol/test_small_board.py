"""The C that builders copy out of firmware_protocol.md does what the document says."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from rig.conformance.board import verify_board
from rig.conformance.steps import STOP_WITHIN_S
from rig.protocol.framing import frame
from tests.protocol import document, small_board

pytestmark = pytest.mark.skipif(small_board.MISSING, reason="no C compiler")

BYTE_US = 87
KEPT = 26


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_board.build(
        tmp_path_factory.mktemp("board"), "-std=gnu99", *small_board.SANITIZERS
    )


def play(program: Path, way: str, boot: int, told: bytes) -> list[str]:
    """What the board says, line by line; the sanitizers' complaint fails the test."""
    done = subprocess.run([program, way, str(boot)], input=told, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout.decode("ascii").splitlines()


@pytest.mark.parametrize("boot", [4711, 0, 65535])
@pytest.mark.parametrize(
    "count", [10_000, pytest.param(100_000, marks=[pytest.mark.long, pytest.mark.timeout(600)])]
)
def test_no_line_arms_it_or_is_answered_against_the_document(
    program: Path, boot: int, count: int
) -> None:
    lines = small_board.lines(boot, count, seed=boot + count)
    model = small_board.Model(boot)
    wanted = [*model.introduction, *(said for line in lines for said in model.line(line))]
    said = play(program, "lines", boot, b"".join(line + b"\n" for line in lines))
    bodies = [line.partition("*")[0] for line in said]
    wrong = next(
        (i for i, pair in enumerate(zip(bodies, wanted, strict=False)) if pair[0] != pair[1]), None
    )
    assert wrong is None, (bodies[wrong - 5 : wrong + 1], wanted[wrong - 5 : wrong + 1])
    assert len(bodies) == len(wanted)
    assert [
        line for line in said if line[0] != "#" and frame(line[:-5]) != f"{line}\n".encode()
    ] == []
    # The lines are of a kind that shows something.
    assert sum(body == "#1" for body in bodies) > count / 10
    assert all(
        sum(body.endswith(end) for body in bodies) > count / 1000
        for end in (",ok", "no,boot", "no,fields", "no,unknown", "no,cannot", ",stop,-")
    )


def on_the_wire(program: Path, told: bytes) -> tuple[list[str], list[tuple[int, int]]]:
    """What it says within a second of simulated time, and when its drive went on and off."""
    words = [program, "wire", "4711"]
    done = subprocess.run(words, input=told, capture_output=True, check=True)
    drive = [line.split() for line in done.stderr.decode("ascii").splitlines()]
    return done.stdout.decode("ascii").splitlines(), [(int(us), int(on)) for us, on in drive]


def test_a_stop_overtakes_what_waits_before_it(program: Path) -> None:
    """Three hellos, whose lines take the wire 40 ms, an arm that comes too late, and the word."""
    told = frame("arm,7,4711") + 3 * frame("hello,1") + frame("arm,8,4711") + b"\nstop\n"
    said, ((_, on), (off_us, off)) = on_the_wire(program, told)
    assert (on, off) == (1, 0)
    came_us = BYTE_US * len(told)
    assert came_us <= off_us <= came_us + BYTE_US < came_us + 1e6 * STOP_WITHIN_S
    answers = [line.partition("*")[0] for line in said if line.startswith("A,")]
    assert answers == ["A,7,ok", *["A,1,ok"] * 3, "A,8,no,state"]
    assert len([line for line in said if line.startswith("X,")]) == 1


def test_it_cuts_when_the_host_falls_silent(program: Path) -> None:
    said, ((on_us, _), (off_us, off)) = on_the_wire(program, frame("arm,7,4711"))
    assert off == 0
    assert 490_000 <= off_us - on_us <= 510_000
    assert [line.split(",")[2] for line in said if line.startswith("X,")] == ["heartbeat"]


@pytest.mark.parametrize("channels", [3, 12])
def test_more_channels_make_longer_lines(tmp_path: Path, channels: int) -> None:
    names = ", ".join(f'"voltage,cell {i}"' for i in range(channels))
    program = changed(tmp_path, {
        "#define CHANNELS 2": f"#define CHANNELS {channels}",
        '{"current,shunt", "voltage,pack"}': "{" + names + "}",
    })  # fmt: skip
    said = play(program, "lines", 4711, 3 * b"\n")
    assert [line.count(",") for line in said if line.startswith("D,")] == [5 + channels] * 3


def test_a_line_that_would_be_too_long_is_not_compiled_and_never_sent(tmp_path: Path) -> None:
    with pytest.raises(AssertionError, match="the data line is too long"):
        changed(tmp_path, {"#define CHANNELS 2": "#define CHANNELS 13"})
    program = changed(tmp_path, {
        "#define CHANNELS 2": "#define CHANNELS 12",
        'add(",%ld", counts[i])': 'add(",%ld", counts[i] + 2000000000L)',
    })  # fmt: skip
    assert [line[0] for line in play(program, "lines", 4711, b"\n")] == ["H", *"C" * 12, "#"]


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ("if (*field < '0' || *field > '9' || n > 65535) return -1;", "if (!*field) return -1;"),
        ("return n > 65535 || (minus && n) ? -1 : n;", "return n & 65535;"),
        ("(minus && n)", "0"),
        ("field += minus;", 'field += strspn(field, " +-");'),
        ("|| strlen(star + 1) != 4", ""),
        ("if (length > 120 || !star) return 0;", "if (!star) return 0;"),
        ("else if (c == 0 || have > 120) spoilt = 1;", "else if (c == 0) spoilt = 1;"),
        ("if (c == 0 || have > 120)", "if (have > 120)"),
        ('if (fields) return "fields";', ""),
        ("long number = fields == 1 ?", "long number = fields ?"),
        ("status |= REJECTED; return; }", "return; }"),
        ("heard = now();", "if (!heard) heard = now();"),
    ],
)
def test_a_fault_in_the_code_is_found(tmp_path: Path, good: str, bad: str) -> None:
    """Shows that the comparison above can fail; the sanitizers find one of these."""
    program, model = changed(tmp_path, {good: bad}), small_board.Model(4711)
    lines = small_board.lines(4711, 5000, seed=1)
    wanted = [*model.introduction, *(said for line in lines for said in model.line(line))]
    words, told = [program, "lines", "4711"], b"".join(line + b"\n" for line in lines)
    done = subprocess.run(words, input=told, capture_output=True, check=False)
    said = [line.partition("*")[0] for line in done.stdout.decode("latin-1").splitlines()]
    assert done.returncode != 0 or said != wanted


def changed(folder: Path, changes: dict[str, str]) -> Path:
    """The board with such changes as a builder makes."""
    text = document.TEXT
    for old, new in changes.items():
        assert text.count(old) == 1
        text = text.replace(old, new)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(document, "TEXT", text)
        return small_board.build(folder, "-std=gnu99", *small_board.SANITIZERS)


@pytest.mark.parametrize(
    "compiler", ["gcc -std=c99", "g++ -x c++ -std=c++11", "avr-gcc -mmcu=atmega328p"]
)
def test_it_compiles_without_a_warning(tmp_path: Path, compiler: str) -> None:
    """As C, as a sketch (which is C++), and for the part that most boards have."""
    words = compiler.split()
    if shutil.which(words[0]) is None:
        pytest.skip(f"no {words[0]}")
    board = small_board.source(tmp_path)
    subprocess.run(
        [*words, *small_board.STRICT, "-c", board, "-o", tmp_path / "board.o"], check=True
    )


@contextmanager
def on_a_port(program: Path) -> Iterator[str]:
    import tty

    master, slave = os.openpty()
    tty.setraw(slave)
    board = subprocess.Popen([program, "port", "4711"], stdin=master, stdout=master)
    try:
        yield os.ttyname(slave)
    finally:
        board.kill()
        board.wait()
        os.close(master)
        os.close(slave)


@pytest.mark.long
def test_it_keeps_every_rule_that_applies_to_it(program: Path) -> None:
    with on_a_port(program) as port:
        found = list(verify_board(port, 115_200))
    assert [f for f in found if f.verdict in ("broken", "not judged")] == []
    assert len([f for f in found if f.verdict == "kept"]) == KEPT
