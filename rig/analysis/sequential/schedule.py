"""In which order the runs of a campaign are made, and after which of them a look is taken.

Orders in turn keep a drift of the stand apart from the setups (`rig/analysis/order.py`). A look
comes after each balanced block, since between blocks a setup may have the better places.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.errors import SettingsError

ABAB, ABBA, MIRRORED, IN_BLOCKS = "ABAB", "ABBA", "mirrored", "A-B-A"

FEWEST_RUNS = 3
"""Usable runs of each setup before a first look: two show too little of the scatter."""

LONGEST_ABAB = 10
"""Runs of each setup up to which ABAB is the default."""

MOST_SETUPS = 5


@dataclass(frozen=True, slots=True)
class Schedule:
    """The planned runs, and the looks."""

    kind: str
    runs: tuple[str, ...]
    """The setup of each run."""
    looks: tuple[int, ...]
    """After how many runs a look is taken; the last is after all of them."""

    def without(self, done: int, decided: Collection[str]) -> Schedule:
        """After `done` runs, the setups in `decided` are not run any more."""
        kept = [i for i, setup in enumerate(self.runs) if i < done or setup not in decided]
        looks = sorted({sum(i < look for i in kept) for look in self.looks})
        return Schedule(self.kind, tuple(self.runs[i] for i in kept), tuple(looks))


def schedule(
    setups: Sequence[str], most: int, kind: str | None = None, *, remount: bool = False, seed: int
) -> Schedule:
    """The order of `most` runs of each setup; `setups` begins with the baseline.

    `kind` None is the default: ABAB where a change of setup means remounting or up to
    `LONGEST_ABAB` runs, otherwise ABBA; for three or more setups a random block and its mirror
    image. `seed` is used for random blocks only. Raises SettingsError for what cannot be planned.
    """
    kind = kind or _default(len(setups), most, remount=remount)
    _refuse(setups, most, kind)
    if kind == IN_BLOCKS:
        return _in_blocks(setups, most)
    blocks = _blocks(setups, most, kind, seed)
    runs = tuple(setup for block in blocks for setup in block)
    balanced = 2 if kind in (ABBA, MIRRORED) else 1
    looks = {len(setups) * n for n in range(1, most) if n >= FEWEST_RUNS and n % balanced == 0} | {
        len(runs)
    }
    return Schedule(kind, runs, tuple(sorted(looks)))


def mountings(setups: Sequence[str]) -> tuple[int, ...]:
    """The number of each run's mounting, if only a change of setup means remounting."""
    changes = [a != b for a, b in pairwise(setups)]
    return (0, *np.cumsum(changes).tolist())


def per_mounting(
    setups: Sequence[str], values: ArrayLike, began_s: ArrayLike, mounting: Sequence[int]
) -> tuple[tuple[str, ...], NDArray[np.float64], NDArray[np.float64]]:
    """One row per mounting: setup, mean of the values, mean of the times.

    Runs of one mounting share its error, so that they are one observation of the setup.
    `values` and `began_s` have shape (runs,).
    """
    which = np.asarray(mounting)
    numbers = list(dict.fromkeys(mounting))
    share = np.array([(which == n) / (which == n).sum() for n in numbers])
    names = tuple(setups[mounting.index(n)] for n in numbers)
    return names, share @ np.asarray(values, float), share @ np.asarray(began_s, float)


def _default(setups: int, most: int, *, remount: bool) -> str:
    if setups > 2:
        return MIRRORED
    return ABAB if remount or most <= LONGEST_ABAB else ABBA


def _refuse(setups: Sequence[str], most: int, kind: str) -> None:
    if len(set(setups)) != len(setups):
        raise SettingsError("two setups have the same name", where="setups")
    if not 2 <= len(setups) <= MOST_SETUPS:
        raise SettingsError(
            f"a campaign has 2 to {MOST_SETUPS} setups, not {len(setups)}", where="setups"
        )
    if most < FEWEST_RUNS:
        raise SettingsError(
            f"{most} runs of each setup do not show the scatter",
            where="most runs",
            to_do=f"Plan at least {FEWEST_RUNS}.",
        )
    if kind not in (ABAB, ABBA, MIRRORED, IN_BLOCKS):
        raise SettingsError(
            f"there is no order {kind!r}",
            where="order",
            to_do=f"Allowed are {ABAB}, {ABBA}, {MIRRORED} and {IN_BLOCKS}.",
        )
    if kind != MIRRORED and len(setups) > 2:
        raise SettingsError(f"the order {kind} is for two setups", where="order")


def _blocks(setups: Sequence[str], most: int, kind: str, seed: int) -> list[tuple[str, ...]]:
    """One block has each setup once."""
    random = np.random.default_rng(seed)
    blocks: list[tuple[str, ...]] = []
    for place in range(most):
        if kind == ABAB or (kind == ABBA and place % 2 == 0):
            blocks.append(tuple(setups))
        elif place % 2:
            blocks.append(blocks[-1][::-1])
        else:
            blocks.append(tuple(setups[i] for i in random.permutation(len(setups))))
    return blocks


def _in_blocks(setups: Sequence[str], most: int) -> Schedule:
    """The baseline before and after the variant, half of its runs each time; one look, at the end.

    This order shows a change that no drift in one direction can explain. It does not show one
    against a drift that goes up and down again.
    """
    a, b = setups
    first = (most + 1) // 2
    runs = (a,) * first + (b,) * most + (a,) * (most - first)
    return Schedule(IN_BLOCKS, runs, (len(runs),))
