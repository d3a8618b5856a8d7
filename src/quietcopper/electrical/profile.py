"""What a wave meets on its way from pin to pin: pieces of trace, holes and pours in order, each with its impedance.

Traces have the impedance of their runs as solved on the cross-section. A hole is a short piece by a stated model:
inductance of its barrel with the nearest ground hole as return (`fields.vias.return_inductance`, exact for two vias
between planes), without one the printed rule; capacitance of its pads in their antipads by the printed rule; both
rules of Johnson and Graham (from memory), good to some 30 %. Pads and pours are not lines and are not solved: there,
and where a run was not solved, the line is taken to go on as next to it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from itertools import islice
from typing import Any, cast

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.ops import substring

from quietcopper.board.model import Bools, Floats, Ints, Names, Shapes
from quietcopper.electrical.copper import ranges
from quietcopper.electrical.drivers import resistors_before
from quietcopper.electrical.net_graph import ready as ways_ready
from quietcopper.electrical.openings import clearances
from quietcopper.electrical.paths import longest_ways, paths_of_nets
from quietcopper.electrical.sections import NO_LINE_OF_ITS_OWN
from quietcopper.electrical.tables import GROUND, SIGNAL, Path
from quietcopper.electrical.view import TYPICAL_DELAY, View
from quietcopper.errors import OutOfRange
from quietcopper.fields.line_network import worst_stretch
from quietcopper.fields.vias import printed_antipad_rule, printed_via_rule, return_inductance
from quietcopper.units import C0, MM
from quietcopper.workers import spread

KINDS = ("trace", "via", "area")  # of pieces of a way
MOST_UNKNOWN = 0.5  # of a way's traces may have no solved section for the rest to stand for them
SHARES = 4  # that many nets' ways are looked for in: enough for no process to wait long for the last
RETURN_REACH = 5e-3  # m; a ground hole further away than this is no return of a hole's own


@dataclass(frozen=True, eq=False)
class Profile:
    """A path piece by piece in the order of travel; columns of shape (pieces,), lengths in m.

    kind : 'trace', 'via' or 'area'; row : in board.traces, vias or areas; run : row in view.runs, -1 for none
    section : index into the line table's sections, -1 where none is solved; at : where a trace's piece has its middle,
    distance along the trace, nan for the others
    layer : of the piece, of a hole the one where it is left; reference : row in board.areas, -1 for none
    start : distance from the beginning; length : of the piece; width : of the trace, nan for the others
    z0 : ohm, nan where not solved, and `reason` then says why; delay : of the piece, s, known for all: where it was not
    solved that of the nearest solved piece per metre
    """

    path: Path
    kind: Names
    row: Ints
    run: Ints
    section: Ints
    at: Floats
    layer: Ints
    reference: Ints
    start: Floats
    length: Floats
    width: Floats
    z0: Floats
    delay: Floats
    reason: Names

    def __len__(self) -> int:
        return len(self.z0)

    @cached_property
    def met(self) -> Floats:
        """z0, ohm, with unsolved pieces continuing the nearest solved trace; nan where no trace is solved."""
        known = np.isfinite(self.z0)
        return np.where(known, self.z0, _continued(self.start, self.length, self.z0, known & (self.kind == "trace")))

    @property
    def solved(self) -> bool:
        """Whether its impedance is known: that of some trace, and no more than half of its traces without a return or a
        solution. What is merely no line of its own goes on as next to it."""
        trace = self.kind == "trace"
        unknown = trace & ~np.isfinite(self.z0) & ~np.isin(self.reason.astype(str), NO_LINE_OF_ITS_OWN)
        some = bool((np.isfinite(self.z0) & trace).any())
        return some and float(self.length[unknown].sum()) <= MOST_UNKNOWN * float(self.length[trace].sum())

    @property
    def total_delay(self) -> float:
        """From the first pin to the last, s. What the way crosses of pads, from a trace's end to a pin's middle, is
        part of the path's length and of no piece: it counts with the mean of the pieces that are no holes."""
        flat = self.kind != "via"
        length = float(self.length[flat].sum())
        slope = float(self.delay[flat].sum()) / length if length > 0 else TYPICAL_DELAY
        return float(self.delay.sum()) + slope * self.across_pads

    @property
    def across_pads(self) -> float:
        """Length of the way that no piece holds: across pads and from trace to trace, m."""
        return max(self.path.length - float(self.length.sum()), 0.0)

    @property
    def typical(self) -> float:
        """The impedance that half of the path's delay lies below, ohm: that of most of the line."""
        order = np.argsort(self.met, kind="stable")
        share = np.cumsum(self.delay[order])
        return float(self.met[order][np.searchsorted(share, share[-1] / 2)])

    def unsolved(self) -> float:
        """Length without an impedance of its own, m, holes not counted."""
        return float(self.length[~np.isfinite(self.z0) & (self.kind != "via")].sum())

    def between(self, start: float, stop: float) -> Ints:
        """Pieces that lie within a stretch given by the delay from the beginning (s), those it ends in included."""
        ends = np.concatenate([[0.0], np.cumsum(self.delay)])
        return np.flatnonzero((ends[1:] > start) & (ends[:-1] < stop)).astype(np.int32)


