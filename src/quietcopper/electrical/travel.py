"""Where along a net's way a place lies in time, and what an edge meets at the way's ends."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from quietcopper.board.model import Floats
from quietcopper.electrical.ends import GOES_ON, OPEN, PASSIVE, TERMINATED, driven_from, end_of, terminations
from quietcopper.electrical.parts import RESISTOR
from quietcopper.electrical.profile import Profile
from quietcopper.electrical.view import View
from quietcopper.fields.crosstalk_ends import Ends


@dataclass(frozen=True, eq=False)
class Course:
    """One way of a net as an edge takes it.

    ends : its delay, and reflections where the ends are known, else as if matched; driven : its start is a known driver
    wave : V, what its driver sends in; label : of the pin at its end, "" without
    """

    profile: Profile
    ends: Ends
    driven: bool
    wave: float
    label: str

    @cached_property
    def _pieces(self) -> dict[int, tuple[Floats, Floats]]:
        """By trace: places along it (m, ascending) and the delay from the start at each (s)."""
        profile = self.profile
        after = np.cumsum(profile.delay)
        out: dict[int, tuple[Floats, Floats]] = {}
        traces = np.flatnonzero(profile.kind == "trace")
        of_trace = profile.row[traces]
        for row in sorted(set(of_trace.tolist())):
            mine = traces[of_trace == row]
            forward = len(mine) < 2 or profile.at[mine[-1]] > profile.at[mine[0]]
            if len(mine) == 1:
                forward = self._forward.get(row, True)
            low, high = profile.at[mine] - profile.length[mine] / 2, profile.at[mine] + profile.length[mine] / 2
            first, last = after[mine] - profile.delay[mine], after[mine]
            ends = np.concatenate([low, high]), np.concatenate([first, last] if forward else [last, first])
            order = np.argsort(ends[0], kind="stable")
            out[row] = ends[0][order], ends[1][order]
        return out

    @cached_property
    def _forward(self) -> dict[int, bool]:
        path = self.profile.path
        spans = zip(path.steps, path.spans, strict=True)
        return {row: leave >= enter for (kind, row, _), (enter, leave) in spans if kind == "trace"}

    def holds(self, trace: int) -> bool:
        return trace in self._pieces

    def delay_at(self, trace: int, along: float) -> float:
        """Delay from the start to a place on a trace of the way (m along it), s."""
        places, delays = self._pieces[trace]
        return float(np.interp(along, places, delays))


def courses(view: View, net: int) -> tuple[Course, ...]:
    """A net's ways with their ends: from its driver to each other pin, as `Profiles.of` finds them."""
    return tuple(_course(view, profile) for profile in view.profiles.of(net))


def _course(view: View, profile: Profile) -> Course:
    net, pin = profile.path.net, profile.path.end_pin
    driver = view.drivers[net]
    z0 = profile.typical if profile.solved else np.nan
    driven = bool(driven_from(view, profile)) and np.isfinite(z0)
    kind = end_of(view, net, pin) if pin >= 0 else ""
    start = (driver.source - z0) / (driver.source + z0) if driven else 0.0
    end = 0.0
    if kind == OPEN:
        end = 1.0
    elif kind == TERMINATED and np.isfinite(z0):
        ohm = next(t.ohm for t in terminations(view, net) if t.pin == pin)
        end = (ohm - z0) / (ohm + z0)
    elif kind in (GOES_ON, PASSIVE) and np.isfinite(z0):
        series = _resistance(view, pin)
        end = series / (series + 2 * z0)  # behind the resistor a line like this one
    # what a terminated or unknown line carries is its swing; one that reflects is sent a part and makes the rest itself
    wave = driver.swing * (z0 / (driver.source + z0) if driven and end > 0.5 else 1.0)
    label = view.board.pin_label(pin) if pin >= 0 else ""
    return Course(profile, Ends(profile.total_delay, float(start), float(end)), driven, float(wave), label)


def _resistance(view: View, pin: int) -> float:
    """Of the two-pin resistor that a pin belongs to, ohm; 0 for any other part, behind which the line goes on."""
    kind = view.part_kinds[int(view.board.pins.part[pin])]
    return kind.value or 0.0 if kind.kind == RESISTOR and kind.pins == 2 else 0.0
