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
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from quietcopper.errors import OutOfRange
from quietcopper.fields.content import kept_by_content
from quietcopper.fields.ranges import Floats

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

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


@kept_by_content(2048)
def noise(shared: Sequence[Shared], aggressor: Ends, victim: Ends, rise: float, wave: float) -> EndNoise:
    """What a ramp of `wave` volts over `rise` seconds (0 to 100 %), sent into the aggressor's start at time 0, puts on
    the victim's ends. Raises OutOfRange for reflections beyond ±1 or times that are no times."""
    for line in (aggressor, victim):
        if not (abs(line.start) <= 1 and abs(line.end) <= 1 and 0 <= line.delay < np.inf):
            raise OutOfRange(f"a line with reflections {line.start:g}, {line.end:g} and a delay of {line.delay:g} s")
    if not 0 < rise < np.inf:
        raise OutOfRange(f"an edge of {rise:g} s")
    # ramps that reach the victim's ends: end (0 start, 1 end), time, volts
    end, time, volts = [np.zeros(0, dtype=np.int64)], [np.zeros(0)], [np.zeros(0)]
    amplitude, toward, left = _passes(aggressor)
    for forward in (True, False):
        going = toward == forward
        waves, offset = amplitude[going, None, None] * wave, left[going, None, None]
        for s in shared if len(waves) else ():
            entry, leave = (min(s.aggressor), max(s.aggressor)) if forward else (max(s.aggressor), min(s.aggressor))
            begins = entry if forward else aggressor.delay - entry
            lasts = abs(leave - entry)
            ahead = (s.aggressor[0] <= s.aggressor[1]) == forward  # whether the edge goes as the victim is travelled
            in_at, out_at = s.victim if ahead else s.victim[::-1]
            apart = s.kf * s.length
            back = [(begins, s.kb), (begins + 2 * lasts, -s.kb)]
            on = [(begins + lasts - apart, 0.5), (begins + lasts + apart, -0.5)]
            for ramps, place, toward_end in ((back, in_at, not ahead), (on, out_at, ahead)):
                at_end, factor, later = _arrivals(victim, place, toward_end)
                moment, height = np.array(ramps).T[:, None, :, None]
                times, levels = offset + moment + later, waves * height * factor
                end.append(np.broadcast_to(at_end, times.shape).ravel())
                time.append(times.ravel())
                volts.append(levels.ravel())
    return _summed(np.concatenate(end), np.concatenate(time), np.concatenate(volts), rise)


def _passes(line: Ends) -> tuple[Floats, Bools, Floats]:
    """An edge between the ends of its line: amplitude, whether it goes to the end, time at which it leaves."""
    amplitude, toward_end = _reflected(line, True)
    left = np.asarray(line.delay * np.arange(len(amplitude)), dtype=np.float64)
    return amplitude, toward_end, left


def _arrivals(line: Ends, place: float, toward_end: bool) -> tuple[Ints, Floats, Floats]:
    """A wave sent from a place (s from the start): end it arrives at (0 start, 1 end), factor of the voltage there, and
    how much later."""
    amplitude, toward = _reflected(line, toward_end)
    first = (line.delay - place) if toward_end else place
    factor: Floats = amplitude * (1 + np.where(toward, line.end, line.start))
    later = np.asarray(first + line.delay * np.arange(len(amplitude)), dtype=np.float64)
    return toward.astype(np.int64), factor, later


def _reflected(line: Ends, toward_end: bool) -> tuple[Floats, Bools]:
    """Amplitudes of a wave of 1 that is thrown back and forth, until it has faded, and which of them go to the end."""
    return _thrown(line.start, line.end, toward_end)


@lru_cache(maxsize=4096)  # lines of a bus are many and alike
def _thrown(start: float, end: float, toward_end: bool) -> tuple[Floats, Bools]:
    count = np.arange(_MOST_PASSES)
    toward = (count % 2 == 0) == toward_end
    amplitude = np.cumprod(np.concatenate([[1.0], np.where(toward, end, start)[:-1]]))
    faded = np.flatnonzero(np.abs(amplitude) < _FADED)
    last = int(faded[0]) if len(faded) else _MOST_PASSES
    return amplitude[:last], toward[:last]


def _summed(end: Ints, time: Floats, volts: Floats, rise: float) -> EndNoise:
    """Ramps added on one time grid: their steps in slope, shared between neighbouring points, summed twice."""
    first, last = (float(time.min()), float(time.max())) if len(time) else (0.0, 0.0)
    first, last = first - rise / _PER_RISE, last + rise * 1.1
    step = max(rise / _PER_RISE, (last - first) / _MOST_POINTS)
    grid = np.asarray(first + step * np.arange(int((last - first) / step) + 3), dtype=np.float64)
    levels: list[Floats] = []
    for one in (0, 1):
        slope = np.zeros(len(grid))
        t, v = time[end == one], volts[end == one]
        for moment, sign in ((t, 1.0), (t + rise, -1.0)) if len(t) else ():
            at = (moment - first) / step
            low = at.astype(np.int64)
            slope += np.bincount(low, sign * v * (1 - (at - low)), len(slope))
            slope += np.bincount(low + 1, sign * v * (at - low), len(slope))
        level = np.zeros(len(grid))
        level[1:] = (np.cumsum(np.cumsum(slope)) * (step / rise))[:-1]  # a slope shows at the point after its beginning
        levels.append(level)
    return EndNoise(grid, levels[0], levels[1])