def _continued(start: Floats, length: Floats, value: Floats, known: Bools) -> Floats:
    """Each piece's value, that of the nearest known piece along the path; nan where none is known."""
    if not known.any():
        return np.full(len(value), np.nan)
    rows = np.flatnonzero(known)
    middle = start + length / 2
    gap = np.maximum(np.abs(middle[:, None] - middle[rows]) - length[rows] / 2, 0)
    nearest: Floats = value[rows[np.argmin(np.round(gap, 9), axis=1)]]
    return nearest


def _profile(
    path: Path, kind: Names, row: Ints, run: Ints, section: Ints, at: Floats, layer: Ints, reference: Ints,
    length: Floats, width: Floats, z0: Floats, delay: Floats, reason: Names,
) -> Profile:  # fmt: skip
    start = np.concatenate([[0.0], np.cumsum(length)[:-1]]) if len(length) else length
    unknown = ~np.isfinite(delay)
    if unknown.any():
        solved = np.isfinite(z0) & (kind == "trace")
        slope = _continued(start, length, delay / np.where(length > 0, length, 1.0), solved)
        slope = np.where(np.isfinite(slope), slope, TYPICAL_DELAY)
        delay = np.where(unknown, slope * length, delay)
    return Profile(path, kind, row, run, section, at, layer, reference, start, length, width, z0, delay, reason)


@dataclass(frozen=True, eq=False)
class _Stretches:
    """What traces are made of, in order along each: stretches of one run and one cross-section.

    first : the first stretch of each trace, and their number; run : row in view.runs; start, stop : distance along the
    trace, m; section, z0, slope : as in the line table's parts, slope the delay in s/m
    """

    first: NDArray[np.int64]
    run: NDArray[np.int64]
    start: Floats
    stop: Floats
    section: NDArray[np.int64]
    z0: Floats
    slope: Floats


