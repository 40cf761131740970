"""From what the operator asked for to a plan that the recorder can carry out."""

from __future__ import annotations

import json
import math
import platform
import re
import time
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

import platformdirs

from rig.errors import DiskError, SettingsError
from rig.protocol.framing import LONGEST_REMARK
from rig.recorder.messages import Plan
from rig.stand.model import Stand
from rig.version import version

LONGEST_RUN_S = 86_400.0
LONGEST_BEGINNING = LONGEST_REMARK - 1000
"""Characters of JSON in a journal's first line; the rest is for the time and the frame."""

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")

MOST_NAMED = 6
"""Known setups that one line names."""


def default_folder() -> Path:
    """Where captures go when nobody says: the user's documents."""
    return Path(platformdirs.user_documents_path()) / "rig captures"


def find_stand(given: Path | None) -> Path:
    """The stand's settings: as given, or `stand.toml` here, or in the user's settings folder.

    Raises SettingsError naming every place that was looked at.
    """
    if given is not None:
        return given
    places = [Path("stand.toml"), Path(platformdirs.user_config_path("rig")) / "stand.toml"]
    for place in places:
        if place.is_file():
            return place
    raise SettingsError(
        "there is no stand.toml",
        where=" or ".join(str(place) for place in places),
        to_do="Name one with --stand, or try `rig run --simulated`.",
    )


def throttle_steps(words: Sequence[str], seconds: float | None) -> tuple[tuple[float, float], ...]:
    """Steps from `PERCENT:SECONDS`, several in a word with commas between.

    A step without seconds lasts `seconds`. Raises SettingsError for anything else.
    """
    steps = []
    for word in ",".join(words).split(",") if words else ():
        match = re.fullmatch(r"([0-9.]{1,6})(?::([0-9.]{1,8}))?", word.strip())
        try:
            percent = float(match[1]) if match else math.nan
            hold_s = float(match[2]) if match and match[2] else (seconds or math.nan)
        except ValueError:
            percent = hold_s = math.nan
        if not (0.0 <= percent <= 100.0 and 0.0 < hold_s <= LONGEST_RUN_S):
            raise SettingsError(
                f"{word!r} is not a throttle step",
                where="--throttle",
                to_do="Steps are PERCENT:SECONDS, such as 40:5,80:10, with 0 to 100 percent "
                "and more than 0 s; a step without seconds needs --seconds.",
            )
        steps.append((percent, hold_s))
    return tuple(steps)


def plan_run(
    stand: Stand,
    port: str,
    *,
    folder: Path,
    setup: str,
    seconds: float | None,
    throttle: Sequence[str],
    soak_s: float,
    notes: str = "",
    pairs: Sequence[str] = (),
    automatic: bool = True,
    zero: bool = False,
    seed: int | None = None,
    stop_proof: Mapping[str, object] | None = None,
) -> Plan:
    """A plan whose journal lies in `folder`, under the next run number of `setup`.

    `seed` is that of a simulated board, so that its capture says how to repeat it. `stop_proof` is
    what the capture shall say of the stop, from `rig.stop_proof.for_run`.
    Raises SettingsError for what cannot be run, DiskError where `folder` cannot be made.
    """
    from rig.captures.description import checked_notes, checked_setup, parse_pairs
    from rig.captures.names import safe_name
    from rig.stand.settings import stand_to_dict

    setup, notes, known = checked_setup(setup), checked_notes(notes), parse_pairs(pairs)
    steps = throttle_steps(throttle, seconds)
    _check_times(stand, seconds, steps, soak_s)
    folder = _made(folder.expanduser())
    run = 1 + _runs_of(folder, safe_name(setup))
    beginning = {
        "schema": 1,
        "setup": setup,
        "run": run,
        "campaign": folder.name,
        "notes": notes,
        "pairs": known,
        "stand": stand_to_dict(stand),
        "port": port,
        "stop_proof": dict(stop_proof or {}),
        "plan": {"seconds": seconds, "throttle": [list(step) for step in steps]}
        | ({"zero": True} if zero else {})
        | ({} if seed is None else {"seed": seed}),
        "host": _host(),
    }
    _check_length(beginning)
    return Plan(
        stand=stand,
        port=port,
        journal=_free_journal(folder, f"{safe_name(setup)}_{run:02d}"),
        beginning=beginning,
        seconds=seconds,
        throttle=steps,
        soak_s=soak_s,
        automatic=automatic,
        zero=zero,
    )


