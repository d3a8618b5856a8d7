"""What hangs beside the main way of a net: branches to other pins, and traces that lead nowhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from quietcopper.board.model import Ints
from quietcopper.electrical import parts
from quietcopper.electrical.ends import GOES_ON, TERMINATED, end_of, to_receivers
from quietcopper.electrical.paths import dead_ends
from quietcopper.electrical.profile import Profile
from quietcopper.electrical.view import TYPICAL_DELAY, View


@dataclass(frozen=True, eq=False)
class Branch:
    """One branch of a net, open at its end.

    main : the net's way that takes longest to an input; end_pin : row in board.pins, -1 where it leads to none
    x, y : where it leaves the main way, m; length : m; delay : s
    z0 : ohm, mean over its delay, that of the main way where it was not solved
    line : its traces; layers : that they lie on
    """

    main: Profile
    end_pin: int
    x: float
    y: float
    length: float
    delay: float
    z0: float
    line: BaseGeometry
    layers: tuple[int, ...]


def branches(view: View, net: int, least: float) -> list[Branch]:
    """Branches of a net with a delay of `least` (s) or more, those that take longest first.

    Ends that take up the wave are no branches: terminating resistors, capacitors, series parts behind which the line
    goes on. Empty where no way of the net is solved.
    """
    ends = to_receivers(view, net)
    profiles = view.profiles.of(net)
    if not profiles:
        return []
    main = ends[0][0] if ends else max(profiles, key=lambda p: round(p.total_delay, 15))
    # Nothing that lies beside the main way can be longer than all of the net less the main way.
    if not main.solved or view.delay_of(net) - main.total_delay < least:
        return []
    out = []
    for profile in profiles:
        pin = profile.path.end_pin
        if profile is main or pin < 0 or _takes_up(view, net, pin):
            continue
        branch = _to_pin(view, main, profile)
        if branch is not None and branch.delay >= least:
            out.append(branch)
    out += [branch for branch in _nowhere(view, main) if branch.delay >= least]
    return sorted(out, key=lambda b: (-round(b.delay, 15), round(b.x, 8), round(b.y, 8)))


def _takes_up(view: View, net: int, pin: int) -> bool:
    kind = view.part_kinds[int(view.board.pins.part[pin])].kind
    return kind == parts.CAPACITOR or end_of(view, net, pin) in (TERMINATED, GOES_ON)


def _to_pin(view: View, main: Profile, other: Profile) -> Branch | None:
    """What of another way lies behind the place where it leaves the main one."""
    common = _common(main, other)
    stop = other.start + other.length
    rest = np.flatnonzero(stop > common + 1e-9)
    if not len(rest):
        return None
    share = np.clip((stop[rest] - common) / np.maximum(other.length[rest], 1e-12), 0, 1)
    delay = float((other.delay[rest] * share).sum())
    length = float((other.length[rest] * share).sum())
    if delay <= 0:
        return None
    z = np.where(np.isfinite(other.met[rest]), other.met[rest], main.typical)
    z0 = float((z * other.delay[rest] * share).sum() / delay)
    runs = other.run[rest]
    runs = runs[runs >= 0]
    if not len(runs):
        return None
    beside = shapely.union_all(view.runs.line[runs])
    trunk = shapely.union_all(view.runs.line[main.run[main.run >= 0]])
    line = shapely.difference(beside, trunk)
    if line.is_empty:
        line = beside
    x, y = shapely.get_coordinates(shapely.shortest_line(line, trunk))[0].tolist()
    layers = tuple(sorted({int(layer) for layer in view.runs.layer[runs]}))
    return Branch(main, other.path.end_pin, x, y, length, delay, z0, line, layers)


def _common(main: Profile, other: Profile) -> float:
    """Length that two ways from one pin have in common, m."""
    along = 0.0
    one, two = main.path, other.path
    for step, mine, their, theirs in zip(one.steps, one.spans, two.steps, two.spans, strict=False):
        if step != their or abs(mine[0] - theirs[0]) > 1e-9:
            break
        if step[0] == "trace":
            along += min(abs(mine[1] - mine[0]), abs(theirs[1] - theirs[0]))
        elif mine[1] == theirs[1]:
            rows = np.flatnonzero((main.kind == step[0]) & (main.row == step[1]))
            along += float(main.length[rows].sum())
        if mine[1] != theirs[1]:
            break
    return along


def _nowhere(view: View, main: Profile) -> list[Branch]:
    """Traces that lead to no pin."""
    runs, table = view.runs, view.line_table
    out = []
    for end in dead_ends(view.board, view.copper, main.path.net):
        mine: Ints = np.flatnonzero(np.isin(runs.trace, end.traces)).astype(np.int32)
        known = mine[np.isfinite(table.z0[mine])]
        weight = runs.length[known]
        slope, z0 = TYPICAL_DELAY, main.typical
        if weight.sum() > 0:
            slope = float(np.average(table.delay[known], weights=weight))
            z0 = float(np.average(table.z0[known], weights=weight))
        line = shapely.union_all(runs.line[mine])
        layers = tuple(sorted({int(layer) for layer in runs.layer[mine]}))
        out.append(Branch(main, -1, *end.at, end.length, end.length * slope, z0, line, layers))
    return out
