"""What the firmware answers, and that its lines keep coming meanwhile."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from rig.protocol.commands import Arm, Beat, Limit, Stop, Throttle, Zero
from rig.protocol.framing import frame
from tests.firmware import build
from tests.firmware.simulated import Chip, Host, running


def test_commands_are_answered_as_documented(chip: Chip) -> None:
    host = Host(chip.port)
    boot = host.boot_number()
    assert host.tell(Zero(0)) == "ok"
    # 0.4 A stand by: 0.4 x 0.0375 / 5 x 1024 x 16 = 49, less half a count for each conversion.
    assert int(host.of_kind("C")[-1][7]) == pytest.approx(45, abs=8)
    assert host.tell(Zero(1)) == "cannot"
    assert host.tell(Zero(9)) == "range"
    assert host.tell(Limit(9, None, 1, 0)) == "range"
    assert host.tell(Throttle(10)) == "state"
    assert host.tell(Arm((boot + 1) % 65536)) == "boot"
    assert host.tell(Stop()) == "ok"
    assert host.tell(Arm(boot)) == "ok"
    assert host.tell(Arm(boot)) == "ok"
    assert host.tell(Zero(0)) == "state"
    for body, reason in (
        ("dance,500", "unknown"),
        ("beat,500,1", "fields"),
        ("throttle,500,1001", "fields"),
        ("throttle,500, 1", "fields"),
        ("throttle,500,99999999999", "fields"),
        ("limit,500,0,-,2147483648,0", "fields"),
        ("limit,500,0,-,1", "fields"),
    ):
        host.line.write(frame(body))
        assert host.until(lambda fields: fields[:2] == ["A", "500"])[-1] == reason
    for junk in (b"beat,1*0000\n", b"x" * 300 + b"\n", frame("beat"), b"\x00\xff\n"):
        host.listen(0.1)
        host.line.write(junk)
        assert host.until(lambda fields: fields[0] == "D" and int(fields[5]) & 32)
    host.line.write(b"\n  \r\n")
    host.listen(0.1)
    assert not int(host.of_kind("D")[-1][5]) & 32


@pytest.mark.parametrize(
    ("baud", "line_hz", "conversions"),
    [*build.RATES, (1000000, 200, 16)],
)
def test_no_line_and_no_answer_is_lost_at(
    folder: Path, bench: Path, baud: int, line_hz: int, conversions: int
) -> None:
    """The counters start so that each of them wraps on the way."""
    with running(bench, build.at_rate(folder, baud, line_hz, conversions, wrap_s=2)) as chip:
        host = Host(chip.port, baud)
        host.arm()
        assert host.tell(Throttle(500)) == "ok"
        for _ in range(25):
            assert host.tell(Beat()) == "ok"
            host.listen(0.1)
        host.listen()
        assert host.broken <= 1
        sequences, ticks, counts, edge_ticks = (
            [int(line[place]) for line in host.of_kind("D")] for place in (1, 2, 3, 4)
        )
        assert sequences[-1] < sequences[0] and ticks[-1] < ticks[0] and counts[-1] < counts[0]
        assert all((b - a) % 65536 == 1 for a, b in pairwise(sequences))
        gaps = [(b - a) % 2**32 for a, b in pairwise(ticks)]
        assert max(abs(gap - 2e6 / line_hz) for gap in gaps) < 1000

        count, took = (counts[-1] - counts[-60]) % 2**16, (edge_ticks[-1] - edge_ticks[-60]) % 2**32
        rpm, true = count / 2 / (took / 2e6) * 60, chip.truths()[-1][1]
        print(f"{baud} baud, {line_hz} lines/s: {len(ticks)} lines, {rpm:.2f} rpm of {true:.2f}")
        assert rpm == pytest.approx(true, rel=5e-4)
