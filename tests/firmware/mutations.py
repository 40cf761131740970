"""Faults that someone could make in the firmware's decisions, and how many of them the checks find.

    python -m tests.firmware.mutations

Each row is a text of stand_board.ino and what stands there instead. A mutant that compiles and
passes all checks has survived.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from tests.firmware import build
from tests.firmware.world import compile_world

LIMIT_S = 60.0
"""A mutant that takes longer hangs: it is found."""

MUTATIONS = [
    # Speed.
    ("int32_t since = tick - last;", "uint32_t since = tick - last;"),
    ("since >= (int32_t)RATE_TICKS &&", "since >= (int32_t)(4 * RATE_TICKS) &&"),
    ("edges_per_s > (int32_t)TICK_HZ / since", "edges_per_s > 0"),
    ("if (took >= RATE_TICKS) {", "if (took >= 4 * RATE_TICKS) {"),
    ("(TICK_HZ / 100) / (took / 100)", "(TICK_HZ / 100) / (RATE_TICKS / 100)"),
    ("        rate_tick = last;\n        rate_refused = 0;", "        rate_refused = 0;"),
    ("        rate_edges = count;\n        rate_tick = last;", "        rate_tick = last;"),
    ("    edges_per_s = 0;\n    rate_refused = 0;", "    rate_refused = 0;"),
    (">= TICKS(SOONEST_EDGE_US)) {", ">= TICKS(2 * SOONEST_EDGE_US)) {"),
    ("rate_refused >= MANY_REFUSED &&", "rate_refused >= 1 &&"),
    ("(uint16_t)(count - rate_edges) / 8;", "(uint16_t)(count - rate_edges) * 8;"),
    ("    if (too_soon) status |= REFUSED;\n", ""),
    ("        refused = 0;\n    }\n    tick", "    }\n    tick"),
    # Limits.
    ("reading >= limit->low &&", "reading > limit->low &&"),
    ("reading <= limit->high)", "reading < limit->high)"),
    ("            limit->beyond = false;\n            continue;", "            continue;"),
    ("if (!limit->beyond) {", "if (true) {"),
    ("tick - limit->since > limit->hold_ms * TICKS_PER_MS", "tick > limit->since"),
    ("if (limit->hold_ms == 0 ||", "if ("),
    ("limit->hold_ms * TICKS_PER_MS", "limit->hold_ms * 2 * TICKS_PER_MS"),
    ("i <= EDGES; i++) {\n        struct limit", "i < EDGES; i++) {\n        struct limit"),
    ("i == EDGES ? 'e' : '0' + i", "'0' + i"),
    ("    if (status & ARMED) judge(tick);", "    judge(tick);"),
    ("    newest[SHUNT] -= zero;\n", ""),
    ("i <= EDGES; i++) limits[i].beyond = false;", "i < 1; i++) limits[i].beyond = true;"),
    ("    limits[where] = limit;\n", ""),
    ("        !whole(field[3], 0, 65535, &hold))", "        !whole(field[3], 0, 255, &hold))"),
    # Silence, stop and arm.
    ("heard >= SILENCE_TICKS) cut", "heard >= SILENCE_TICKS * 2) cut"),
    ("if ((status & ARMED) && now() - heard", "if (now() - heard"),
    ("    heard = now();\n    answer", "    answer"),
    ("    if (!(status & ARMED)) return;\n    status = CUT", "    status = CUT"),
    ("status = CUT | why |", "status = CUT |"),
    ("if (number != boot) return", "if (number < boot) return"),
    ("if (status & ARMED) return NULL;", ""),
    ("if (!halted && !pressed) {", "if (!pressed) {"),
    ("if (!halted && !pressed) {", "if (!halted) {"),
    ("            pulse = TICKS(IDLE_US);\n            PORTD |=", "            PORTD |="),
    ("if (matched > 0 && matched < 4) matched = NOT_STOP;", ""),
    ("        if (matched == 4) {", "        if (matched >= 4) {"),
    ("            drive_off();\n            halted = true;", "            halted = true;"),
    ("if (!(status & ARMED)) return PSTR(\"state\");\n        throttle", "throttle"),
    ("if (status & ARMED) return PSTR(\"state\");\n    zero", "zero"),
    ("whole(field[0], 0, 1000, &value)", "whole(field[0], 0, 1001, &value)"),
    # The stop input.
    ("    } else if (open_ms < OPEN_MS) {", "    } else if (open_ms < 1) {"),
    ("        open_ms = 0;\n", ""),
    ("        pressed = true;\n", ""),
    ("if (!(PIND & _BV(PD2))) pressed = false;", "pressed = false;"),
    # Framing.
    ("if (!star || strlen(star) != 5)", "if (!star || strlen(star) < 5)"),
    ("if (digit > 15) return false;", ""),
    ("if (*c < 32 || *c > 126) return false;", ""),
    ("    return crc == told;", "    return (uint8_t)crc == (uint8_t)told;"),
    ("!whole(field[1], 0, 65535, &number)) {", "!whole(field[1], -9, 99999, &number)) {"),
    ("sum > 214748364UL) return false;", "false) return false;"),
    ("if (sum > 2147483647UL + negative) return false;", ""),
    ("if (c == 0 || length > LONGEST_LINE)", "if (c == 0 || length >= LONGEST_LINE)"),
    ("            spoilt = false;\n", ""),
    ("if (spoilt) status |= REJECTED;\n            else hear(line);", "hear(line);"),
    # Sending.
    ("    sequence += 1 + dropped;", "    sequence += 1;"),
    ("    if (swept) {\n        missed++;\n        return;\n    }", ""),
    ("        status &= ~OF_ONE_LINE;\n", ""),
    ("    PORTD &= ~_BV(PD4);\n    DDRB", "    DDRB"),
    ("    hung = HUNG;\n", ""),
]  # fmt: skip


def survivors(folder: Path) -> list[tuple[str, str]]:
    """The mutants that no check finds."""
    source = build.BOARD.read_text()
    found = []
    for old, new in MUTATIONS:
        assert source.count(old) == 1, f"{source.count(old)} times: {old}"
        mutant = folder / "mutant" / build.BOARD.name
        mutant.parent.mkdir(exist_ok=True)
        mutant.write_text(source.replace(old, new))
        library = compile_world(folder, "-w", "-DSTOP_INPUT=1", source=mutant)
        if _passes(library):
            found.append((old, new))
        library.unlink()
    return found


def _passes(library: Path) -> bool:
    words = [sys.executable, "-m", "tests.firmware.decisions", str(library)]
    try:
        done = subprocess.run(words, capture_output=True, timeout=LIMIT_S, check=False)
    except subprocess.TimeoutExpired:
        return False
    return done.returncode == 0


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        left = survivors(Path(name))
    for old, new in left:
        print(f"survived: {old!r} -> {new!r}")
    print(f"{len(MUTATIONS) - len(left)} of {len(MUTATIONS)} mutants found")
