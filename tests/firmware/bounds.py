"""Bounds read from the machine code: how deep the stack can get, and how long a received byte
can wait for its interrupt.

    python -m tests.firmware.bounds board.elf

Every path through every function is followed; one with recursion, an indirect call or a frame of
unknown size is an error. Cycles are those of the AVR instruction set manual for the AVRe+ core;
the RAM and the receive buffer of two bytes are those of the ATmega328P's data sheet.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.firmware import build

RAM = 2048
CLOCK_HZ = 16_000_000
BUFFERED_BYTES = 2

# The part's vectors that the firmware has; a lower number goes first.
VECTORS = {
    6: "watchdog", 7: "stop input", 10: "edge", 11: "throttle", 12: "round", 13: "overflow",
    18: "receive", 19: "send", 21: "converter",
}  # fmt: skip
RECEIVE = 18
ENTRY = 4 + 3  # the response, and the jump from the vector

RETURNS = ("ret", "reti")
BEFORE_AND_AFTER = ("main", "setup", "_Z5setupv", "_exit", "__stop_program")
SKIPS = ("cpse", "sbrc", "sbrs", "sbic", "sbis")
TWO = (
    "adiw", "sbiw", "mul", "muls", "mulsu", "fmul", "fmuls", "fmulsu", "ld", "ldd", "lds", "st",
    "std", "sts", "push", "pop", "sbi", "cbi", "rjmp", "ijmp",
)  # fmt: skip
CYCLES = {
    **dict.fromkeys(TWO, 2), "jmp": 3, "rcall": 3, "icall": 3, "call": 4, "lpm": 3, "ret": 4,
    "reti": 4,
}  # fmt: skip


@dataclass
class Instruction:
    at: int
    name: str
    operands: str
    target: int | None
    next: int = 0

    @property
    def numbers(self) -> list[int]:
        return [int(word, 16) for word in re.findall(r"0x([0-9A-Fa-f]+)", self.operands)]


@dataclass
class Function:
    name: str
    code: dict[int, Instruction] = field(default_factory=dict)

    @property
    def start(self) -> int:
        return min(self.code)

    @property
    def lets_others_in(self) -> bool:
        return any(i.name == "sei" for i in self.code.values())


class Program:
    """The functions of an ELF file, and what can be said of them."""

    def __init__(self, elf: Path) -> None:
        self.functions = dict(_disassembled(elf))
        self._stacks: dict[str, int] = {}
        self._cycles: dict[tuple[int, tuple[str, ...]], int] = {}
        self._owner = {at: f for f in self.functions.values() for at in f.code}

    def interrupts(self) -> dict[int, Function]:
        found = {number: self.functions.get(f"__vector_{number}") for number in VECTORS}
        return {number: function for number, function in found.items() if function}

    def stack(self, name: str, above: tuple[str, ...] = ()) -> int:
        """The deepest that this function and those it calls push, its return address too."""
        assert name not in above, f"{name} calls itself"
        if name not in self._stacks:
            self._stacks[name] = self._deepest(name, above)
        return self._stacks[name]

    def _deepest(self, name: str, above: tuple[str, ...]) -> int:
        function, deepest = self.functions[name], 2
        # Where, how deep, and what the frame pointer holds.
        todo, seen = [(function.start, 2, 0)], set()
        while todo:
            state = at, depth, frame = todo.pop()
            if state in seen:
                continue
            seen.add(state)
            i = self._owner[at].code[at]
            assert i.name not in ("icall", "ijmp", "eicall"), f"an indirect call in {name}"
            if i.name == "in" and i.operands.startswith("r28, 0x3d"):
                frame = depth
            elif i.name == "push":
                depth += 1
            elif i.name == "pop":
                depth -= 1
            elif i.operands.startswith("r28") and not self._makes_frame(i):
                pass
            elif i.name in ("sbiw", "adiw") and i.operands.startswith("r28"):
                frame += i.numbers[0] * (1 if i.name == "sbiw" else -1)
            elif i.name == "subi" and i.operands.startswith("r28"):
                high = self._owner[at].code[i.next]
                assert high.name == "sbci" and high.operands.startswith("r29"), "a frame"
                change = high.numbers[0] << 8 | i.numbers[0]
                frame += change if change < 0x8000 else change - 0x10000
            elif i.name == "out" and i.operands.startswith("0x3d, r28"):
                depth = frame
            elif i.name in ("call", "rcall"):
                if i.target == i.next:
                    depth += 2  # a frame of two bytes
                elif i.target != 0:  # a function that is not there, and not called
                    callee = self._owner[i.target].name  # type: ignore[index]
                    deepest = max(deepest, depth + self.stack(callee, (*above, name)))
            assert depth < RAM, f"{name} pushes in a loop"
            deepest = max(deepest, depth)
            todo += [(after, depth, frame) for after in self._after(i)]
        return deepest

    def _makes_frame(self, i: Instruction) -> bool:
        """Whether the stack pointer is set from register 28 soon after."""
        code = self._owner[i.at].code
        for _ in range(6):
            if i.next not in code:
                return False
            i = code[i.next]
            if i.name == "out" and i.operands.startswith("0x3d, r28"):
                return True
        return False

    def _after(self, i: Instruction) -> list[int]:
        if i.name in RETURNS:
            return []
        if i.name in ("jmp", "rjmp"):
            return [] if i.target in (0, i.at) else [i.target]  # type: ignore[list-item]
        after = [i.next]
        if i.name.startswith("br") and i.target is not None:
            after.append(i.target)
        if i.name in SKIPS:
            after.append(self._owner[i.at].code[i.next].next)
        return after

    def cycles(self, at: int, ends: tuple[str, ...] = (), above: tuple[int, ...] = ()) -> int:
        """The most cycles from here to a return, or to an instruction that begins like one of
        `ends`. A loop is an error."""
        assert at not in above, f"a loop at {at:#x} in {self._owner[at].name}"
        i = self._owner[at].code[at]
        took = CYCLES.get(i.name, 1)
        if i.name in ("call", "rcall") and i.target != i.next:
            took += self.cycles(i.target, (), above)  # type: ignore[arg-type]
        if f"{i.name} {i.operands}".startswith(ends or ("\0",)):
            return took
        after = self._after(i)
        longest = max((self._memo(n, ends, (*above, at)) for n in after), default=0)
        # A branch that is taken, or an instruction skipped, takes one or two more.
        extra = 1 if i.name.startswith("br") else 2 if i.name in SKIPS else 0
        return took + extra + longest

    def _memo(self, at: int, ends: tuple[str, ...], above: tuple[int, ...]) -> int:
        if (at, ends) not in self._cycles:
            self._cycles[at, ends] = self.cycles(at, ends, above)
        return self._cycles[at, ends]

    def longest_without_interrupts(self) -> tuple[int, str]:
        """Of all stretches that begin with `cli` and end where the flags are written back, except
        in the beginning, when the receiver is off. (`main` has copies of `setup` and `loop`.)"""
        ends = ("out 0x3f", "sei", "reti")
        return max(
            (self.cycles(i.at, ends) + 1, f.name)
            for f in self.functions.values()
            for i in f.code.values()
            if i.name == "cli" and f.name not in BEFORE_AND_AFTER
        )


def _disassembled(elf: Path) -> Iterator[tuple[str, Function]]:
    function = Function("")
    before: Instruction | None = None
    for row in build.run("avr-objdump", "-d", "--no-show-raw-insn", elf).splitlines():
        if head := re.match(r"[0-9a-f]+ <(.+)>:$", row):
            if function.code:
                yield function.name, function
            function = Function(head[1])
        elif line := re.match(r"\s*([0-9a-f]+):\s+(\S+)\s*([^;]*)(?:;\s*0x([0-9a-f]+))?", row):
            at, name, operands = int(line[1], 16), line[2], line[3].strip()
            target = re.match(r"\.([+-]\d+)", operands)
            there = at + 2 + int(target[1]) if target else None
            if name in ("jmp", "call"):
                there = int(operands, 16)
            if before:
                before.next = at
            before = function.code[at] = Instruction(at, name, operands, there)
    yield function.name, function


@dataclass(frozen=True)
class Report:
    ram: int
    stacks: dict[str, int]
    cycles: dict[str, int]
    shut: tuple[int, str]
    wait: int

    @property
    def stack(self) -> int:
        """The main program, each interrupt that lets others in, and one that does not."""
        return self.stacks["in all"]


def report(elf: Path) -> Report:
    program = Program(elf)
    interrupts = program.interrupts()
    stacks = {VECTORS[number]: program.stack(f.name) for number, f in interrupts.items()}
    open_ones = {number for number, f in interrupts.items() if f.lets_others_in}
    main = 2 + program.stack("main")
    stacks |= {"main program": main}
    stacks["in all"] = (
        main
        + sum(stacks[VECTORS[number]] for number in open_ones)
        + max(stacks[VECTORS[number]] for number in interrupts if number not in open_ones)
    )
    cycles = {
        VECTORS[number]: ENTRY + program.cycles(interrupts[number].start, ("sei",))
        for number in interrupts
        if VECTORS[number] != "watchdog"
    }
    shut = program.longest_without_interrupts()
    first = [cycles[VECTORS[n]] for n in interrupts if n < RECEIVE and VECTORS[n] in cycles]
    last = [cycles[VECTORS[n]] for n in interrupts if n > RECEIVE]
    # The byte is read by `lds r, 0x00C6`.
    read = program.cycles(interrupts[RECEIVE].start, tuple(f"lds r{n}, 0x00C6" for n in range(32)))
    wait = max(shut[0], *last) + sum(first) + ENTRY + read
    return Report(build.size(elf)[1], stacks, cycles, shut, wait)


def allowed_cycles(baud: int) -> float:
    """How long the oldest byte may wait: until one more has filled the buffer behind it."""
    return BUFFERED_BYTES * 10 * CLOCK_HZ / baud


def rows(found: Report) -> list[str]:
    stack = ", ".join(f"{name} {depth}" for name, depth in found.stacks.items())
    cycles = ", ".join(f"{name} {count}" for name, count in found.cycles.items())
    return [
        f"RAM {found.ram} and stack {found.stack}: {found.ram + found.stack} of {RAM} bytes",
        f"stack in bytes: {stack}",
        f"cycles with interrupts off: {cycles}; elsewhere {found.shut[0]} ({found.shut[1]})",
        f"a received byte waits {found.wait} cycles at most",
    ]


if __name__ == "__main__":
    print("\n".join(rows(report(Path(sys.argv[1])))))
