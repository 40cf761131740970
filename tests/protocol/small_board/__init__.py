"""The C of "A small board" in firmware_protocol.md: compiled, and a model to compare it with."""

from __future__ import annotations

import random
import re
import shutil
import subprocess
from pathlib import Path

from rig.protocol.commands import Refusal, parse_command
from rig.protocol.framing import LONGEST_LINE, Fault, frame
from tests.protocol import document

HERE = Path(__file__).parent
STRICT = ["-Wall", "-Wextra", "-Werror"]
SANITIZERS = ["-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
MISSING = shutil.which("gcc") is None

ARMED, CUT, HEARTBEAT, REJECTED = 1, 2, 8, 32
LINE_US = 20_000
SILENCE_US = 500_000


def source(folder: Path) -> Path:
    """All boxes of C in the document, in their order, as one file."""
    path = folder / "board.c"
    path.write_text("\n".join("\n".join(box) for box in document.blocks("c")) + "\n")
    return path


def build(folder: Path, *options: str, compiler: str = "gcc") -> Path:
    """The board with a computer around it. What the compiler says is the error if it fails."""
    board = source(folder)
    program = folder / "board"
    words = [compiler, *STRICT, *options, f"-I{board.parent}", str(HERE / "host.c"), "-o"]
    done = subprocess.run([*words, str(program)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return program


class Model:
    """What the board must say to each line, by `parse_command` and the text of the document."""

    def __init__(self, boot: int) -> None:
        self.boot = boot
        self.status, self.sequence, self.now_us, self.heard_us = CUT, 0, 0, 0
        self.introduction = [
            f"H,1,my bench,1.0,{boot},1000000,50,S,2",
            "C,0,current,shunt,1024,16,-,0",
            "C,1,voltage,pack,1024,16,-,0",
        ]

    def line(self, raw: bytes) -> list[str]:
        """The bodies of its lines, until 20 ms after `raw`; at last `#` and its drive."""
        said = self._hear(raw)
        self.now_us += LINE_US
        if self.status & ARMED and self.now_us - self.heard_us > SILENCE_US:
            said += self._cut("heartbeat", HEARTBEAT)
        said.append(f"D,{self.sequence % 65536},{self.now_us},0,0,{self.status},12,9902")
        self.sequence += 1
        self.status &= ~REJECTED
        return [*said, f"#{self.status & ARMED}"]

    def _hear(self, raw: bytes) -> list[str]:
        if not raw.strip(b" \t\r") and len(raw) <= LONGEST_LINE + 1:
            return []
        if re.fullmatch(rb"[ \t\r]*stop[ \t\r]*", raw, re.IGNORECASE):
            return self._cut("stop", 0)
        heard = parse_command(raw)
        if isinstance(heard, Fault) or b"\v" in raw or b"\f" in raw:
            self.status |= REJECTED
            return []
        self.heard_us = self.now_us
        number, reason, said = heard.number if isinstance(heard, Refusal) else heard[0], "", []
        word, *_ = raw.decode("ascii").split(",")
        if word in ("throttle", "limit", "zero"):
            reason = "cannot"
        elif isinstance(heard, Refusal):
            reason = heard.reason
        elif word == "hello":
            said = list(self.introduction)
        elif word == "stop":
            said = self._cut("stop", 0)
        elif word == "arm":
            reason = self._arm(heard[1].boot)  # type: ignore[union-attr]
        return [*said, f"A,{number},no,{reason}" if reason else f"A,{number},ok"]

    def _arm(self, boot: int) -> str:
        if boot != self.boot:
            return "boot"
        if not self.status & ARMED:
            self.status = ARMED | (self.status & REJECTED)
        return ""

    def _cut(self, cause: str, why: int) -> list[str]:
        if not self.status & ARMED:
            return []
        self.status = CUT | why | (self.status & REJECTED)
        return [f"X,{self.now_us},{cause},-"]


def lines(boot: int, count: int, seed: int) -> list[bytes]:
    """Lines of a host that errs in every way that comes to mind, without their line feeds."""
    chance = random.Random(seed)
    return [_line(chance, boot) for _ in range(count)]


def _line(chance: random.Random, boot: int) -> bytes:
    kind = chance.random()
    if kind < 0.05:
        word = "".join(chance.choice((c, c.upper())) for c in "stop")
        blank = "".join(chance.choices(" \t\r", k=chance.randrange(3)))
        return f"{blank}{word}{chance.choice(('', '', ' ', chr(13), '!', '0', chr(11)))}".encode()
    if kind < 0.07:
        return chance.randbytes(chance.randrange(200)).replace(b"\n", b"")
    if kind < 0.08:
        return chance.choice((b"", b" ", b"\r", b"\t ", b"\0"))
    if kind < 0.1:  # about as long as a line may be
        word, number = chance.choice((("beat,", "7"), ("arm,", f"7,{boot}")))
        zeros = "0" * (chance.randrange(118, 124) - len(f"{word}{number}*29B1"))
        return frame(f"{word}{zeros}{number}")[:-1] + chance.choice((b"", b"\r"))
    raw = frame(_body(chance, boot))[:-1]
    if kind < 0.65:
        return raw
    return _damaged(chance, raw)


def _number(chance: random.Random, value: int) -> str:
    return chance.choice(
        (f"{value}",) * 12
        + (f"0{value}", f"+{value}", f" {value}", f"{value} ", f"-{value}", f"{value}x")
        + (f"{value + 65536}", f"{value + 2**32}", f"{value}.0", f"0x{value:x}", "", "-", "-0")
        + ("0" * chance.randrange(120) + f"{value}", "65535", "65536", "99999999999999999999")
    )


def _body(chance: random.Random, boot: int) -> str:
    word = chance.choice(
        ("arm",) * 8 + ("hello", "beat", "beat", "stop", "limit", "throttle", "zero")
    )
    word = chance.choice((word,) * 20 + (word.upper(), f"{word} ", f" {word}", word[:-1], ""))
    fields = [word, _number(chance, chance.choice((0, 17, 65535)))]
    if word.strip().lower() == "arm":
        fields.append(_number(chance, chance.choice((boot,) * 9 + ((boot + 1) % 65536,))))
    fields += [_number(chance, 1)] * chance.choice((0,) * 12 + (1, 2, 3))
    if chance.random() < 0.03:
        del fields[chance.randrange(len(fields))]
    return ",".join(fields)


def _damaged(chance: random.Random, raw: bytes) -> bytes:
    damaged = bytearray(raw)
    where = chance.randrange(len(damaged) + 1)
    match chance.randrange(9):
        case 0:
            damaged[where - 1] ^= 1 << chance.randrange(8)
        case 1:
            damaged.insert(where, chance.choice((0, 9, 13, 32, 42, 44, 48, 127, 200)))
        case 2:
            del damaged[where:]
        case 3:
            damaged += chance.choice((b"\r", b"\r", b"\r\r", b" ", b"x", b"\0", b"\0x", b"*29B1"))
        case 4:
            damaged = bytearray(raw[:-4] + raw[-4:].lower())
        case 5:
            damaged = bytearray(b" " * chance.randrange(1, 130)) + damaged
        case 6:
            damaged[-4:] = chance.choice((b"0" + raw[-4:], raw[-4:].lstrip(b"0")))
        case 7:
            damaged[-4:] = chance.choice((b"0000", b"+29B", b" 29B", b"0x29", b"29B"))
        case _:
            damaged += bytes(damaged)
    return bytes(damaged).replace(b"\n", b"")
