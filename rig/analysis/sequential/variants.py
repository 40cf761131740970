"""Several variants at once.

Each variant is compared with the baseline at its share of the error probability (Bonferroni), so
that it does not matter which of them are still run: a decided variant drops out of the schedule
(`Schedule.without`). Which variant is best is a question of its own, asked of each pair.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from itertools import permutations

from rig.analysis.sequential.looks import ALPHA, Plan
from rig.analysis.verdict import NOT_WORTH, WORTH

BEST, BEST_SO_FAR = "best", "best so far"


def plans(
    baseline: str,
    variants: Sequence[str],
    smallest: float,
    order: tuple[str, ...],
    alpha: float = ALPHA,
) -> dict[str, Plan]:
    """One plan for each variant."""
    share = alpha / len(variants)
    return {name: Plan(baseline, name, smallest, order, share) for name in variants}


def pairs(
    variants: Sequence[str], order: tuple[str, ...], alpha: float = ALPHA
) -> dict[tuple[str, str], Plan]:
    """For each ordered pair the plan that asks whether the first beats the second."""
    share = alpha / len(variants)
    return {
        (one, other): Plan(other, one, 0.0, order, share)
        for one, other in permutations(variants, 2)
    }


def best(
    words: Mapping[str, str], gains: Mapping[str, float], beaten: Collection[tuple[str, str]]
) -> tuple[str, str] | None:
    """The variant with the largest gain, and whether it is "best" or "best so far".

    `words` are the variants' words, `gains` their estimates, `beaten` the pairs (winner, loser)
    whose look said "worth it". Best must be worth it, and must beat each other variant that is
    not already known to be not worth it. None where no variant may be worth it.

    The wrong variant is called best with probability alpha at most: it would have to beat the
    right one, and k - 1 variants could, each with alpha / k.
    """
    left = [name for name, word in words.items() if word != NOT_WORTH]
    if not left:
        return None
    first = max(left, key=lambda name: gains[name])
    beats_all = all((first, other) in beaten for other in left if other != first)
    return first, BEST if beats_all and words[first] == WORTH else BEST_SO_FAR