class Profiles:
    """The profiles of a board's nets, each computed at its first use and kept."""

    def __init__(self, view: View) -> None:
        self._view = view
        self._known: dict[int, tuple[Profile, ...]] = {}

    def ready(self, nets: Sequence[int], beside: Sequence[Callable[[], object]]) -> list[Any]:
        """Work out the profiles of many nets, shared out between processes.

        beside : other work to share out with it, its first piece for this process; returned is what it gives
        """
        ways_ready(self._view.board, self._view.copper)
        _ = self._view.line_table, self._view.part_kinds, self._before
        new = [net for net in nets if net not in self._known]
        shares = [new[first::SHARES] for first in range(min(SHARES, len(new)))]
        pieces: list[Callable[[], object]] = [*beside, *(partial(self._ways, share) for share in shares)]
        done = spread(pieces)
        found = cast(list[list[tuple[Path, ...]]], done[len(beside) :])
        self._take([net for share in shares for net in share], [ways for share in found for ways in share])
        return done[: len(beside)]

    def of(self, net: int) -> tuple[Profile, ...]:
        """From the driving pin to each other pin of a net; of a net without two pins, its longest way.

        Empty where nothing leads from one to the other, and for planes (`paths.net_paths`).
        """
        if net not in self._known:
            self._take([net], self._ways([net]))
        return self._known[net]

    def _ways(self, nets: Sequence[int]) -> list[tuple[Path, ...]]:
        view = self._view
        pins = np.bincount(view.board.pins.net, minlength=len(view.board.nets))
        several = [net for net in nets if pins[net] >= 2]
        starts = [self.start_pin(net) for net in several]
        found = dict(
            zip(several, paths_of_nets(view.board, view.copper, several, starts, view.part_kinds), strict=True)
        )
        others = [net for net in nets if pins[net] < 2]
        for net, way in zip(others, longest_ways(view.board, view.copper, others), strict=True):
            found[net] = (way,) if way is not None else ()
        return [tuple(path for path in found[net] if path.steps) for net in nets]

    def _take(self, nets: Sequence[int], ways: Sequence[tuple[Path, ...]]) -> None:
        profiles = iter(self._profiles([path for paths in ways for path in paths]))
        for net, paths in zip(nets, ways, strict=True):
            self._known[net] = tuple(islice(profiles, len(paths)))

    def start_pin(self, net: int) -> int | None:
        """The pin where the edge comes in: that of the series resistor before the net; None: `paths.start_pin`."""
        link = self._before.get(net)
        pins = self._view.board.pins
        rows = np.flatnonzero((pins.net == net) & (pins.part == link.part)) if link is not None else np.empty(0, int)
        return int(rows[0]) if len(rows) else None

    def resistance_before(self, net: int) -> float:
        """What the series resistor before a net adds to its driver's resistance, ohm, 0 for none."""
        link = self._before.get(net)
        return link.ohm or 0.0 if link is not None else 0.0

    @cached_property
    def _before(self) -> dict[int, Any]:
        return resistors_before(self._view.board, self._view.roles, self._view.pairs)

    def _profiles(self, paths: Sequence[Path]) -> Iterator[Profile]:
        runs, table, stretches = self._view.runs, self._view.line_table, self._stretches
        walked = [
            (i, KINDS.index(kind), row, enter, leave)
            for i, path in enumerate(paths)
            for (kind, row, _), (enter, leave) in zip(path.steps, path.spans, strict=True)
        ]
        of, kind, row, enter, leave = np.array(walked, dtype=np.float64).reshape(-1, 5).T
        of, kind, row = of.astype(np.int64), kind.astype(np.int64), row.astype(np.int64)
        low, high = np.minimum(enter, leave), np.maximum(enter, leave)
        # along each trace the stretches of its runs that the way takes, in the direction of travel
        trace = np.flatnonzero(kind == KINDS.index("trace"))
        first, last = stretches.first[row[trace]], stretches.first[row[trace] + 1]
        part, step = ranges(first, last), np.repeat(trace, last - first)
        run = stretches.run[part]
        one, two = np.maximum(stretches.start[part], low[step]), np.minimum(stretches.stop[part], high[step])
        taken = (two > one) & (runs.stop[run] > low[step]) & (runs.start[run] < high[step])
        part, step, run, one, two = (column[taken] for column in (part, step, run, one, two))
        nth = np.where((leave >= enter)[step], part, -part)
        # then what else it passes, all in the order of travel
        others = np.flatnonzero(kind != KINDS.index("trace"))
        holes = [
            self._other(*figures)
            for figures in zip(*(column[others].tolist() for column in (kind, row, enter, leave)), strict=True)
        ]
        layer, across, z_other, delay_other, why = zip(*holes, strict=True) if holes else ((),) * 5
        step = np.append(step, others)
        order = np.lexsort((np.append(nth, np.zeros(len(others), dtype=np.int64)), step))
        step = step[order]
        none, nan = np.full(len(others), -1), np.full(len(others), np.nan)
        length = two - one
        columns: tuple[NDArray[Any], ...] = (
            np.array(KINDS, dtype=object)[kind[step]],
            row[step].astype(np.int32),
            np.append(run, none)[order].astype(np.int32),
            np.append(stretches.section[part], none)[order].astype(np.int32),
            np.append((one + two) / 2, nan)[order],
            np.append(runs.layer[run], layer)[order].astype(np.int32),
            np.append(runs.reference[run], none)[order].astype(np.int32),
            np.append(length, across)[order],
            np.append(runs.width[run], nan)[order],
            np.append(stretches.z0[part], z_other)[order],
            np.append(stretches.slope[part] * length, delay_other)[order],
            np.append(table.reason[run], np.array(why, dtype=object))[order],
        )
        bounds = np.searchsorted(of[step], np.arange(len(paths) + 1)).tolist()
        for path, begin, end in zip(paths, bounds[:-1], bounds[1:], strict=True):
            yield _profile(path, *(column[begin:end] for column in columns))

    @cached_property
    def _stretches(self) -> _Stretches:
        runs, parts = self._view.runs, self._view.line_table.parts
        rank = np.empty(len(runs), dtype=np.int64)
        rank[np.lexsort((runs.start, runs.trace))] = np.arange(len(runs))
        bare = np.setdiff1d(np.arange(len(runs)), parts.run)
        none = np.full(len(bare), np.nan)
        run = np.append(parts.run, bare)
        order = np.lexsort((np.arange(len(run)), rank[run]))
        run = run[order]
        return _Stretches(
            np.searchsorted(runs.trace[run], np.arange(len(self._view.board.traces) + 1)),
            run,
            np.append(parts.start, runs.start[bare])[order],
            np.append(parts.stop, runs.stop[bare])[order],
            np.append(parts.section, np.full(len(bare), -1))[order],
            np.append(parts.z0, none)[order],
            np.append(parts.delay, none)[order],
        )

    def _other(self, kind: int, row: int, enter: float, leave: float) -> tuple[int, float, float, float, str]:
        """Layer, length, z0, delay of a hole or pour that a way passes, and why it has no z0."""
        if KINDS[kind] == "via":
            return int(leave), *self.hole(row, int(enter), int(leave))
        return int(self._view.board.areas.layer[row]), leave - enter, np.nan, np.nan, "through a pour"

    def hole(self, via: int, enter: int, leave: int) -> tuple[float, float, float, str]:
        """Height (m), impedance (ohm), delay (s) of a hole between two layers, and why it has no impedance."""
        board = self._view.board
        upper, lower = min(enter, leave), max(enter, leave)
        height = float(board.depths[lower] - board.depths[upper])
        sheets = board.dielectrics[upper:lower]
        er = sum(s.er * s.thickness for s in sheets) / sum(s.thickness for s in sheets)
        slowest = height * np.sqrt(er) / C0
        pad, antipad = float(self._pads[via]), float(self._antipads[via])
        if not pad > 0:
            return height, float("nan"), slowest, "a hole without pads"
        if not np.isfinite(antipad):
            return height, float("nan"), slowest, "no plane near the hole"
        if antipad <= pad * 1.02:
            return height, float("nan"), slowest, "its pad fills the opening in the planes"
        radius = float(board.vias.drill[via]) / 2
        try:
            capacitance = float(printed_antipad_rule(er, height, pad, antipad))
            inductance = self._inductance(via, height, radius, upper, lower)
        except OutOfRange as problem:
            return height, float("nan"), slowest, str(problem)
        z0 = float(np.sqrt(inductance / capacitance))
        return height, z0, max(slowest, float(np.sqrt(inductance * capacitance))), ""

    def _inductance(self, via: int, height: float, radius: float, upper: int, lower: int) -> float:
        vias = self._view.board.vias
        grounds, x, y = self._grounds
        joins = grounds[(vias.first[grounds] <= upper) & (vias.last[grounds] >= lower)]
        x, y = x[joins] - x[via], y[joins] - y[via]
        distance = np.hypot(x, y)
        if len(joins) and distance.min() <= RETURN_REACH:
            nearest = int(np.argmin(np.round(distance, 9)))
            at = np.array([[x[nearest], y[nearest]]])
            return float(return_inductance(height, radius, at, vias.drill[joins[nearest]] / 2))
        return float(printed_via_rule(height, 2 * radius))

    @cached_property
    def _grounds(self) -> tuple[Ints, Floats, Floats]:
        """Plated holes of ground nets, and the middle of every hole."""
        vias, roles = self._view.board.vias, self._view.roles
        ground = np.array([role.kind == GROUND for role in roles], dtype=np.bool_)
        rows = np.flatnonzero(vias.plated & ground[vias.net]).astype(np.int32)
        return rows, (vias.x + vias.x1) / 2, (vias.y + vias.y1) / 2

    @cached_property
    def _pads(self) -> Floats:
        """Diameter of each hole's pads, m, the mean of those it has; 0 for none."""
        board = self._view.board
        own = np.flatnonzero(board.pads.via >= 0)
        size = np.sqrt(4 * shapely.area(board.pads.shape[own]) / np.pi)
        count = np.bincount(board.pads.via[own], minlength=len(board.vias))
        total = np.bincount(board.pads.via[own], size, minlength=len(board.vias))
        return np.divide(total, count, out=np.zeros(len(board.vias)), where=count > 0)

    @cached_property
    def _antipads(self) -> Floats:
        """Diameter of the opening in planes that each signal hole passes, m, the mean over them; inf for none."""
        board, roles = self._view.board, self._view.roles
        signal = np.array([role.kind == SIGNAL for role in roles], dtype=np.bool_)
        holes = np.flatnonzero(board.vias.plated & signal[board.vias.net])
        total, count = np.zeros(len(holes)), np.zeros(len(holes))
        for layer in range(1, len(board.layers) - 1):
            clear = clearances(board, holes, layer)
            near = np.isfinite(clear) & (clear > 0)
            total += np.where(near, 2 * np.where(near, clear, 0.0), 0.0)
            count += near
        out = np.full(len(board.vias), np.inf)
        out[holes] = np.divide(total, count, out=np.full(len(holes), np.inf), where=count > 0)
        return out


