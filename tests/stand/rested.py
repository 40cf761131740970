"""What a board sends at rest, collected for the check before arming."""

from __future__ import annotations

from collections.abc import Callable

from rig.protocol.decoder import Decoder
from rig.protocol.records import Channel, Data, Hello
from rig.protocol.timeline import Timeline
from rig.simulator.board import Board
from rig.stand.at_rest import AtRest, RestWindow
from rig.stand.model import Stand
from rig.stand.sampler import Sampler


def rested(
    board: Board,
    stand: Stand,
    wrong: Callable[[Data], Data | None] = lambda data: data,
    **changes: object,
) -> AtRest:
    """Half a second at rest; `wrong` is done to each line, None loses it."""
    decoder, window, timeline = Decoder(), RestWindow(), Timeline()
    channels: dict[int, Channel] = {}
    hello: Hello | None = None
    sampler: Sampler | None = None
    now_s = 0.0
    while now_s < 0.5:
        now_s += 0.005
        for line in decoder.complete(board.advance(0.005)).split(b"\n")[:-1]:
            record = decoder.decode(line)
            if isinstance(record, Data):
                record = wrong(record)
            if isinstance(record, Hello):
                hello = record
            elif isinstance(record, Channel):
                channels[record.index] = record
            if hello and sampler is None and len(channels) == hello.channels:
                sampler = Sampler(stand, hello, list(channels.values()))
            if isinstance(record, Data) and sampler and (step := timeline.accept(record)):
                window.add(now_s, step, record, sampler.sample(step, record))
    assert hello is not None and sampler is not None
    return AtRest(stand, hello, sampler, tuple(window.lines), **changes)  # type: ignore[arg-type]