def _check_length(beginning: Mapping[str, object]) -> None:
    if len(json.dumps(beginning)) > LONGEST_BEGINNING:
        raise SettingsError(
            "setup, notes and pairs are too long together for one line of the journal",
            where="rig run",
            to_do="Make them shorter.",
        )


def _check_times(
    stand: Stand, seconds: float | None, steps: Sequence[tuple[float, float]], soak_s: float
) -> None:
    for name, value in (("--seconds", seconds), ("--soak", soak_s)):
        if value is not None and not 0.0 <= value <= LONGEST_RUN_S:
            raise SettingsError(
                f"{value:g} s is not a time to run",
                where=name,
                to_do=f"Allowed is 0 to {LONGEST_RUN_S:g} s.",
            )
    if seconds == 0.0:
        # A plan without a length is a run without an end.
        raise SettingsError("0 s is no run", where="--seconds", to_do="Give more than 0 s.")
    length_s, longest_s = seconds or sum(hold_s for _, hold_s in steps), stand.limits.longest_run_s
    if longest_s is not None and length_s > longest_s:
        raise SettingsError(
            f"{length_s:g} s are planned, and `longest_run_s` in stand.toml is {longest_s:g} s",
            where="--throttle" if steps else "--seconds",
            to_do="Make the run shorter, or allow longer ones.",
        )


def _made(folder: Path) -> Path:
    """The folder, there now. Raises DiskError where it cannot be made."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DiskError(
            f"the folder cannot be made: {(error.strerror or str(error)).lower()}",
            where=str(folder),
            to_do="Choose another folder with --out.",
        ) from error
    return folder


def _free_journal(folder: Path, name: str) -> Path:
    """A journal named by the time and `name`, next to no other file of that name."""
    stem = f"{datetime.now():%Y%m%dT%H%M%S}_{name}"
    while list(folder.glob(f"{stem}.*")):
        time.sleep(0.05)
        stem = f"{datetime.now():%Y%m%dT%H%M%S%f}_{name}"
    return folder / f"{stem}.journal"


def _host() -> dict[str, str | float]:
    """This program and this computer."""
    return {
        "rig": version(),
        "python": platform.python_version(),
        "platform": platform.platform(),
        **_clocks(),
    }


def _clocks() -> dict[str, str | float]:
    """The wall clock, and the clock since this boot of the computer, which no one can set.

    Nothing where the system (any but Linux) does not say which boot it is.
    """
    try:
        boot = BOOT_ID.read_text(encoding="ascii").strip()
        boot_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    except (OSError, ValueError, AttributeError):
        return {}
    return {"boot": boot, "boot_s": round(boot_s, 3), "wall_s": round(time.time(), 3)}


def new_setup_line(setup: str, known: Sequence[str]) -> str:
    """What to say where the folder knows other setups but not this one; otherwise nothing."""
    if not known or setup in known:
        return ""
    return f"new setup {setup!r} (known here: {known_line(known)})"


def known_line(known: Sequence[str]) -> str:
    """Setups in one line, the first few by name."""
    more = f" and {len(known) - MOST_NAMED} more" if len(known) > MOST_NAMED else ""
    return ", ".join(known[:MOST_NAMED]) + more


def _runs_of(folder: Path, name: str) -> int:
    """The highest run number of a setup so far, from the file names."""
    pattern = re.compile(rf"[0-9T]+_{re.escape(name)}_([0-9]+)(_[0-9]+)?\.(parquet|journal)")
    matches = (pattern.fullmatch(path.name) for path in folder.iterdir())
    return max((int(match[1]) for match in matches if match), default=0)