@dataclass(frozen=True, eq=False)
class Stretch:
    """The part of a path that reflects most of an edge.

    share : of the edge, with its sign; pieces : rows of the profile, in order; z0 : ohm, mean over their delay
    length : m; delay : s, of the pieces
    """

    share: float
    pieces: Ints
    z0: float
    length: float
    delay: float


def worst_part(profile: Profile, rise: float, reference: float, layer: int | None = None) -> Stretch | None:
    """The stretch of a path whose traces deviate most from an impedance `reference` (ohm) for an edge of `rise` (s, its
    whole length), by `fields.line_network.worst_stretch`; None where none deviates.

    layer : only traces on it count. Holes are taken as on the reference: their model is too coarse to judge by.
    """
    mine = profile.kind == "trace"
    if layer is not None:
        mine &= profile.layer == layer
    z = np.where(mine, profile.met, reference)
    share, start, stop = worst_stretch(z, profile.delay, rise, reference)
    if share == 0:
        return None
    off = np.sign(share) * (z - reference) / (z + reference)
    inside = profile.between(start, stop)
    inside = inside[off[inside] > 0]
    # It goes on to both sides as far as the line deviates by half as much or more; holes between are passed over.
    counts = (off >= off[inside].max() / 2) & mine
    stays = counts | (profile.kind == "via")
    low, high = int(inside[0]), int(inside[-1])
    while low > 0 and stays[low - 1]:
        low -= 1
    while high + 1 < len(off) and stays[high + 1]:
        high += 1
    rows = np.arange(low, high + 1)
    rows = rows[counts[rows]]
    delay = float(profile.delay[rows].sum())
    z0 = float((z[rows] * profile.delay[rows]).sum() / delay)
    return Stretch(share, rows.astype(np.int32), z0, float(profile.length[rows].sum()), delay)


