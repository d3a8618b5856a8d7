"""What other lines put on a victim along all stretches they share, at both ends of its way."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from quietcopper.board.model import Floats
from quietcopper.electrical.coupling import Coupling
from quietcopper.electrical.travel import Course, courses
from quietcopper.electrical.view import View
from quietcopper.fields.crosstalk_ends import EndNoise, Ends, Shared, noise
from quietcopper.fields.spectra import full_rise

POINTS = 240  # of a drawn waveform

Figures = Callable[[Coupling], tuple[float, float]]  # kb, kf that a stretch has for the question asked


@dataclass(frozen=True, eq=False)
class Disturbed:
    """What one aggressor puts on a victim. start, end : peaks at the ends of the victim's way, V, with sign

    at_start : whether the start is what counts: where no driver is known to hold it, and it is the worse end
    """

    aggressor: int
    shared: tuple[Coupling, ...]
    seen: EndNoise
    start: float
    end: float
    at_start: bool

    @property
    def peak(self) -> float:
        return abs(self.start if self.at_start else self.end)

    @property
    def trace(self) -> tuple[Floats, Floats]:
        """Time (s) and voltage (V) where it counts."""
        return self.seen.time, self.seen.start if self.at_start else self.seen.end


def couplings_by_victim(found: Sequence[Coupling]) -> dict[int, dict[int, list[Coupling]]]:
    """Stretches by victim and aggressor, each seen from both sides."""
    out: dict[int, dict[int, list[Coupling]]] = {}
    for c in found:
        for victim, aggressor in ((c.net_a, c.net_b), (c.net_b, c.net_a)):
            out.setdefault(victim, {}).setdefault(aggressor, []).append(c)
    return out


class Disturbances:
    """Works out noise on victims of one board; keeps the ways of nets."""

    def __init__(self, view: View) -> None:
        self._view = view
        self._courses: dict[int, tuple[Course, ...]] = {}

    def on(
        self, victim: int, others: Mapping[int, Sequence[Coupling]], figures: Figures = lambda c: (c.kb, c.kf)
    ) -> tuple[Course | None, list[Disturbed]]:
        """The way of the victim that shares most with others, and what each puts on it, worst first."""
        every = [c for shared in others.values() for c in shared]
        way = self._way(victim, every)
        names = self._view.board.nets
        out = [self._one(victim, way, aggressor, shared, figures) for aggressor, shared in others.items()]
        at_start = self._at_start(way, out)
        out = [Disturbed(d.aggressor, d.shared, d.seen, d.start, d.end, at_start) for d in out]
        return way, sorted(out, key=lambda d: (-round(d.peak, 9), names[d.aggressor]))

    @staticmethod
    def _at_start(way: Course | None, found: Sequence[Disturbed]) -> bool:
        if way is not None and way.driven:
            return False
        start, end = (sum(abs(v) for v in values) for values in zip(*((d.start, d.end) for d in found), strict=True))
        return round(start, 9) > round(end, 9)

    def _ways(self, net: int) -> tuple[Course, ...]:
        if net not in self._courses:
            self._courses[net] = courses(self._view, net)
        return self._courses[net]

    def _way(self, net: int, shared: Sequence[Coupling]) -> Course | None:
        def length_on(way: Course) -> float:
            mine = (c.trace_a if c.net_a == net else c.trace_b for c in shared)
            return round(sum(c.length for c, trace in zip(shared, mine, strict=True) if way.holds(trace)), 9)

        ways = self._ways(net)
        if len(ways) == 1:
            return ways[0]
        return max(ways, key=lambda w: (length_on(w), round(w.ends.delay, 15), w.label), default=None)

    def _one(
        self, victim: int, way: Course | None, aggressor: int, shared: Sequence[Coupling], figures: Figures
    ) -> Disturbed:
        driver = self._view.drivers[aggressor]
        other = self._way(aggressor, shared)
        ends = Ends(sum(c.length * c.delay for c in shared))
        parts = []
        for c in shared:
            kb, kf = figures(c)
            mine, theirs = (c.trace_a, c.trace_b) if c.net_a == victim else (c.trace_b, c.trace_a)
            on_victim, on_other = (self._places(w, trace, c) for w, trace in ((way, mine), (other, theirs)))
            if on_victim[0] > on_victim[1]:
                on_victim, on_other = on_victim[::-1], on_other[::-1]
            parts.append(Shared(kb, kf, c.length, on_other, on_victim))
        seen = noise(
            parts,
            other.ends if other is not None else ends,
            way.ends if way is not None else ends,
            float(full_rise(driver.rise)),
            other.wave if other is not None else driver.swing,
        )
        return Disturbed(aggressor, tuple(shared), seen, seen.peak_start, seen.peak_end, False)

    def _places(self, way: Course | None, trace: int, c: Coupling) -> tuple[float, float]:
        """Delays from the start of a way to both ends of a stretch; of a branch beside the way as if at its start."""
        if way is None or not way.holds(trace):
            return 0.0, c.length * c.delay
        line = self._view.board.traces.lines[trace]
        points = shapely.points(shapely.get_coordinates(c.line)[[0, -1]])
        first, last = shapely.line_locate_point(line, points).tolist()
        ends = way.delay_at(trace, first), way.delay_at(trace, last)
        if round(abs(ends[1] - ends[0]), 15) > 0:
            return ends
        return ends[0], min(ends[0] + c.length * c.delay, way.ends.delay)  # arcs, whose stretch is given by its middle


def together(found: Sequence[Disturbed]) -> float:
    """Peak of all aggressors as if their edges met where it counts, V."""
    return float(np.sum([d.peak for d in found]))


def _top(level: Floats) -> int:
    """Where a wave is farthest from 0, of places equal but for rounding the first."""
    size = np.abs(level)
    return int(np.argmax(size >= size.max() * (1 - 1e-9)))


def drawn_wave(found: Sequence[Disturbed], allowed: float, name: str) -> dict[str, Any]:
    """The noise of all aggressors in time, their peaks put on top of each other, as the evidence `waveform`."""
    time, level = found[0].trace
    peak = float(time[_top(level)])
    total = np.zeros(len(time))
    for one in found:
        own_time, own = one.trace
        top = _top(own)
        sign = np.sign(own[top])  # drawn upward: the edge may as well fall
        total += sign * np.interp(time - peak + own_time[top], own_time, own, left=0.0, right=0.0)
    shown = np.flatnonzero(np.abs(total) > 0.01 * np.abs(total).max())
    low, high = max(int(shown[0]) - 4, 0), min(int(shown[-1]) + 5, len(time))
    every = max(1, (high - low) // POINTS)
    return {
        "time_ps": time[low:high:every] * 1e12,
        "level_mv": total[low:high:every] * 1e3,
        "allowed_mv": allowed * 1e3,
        "name": name,
    }
