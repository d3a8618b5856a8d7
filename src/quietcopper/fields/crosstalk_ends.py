"""Noise that an edge on one line puts on another along all stretches they share, with what stands at the lines' ends.

Each passage of the aggressor's edge along a stretch sends two waves into the victim: backward Kb·(v(t) − v(t − 2τ))
from where the edge enters, forward half the difference of the even and the odd wave from where it leaves (`crosstalk`
names the sources). Edge and waves are then followed between the resistive ends of their lines: at an end with
reflection r the voltage is (1 + r) times the wave, and r times the wave goes back. Weak coupling: the victim gives
nothing back. Held to coupled lines in a circuit simulator, 5 % of the peak.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from quietcopper.errors import OutOfRange
from quietcopper.fields.ranges import Floats

_PER_RISE = 24  # points of the time grid per edge
_MOST_POINTS = 8000
_FADED = 0.01  # of the first wave: what is smaller is not followed
_MOST_PASSES = 40


@dataclass(frozen=True)
class Shared:
    """A stretch that two lines share. kb : near-end coefficient; kf : far end, s/m; length : m

    aggressor, victim : delays (s) from the start of each line to where the stretch begins and ends on it, in the order
    in which the victim is travelled from its start; the aggressor's pair falls where the two run against each other
    """

    kb: float
    kf: float
    length: float
    aggressor: tuple[float, float]
    victim: tuple[float, float]


@dataclass(frozen=True)
class Ends:
    """A line between its ends: delay from one to the other, s, and the reflection coefficients there."""

    delay: float
    start: float = 0.0
    end: float = 0.0


@dataclass(frozen=True, eq=False)
class EndNoise:
    """Voltages at the victim's ends over time, V and s, shape (points,)."""

    time: Floats
    start: Floats
    end: Floats

    @property
    def peak_start(self) -> float:
        """The value farthest from 0 at the victim's start, V, with its sign."""
        return float(self.start[np.argmax(np.abs(self.start))])

    @property
    def peak_end(self) -> float:
        return float(self.end[np.argmax(np.abs(self.end))])


def noise(shared: Sequence[Shared], aggressor: Ends, victim: Ends, rise: float, wave: float) -> EndNoise:
    """What a ramp of `wave` volts over `rise` seconds (0 to 100 %), sent into the aggressor's start at time 0, puts on
    the victim's ends. Raises OutOfRange for reflections beyond ±1 or times that are no times."""
    for line in (aggressor, victim):
        if not (abs(line.start) <= 1 and abs(line.end) <= 1 and 0 <= line.delay < np.inf):
            raise OutOfRange(f"a line with reflections {line.start:g}, {line.end:g} and a delay of {line.delay:g} s")
    if not 0 < rise < np.inf:
        raise OutOfRange(f"an edge of {rise:g} s")
    at_ends: tuple[list[tuple[float, float]], list[tuple[float, float]]] = ([], [])  # (time, volts) of ramps
    for amplitude, forward, offset in _passes(aggressor):
        for s in shared:
            entry, leave = (min(s.aggressor), max(s.aggressor)) if forward else (max(s.aggressor), min(s.aggressor))
            begins = offset + (entry if forward else aggressor.delay - entry)
            lasts = abs(leave - entry)
            ahead = (s.aggressor[0] <= s.aggressor[1]) == forward  # whether the edge goes as the victim is travelled
            in_at, out_at = s.victim if ahead else s.victim[::-1]
            apart = s.kf * s.length
            back = [(begins, s.kb), (begins + 2 * lasts, -s.kb)]
            on = [(begins + lasts - apart, 0.5), (begins + lasts + apart, -0.5)]
            for ramps, place, toward_end in ((back, in_at, not ahead), (on, out_at, ahead)):
                for end, factor, later in _arrivals(victim, place, toward_end):
                    at_ends[end].extend((t + later, v * amplitude * factor * wave) for t, v in ramps)
    return _summed(at_ends, rise)


def _passes(line: Ends) -> list[tuple[float, bool, float]]:
    """An edge between the ends of its line: amplitude, whether it goes to the end, time at which it leaves."""
    out: list[tuple[float, bool, float]] = []
    amplitude, forward, time = 1.0, True, 0.0
    while abs(amplitude) >= _FADED and len(out) < _MOST_PASSES:
        out.append((amplitude, forward, time))
        amplitude *= line.end if forward else line.start
        forward, time = not forward, time + line.delay
    return out


def _arrivals(line: Ends, place: float, toward_end: bool) -> list[tuple[int, float, float]]:
    """A wave sent from a place (s from the start): end it arrives at (0 start, 1 end), factor of the voltage there, and
    how much later."""
    out: list[tuple[int, float, float]] = []
    amplitude, later = 1.0, (line.delay - place) if toward_end else place
    while abs(amplitude) >= _FADED and len(out) < _MOST_PASSES:
        reflection = line.end if toward_end else line.start
        out.append((int(toward_end), amplitude * (1 + reflection), later))
        amplitude *= reflection
        toward_end, later = not toward_end, later + line.delay
    return out


def _summed(at_ends: tuple[list[tuple[float, float]], list[tuple[float, float]]], rise: float) -> EndNoise:
    """Ramps added on one time grid: their steps in slope, shared between neighbouring points, summed twice."""
    times = [t for ramps in at_ends for t, _ in ramps] or [0.0]
    first, last = min(times) - rise / _PER_RISE, max(times) + rise * 1.1
    step = max(rise / _PER_RISE, (last - first) / _MOST_POINTS)
    time = np.asarray(first + step * np.arange(int((last - first) / step) + 3), dtype=np.float64)
    volts: list[Floats] = []
    for ramps in at_ends:
        slope = np.zeros(len(time))
        if ramps:
            t, v = np.array(ramps).T
            for moment, sign in ((t, 1.0), (t + rise, -1.0)):
                at = (moment - first) / step
                low = at.astype(np.int64)
                slope += np.bincount(low, sign * v * (1 - (at - low)), len(slope))
                slope += np.bincount(low + 1, sign * v * (at - low), len(slope))
        level = np.zeros(len(time))
        level[1:] = (np.cumsum(np.cumsum(slope)) * (step / rise))[:-1]  # a slope shows at the point after its beginning
        volts.append(level)
    return EndNoise(time, volts[0], volts[1])
