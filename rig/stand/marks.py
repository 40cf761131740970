"""Where the marks on a rotor sit, learned from whole turns, and what edges say about its speed.

A whole turn is right wherever the marks sit. Counts and ticks in, edges per tick out.
"""

from __future__ import annotations

import math

UNEVEN_MARKS = 0.15
"""Marks stuck on by hand are not spaced evenly (common practice, no source). They change what
is read between two of them by up to this many even distances, and a speed that changes by
less than this share is never a glitch, however quick."""

PLACES_AGREE = 0.005
"""Places of marks are known once they are found again within this share of an even distance
(and what two ticks add), as often in a row as there are marks."""

LONGEST_EDGES = 64
"""Whole turns of more edges than these (but two turns in any case) are not used: a speed may
wander over them by more than the places of the marks matter."""

AGREED = 2
"""Once may be chance: a speed that changes just as the marks are spaced."""

MANY_EDGES = 4
"""A reading over so many edges is relied on wherever the marks are: what they change in it is
small, and whole turns may be long past."""

FALLS = 0.002
"""A share by which whole turns get slower that is no noise."""

LEARNED_AT_FIRST, LEARNED_LATER = 0.5, 0.1
"""The share of a place's error that is corrected at a time, at each of two marks."""


class Turns:
    """The newest edge at each mark, and how far each mark lies from its even place.

    Places are in even distances between marks. Only differences of places matter.
    """

    def __init__(self, marks: int) -> None:
        self._marks = marks
        self._newest: list[tuple[int, int, float] | None] = [None] * marks
        """By mark: the count and tick of its newest edge, and edges per tick over the whole
        turns before it."""
        self._places = [0.0] * marks
        self._longest = max(LONGEST_EDGES, 2 * marks)
        self._agreed = [0] * marks
        """By mark: how often readings from it or to it gave the speed of the reading before,
        since one last did not; from AGREED on they are relied on."""
        self._spaced_rate = math.nan
        """Edges per tick of the last reading from mark to mark."""
        self._rate = math.nan
        """The last edges per tick that no uneven marks change, twice its middle tick, and at
        which count."""
        self._rate_middle = self._rate_from = 0
        self._falls = False
        """Whether the rotor slows down: the last rate is below that of a turn before it."""
        self._fell_from, self._fell_middle = math.nan, 0
        self._sure = self._was_sure = marks == 1
        self._extra = 0
        """Edges counted so far that were none, less those that were missed."""
        self._usable_from = 0
        """The first edge after the last glitch; whole turns do not reach across it."""

    def begin(self, edges: int, at: int) -> None:
        """The first edge that is known: the count is `edges` at tick `at`."""
        self._newest[edges % self._marks] = edges, at, math.nan

    def rate(self, edges: int, at: int, edges_before: int, before: int) -> float:
        """Edges per tick from one edge to the next that is known, spacing allowed for.

        `edges` is the count at tick `at`.
        """
        counted, ticks = edges - edges_before, max(at - before, 1)
        if self._marks == 1:
            return counted / ticks
        mark = (edges - self._extra) % self._marks
        mark_before = (edges_before - self._extra) % self._marks
        newest = self._newest[mark]
        whole = math.nan
        usable_from = max(self._usable_from, edges - self._longest)
        if newest is not None and newest[0] >= usable_from and newest[1] < at:
            whole = (edges - newest[0]) / (at - newest[1])
            if newest[1] < before and edges_before >= self._usable_from:
                self._learn(whole, newest, edges_before, before, mark, mark_before)
        self._newest[mark] = edges, at, whole
        spaced = counted + self._places[mark] - self._places[mark_before]
        rate = spaced / ticks
        agreed = self._agreed
        sure = agreed[mark] >= AGREED and agreed[mark_before] >= AGREED
        if not sure and mark != mark_before:
            if abs(spaced - self._spaced_rate * ticks) < 2.0 * (PLACES_AGREE + rate):
                agreed[mark] += 1
                agreed[mark_before] += 1
            else:
                self._forget()
        self._spaced_rate = rate
        self._was_sure = self._sure
        self._sure = sure or mark == mark_before or counted >= MANY_EDGES
        if self._sure:
            self._rely(rate, before + at, edges)
            return rate
        twice_middle = at + (newest[1] if newest else 0)
        return self._while_unknown(counted, ticks, rate, whole, twice_middle, edges)

    def _while_unknown(
        self, counted: int, ticks: int, rate: float, whole: float, twice_middle: int, edges: int
    ) -> float:
        """Of the reading, the whole turns that end with it (about `twice_middle` / 2) and the
        last rate that no marks change, what is sure or nearest."""
        edges_before = edges - counted
        off = abs(whole * ticks - counted)
        kept = self._rate_from == edges_before and off >= abs(self._rate * ticks - counted)
        if whole == whole and not kept and twice_middle > self._rate_middle + ticks:
            self._rely(whole, twice_middle, edges)
        elif edges_before - self._rate_from > (self._marks if whole == whole else 0):
            return rate
        if self._falls and rate < self._rate:
            return rate
        short = counted - self._rate * ticks
        if abs(short) <= UNEVEN_MARKS:
            self._sure = True
            return self._rate
        # It rises by more than marks explain: by how much more is certain.
        return (counted - UNEVEN_MARKS if short > 0.0 else counted) / ticks

    def _rely(self, rate: float, middle: int, edges: int) -> None:
        """Keep a rate that no uneven marks change, about half the tick `middle`."""
        falls = rate < (1.0 - FALLS) * self._fell_from
        if falls or not (middle - self._fell_middle) * rate < 2.0 * self._marks:
            self._falls, self._fell_from, self._fell_middle = falls, rate, middle
        self._rate, self._rate_middle, self._rate_from = rate, middle, edges

    def _learn(
        self,
        whole: float,
        newest: tuple[int, int, float],
        edges_before: int,
        before: int,
        mark: int,
        mark_before: int,
    ) -> None:
        """Compare where in a whole turn the mark before came with where it is thought to be."""
        began, began_at, whole_before = newest
        since = before - began_at
        # How far a speed that changes evenly bends the way of the turn off a straight line.
        bent = 0.5 * abs(whole - whole_before) * since
        if not bent < PLACES_AGREE + whole:  # nor where the turn before is not known
            return
        places = self._places
        wrong = whole * since - (edges_before - began) - places[mark_before] + places[mark]
        known = self._agreed[mark] >= AGREED and self._agreed[mark_before] >= AGREED
        if known and not abs(wrong) < 2.0 * (PLACES_AGREE + whole):
            self._forget()
        share = wrong * (LEARNED_LATER if known else LEARNED_AT_FIRST)
        places[mark_before] += share
        places[mark] -= share

    def glitch(self, edges: int, surplus: float) -> None:
        """The reading that ended with `edges` had so many more of them than were due, or nan."""
        self._usable_from = edges + 1
        extra = round(surplus) if math.isfinite(surplus) else 0
        self._extra += extra
        if not abs(surplus - extra) <= UNEVEN_MARKS:
            # No whole number of edges: which mark is which is not known any more.
            self._forget()
            self._places = [0.0] * self._marks

    def _forget(self) -> None:
        self._agreed = [0] * self._marks

    @property
    def slack(self) -> float:
        """The share by which a reading may change at once: twice as much where neither it nor
        the one before is free of what uneven marks change."""
        return UNEVEN_MARKS if self._sure or self._was_sure else 2.0 * UNEVEN_MARKS

    @property
    def unevenness(self) -> float:
        """By how many even distances the worst distance of two marks is off; 0 while unknown."""
        if self._marks == 1 or min(self._agreed) < AGREED:
            return 0.0
        places = self._places
        return max(abs(places[mark] - places[mark - 1]) for mark in range(self._marks))
