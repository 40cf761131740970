"""The last proof that a stand's motor can be stopped: a small file of the user's state folder.

`rig check --turn` writes it, `rig run` puts what it says into each capture. It is kept per stand
(its name and its port) and holds only while the stand's settings are those of the proof: channels,
tachometer and limits. A proof that failed replaces one that did not. What is read is untrusted.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import platformdirs

from rig.errors import DiskError
from rig.stand.model import Stand
from rig.text import one_line

SCHEMA = 1
MOST_READ = 20_000
LONGEST_TEXT = 200

WAYS = ("stop", "silence", "limit", "stop input")
NEEDED = frozenset({"stop", "silence"})
"""Every board that obeys must have these; the others count where the board has them."""

TO_DO = "`rig check --turn` proves the stop."
SIMULATED = "simulated"


@dataclass(frozen=True, slots=True)
class Way:
    """What was seen of one way to stop. `proven` is None where it was not tried, `words` say why.

    `cut_ms` until the board said that it cut, `fell_ms` until current and speed had fallen.
    """

    proven: bool | None
    cut_ms: float | None = None
    fell_ms: float | None = None
    words: str = ""


@dataclass(frozen=True, slots=True)
class StopProof:
    """The result of `rig check --turn` on one stand. `digest` is of the stand's settings."""

    utc: str
    digest: str
    board: str
    firmware: str
    ways: dict[str, Way]
    propeller: str = ""
    throttle_pct: float | None = None
    schema: int = SCHEMA

    @property
    def holds(self) -> bool:
        """Whether all that was tried stopped the motor, and what every board must do was tried."""
        tried = {name: way.proven for name, way in self.ways.items() if way.proven is not None}
        return tried.keys() >= NEEDED and all(tried.values())

    def sentence(self) -> str:
        """Which ways stopped the motor, and which did not."""
        parts = [f"{name} {_took(way)}" for name, way in self.ways.items()]
        return f"{_local(self.utc)}: {', '.join(parts)}"


def digest_of(stand: Stand) -> str:
    """The same for all stands with the same channels, tachometer and limits."""
    from rig.stand.settings import stand_to_dict

    table = {key: value for key, value in stand_to_dict(stand).items() if key not in ("port",)}
    return hashlib.sha256(json.dumps(table, sort_keys=True).encode()).hexdigest()[:32]


def path_of(stand: Stand, port: str) -> Path:
    """Where the proof of this stand lies."""
    same = os.path.realpath(port) if Path(port).exists() else port
    key = hashlib.sha256(json.dumps([stand.name, same]).encode()).hexdigest()[:32]
    return Path(platformdirs.user_state_path("rig")) / "stop_proofs" / f"{key}.json"


def keep(proof: StopProof, stand: Stand, port: str) -> Path:
    """Write it in the place of the one before, whole or not at all. Raises DiskError."""
    path = path_of(stand, port)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        descriptor, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            json.dump(dataclasses.asdict(proof), file, indent=1)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except OSError as error:
        raise DiskError(
            f"the proof cannot be kept: {(error.strerror or str(error)).lower()}", where=str(path)
        ) from error
    return path


def read(path: Path) -> StopProof | None:
    """The proof in `path`; None where there is none that makes sense."""
    try:
        with path.open("rb") as file:
            content = json.loads(file.read(MOST_READ))
    except (OSError, ValueError, RecursionError):
        return None
    return _proof(content)


def for_run(stand: Stand, port: str, *, simulated: bool = False) -> dict[str, Any]:
    """What a capture says of the stop: the proof with `proven` true, or `why` there is none."""
    proof = read(path_of(stand, SIMULATED if simulated else port))
    if proof is None and simulated:
        return {}  # nothing is there that could hurt
    if proof is None:
        return {"proven": False, "why": "never tried on this stand and port"}
    if proof.digest != digest_of(stand):
        why = f"stand.toml was changed since the proof of {_local(proof.utc)}"
        return {"proven": False, "why": why}
    if not proof.holds:
        return {"proven": False, "why": f"tried {proof.sentence()}"}
    return {"proven": True, **dataclasses.asdict(proof)}


def warning(kept: object) -> str:
    """The first line of a run whose stop is not proven; nothing where it is, or nobody asked."""
    if not isinstance(kept, Mapping) or kept.get("proven") is not False:
        return ""
    return f"THE STOP IS NOT PROVEN: {one_line(str(kept.get('why', '')))[:LONGEST_TEXT]}. {TO_DO}"


def line_of(kept: object) -> str:
    """What `rig show` says of a capture's stop; nothing for captures that do not know."""
    if not isinstance(kept, Mapping) or not kept:
        return ""
    proof = _proof(dict(kept)) if kept.get("proven") is True else None
    if proof is None:
        why = one_line(str(kept.get("why", "unknown")))[:LONGEST_TEXT]
        return f"stop not proven before this run: {why}"
    with_board = f"{one_line(proof.board)} {one_line(proof.firmware)}"
    return f"stop proven {proof.sentence()} (board {with_board})"


def _proof(content: object) -> StopProof | None:
    """From JSON that anyone may have written."""
    if not isinstance(content, dict) or content.get("schema") != SCHEMA:
        return None
    texts = [content.get(name) for name in ("utc", "digest", "board", "firmware", "propeller")]
    table = content.get("ways")
    if not isinstance(table, dict) or not all(map(_is_text, texts)):
        return None
    utc, digest, board, firmware, propeller = map(str, texts)
    try:
        datetime.fromisoformat(utc)
    except ValueError:
        return None
    ways = {name: _way(table[name]) for name in WAYS if isinstance(table.get(name), dict)}
    throttle_pct = _number(content.get("throttle_pct"))
    return StopProof(utc, digest, board, firmware, ways, propeller, throttle_pct)


def _way(table: dict[str, Any]) -> Way:
    proven, words = table.get("proven"), table.get("words")
    return Way(
        proven if isinstance(proven, bool) else None,
        _number(table.get("cut_ms")),
        _number(table.get("fell_ms")),
        str(words) if _is_text(words) else "",
    )


def _is_text(value: object) -> bool:
    return isinstance(value, str) and len(value) <= LONGEST_TEXT


def _number(value: object) -> float | None:
    if not isinstance(value, int | float) or isinstance(value, bool):
        return None
    return float(value) if math.isfinite(value) and abs(value) < 1e9 else None


def _took(way: Way) -> str:
    if way.proven is None:
        return "not tried"
    if not way.proven:
        return "NOT PROVEN"
    return "proven" if way.fell_ms is None else f"{way.fell_ms:.0f} ms"


def _local(utc: str) -> str:
    try:
        return f"{datetime.fromisoformat(utc).astimezone():%Y-%m-%d %H:%M}"
    except (ValueError, OverflowError, OSError):
        return "-"