def longest_piece(profile: Profile, pieces: Ints) -> int:
    """The longest solved one of some pieces of traces, of equals the first; -1 where none is solved."""
    rows = pieces[(profile.section[pieces] >= 0) & np.isfinite(profile.z0[pieces])]
    return int(rows[np.argmax(np.round(profile.length[rows], 9))]) if len(rows) else -1


def piece_lines(view: View, profile: Profile, pieces: Ints) -> Shapes:
    """Centre lines of pieces of traces, shape (pieces,)."""
    lines = view.board.traces.lines[profile.row[pieces]]
    half = profile.length[pieces] / 2
    ends = zip(lines, profile.at[pieces] - half, profile.at[pieces] + half, strict=True)
    return np.array([substring(line, low, high) for line, low, high in ends], dtype=object)


def piece_places(view: View, profile: Profile, pieces: Ints) -> list[tuple[float, float]]:
    """The middle of each of some pieces of traces, m."""
    return [tuple(line.interpolate(0.5, normalized=True).coords[0]) for line in piece_lines(view, profile, pieces)]


def profile_picture(profile: Profile, target: float | None = None) -> dict[str, Any]:
    """The impedance along a path as the evidence `impedance_profile`; unsolved pieces as the line next to them."""
    distance: list[float] = []
    found: list[float] = []
    for start, length, z in zip(profile.start.tolist(), profile.length.tolist(), profile.met.tolist(), strict=True):
        if found and abs(z - found[-1]) < 1e-9:
            distance[-1] = (start + length) / MM
            continue
        distance += [start / MM, (start + length) / MM]
        found += [z, z]
    out: dict[str, Any] = {"distance_mm": distance, "found_ohm": found}
    if target is not None:
        out["target_ohm"] = target
    return out
