"""What each line radiates, by mechanism: from its solved geometry to fields at the measuring distance.

Four mechanisms, each an upper bound, see `fields.radiation` for formulas and ranges:

loop              the trace with its return in the copper beside it, enlarged where the return must go round a gap
cable, by return  the voltage that the return current takes along planes of finite width, and across gaps that no other
                  copper covers, drives the board against its cables
cable, by trace   the trace's voltage against the board does the same through the field lines that pass the board by
plane edges       what a change of layers puts between two planes that no via ties stands along their edges

Between two planes a line neither forms an open loop nor drives the board; only what it puts between them counts.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from weakref import WeakKeyDictionary, ref

import numpy as np
import shapely
from shapely import STRtree

from quietcopper.board.model import Bools, Floats, Ints
from quietcopper.electrical.edges import runs_near_edge
from quietcopper.electrical.emission import FieldEstimate, allowed_field, carries_radio, estimate_of, shares_at
from quietcopper.electrical.signals import level_by_frequency
from quietcopper.electrical.tables import GROUND, SIGNAL, Driver
from quietcopper.electrical.view import View
from quietcopper.electrical.ways import between_layers, gap_inductance, tied_by_via
from quietcopper.errors import OutOfRange
from quietcopper.fields.limits import upper_frequency
from quietcopper.fields.open_line import largest_current, largest_voltage, over_delays
from quietcopper.fields.radiation import (
    board_self_capacitance,
    cable_field,
    common_mode_field,
    edge_field,
    effective_length,
    loop_field,
    trace_self_capacitance,
    voltage_driven_voltage,
)
from quietcopper.fields.returns import imbalance, plane_inductance
from quietcopper.units import C0

LOOP, BY_RETURN, BY_TRACE, EDGES = "loop", "cable, by return", "cable, by trace", "plane edges"
MECHANISMS = (LOOP, BY_RETURN, BY_TRACE, EDGES)
IN_WORDS = {
    LOOP: "the loop of trace and return",
    BY_RETURN: "the return's voltage along its planes",
    BY_TRACE: "the trace's voltage against the board",
    EDGES: "the voltage between planes at their edges",
}
LEAST_LENGTH = 2e-3  # m; nets with less trace over copper radiate nothing worth a price
AT_ONCE = 32  # lines whose fields are worked out together: more would not stay in a processor's cache
EDGE_HEIGHTS = 5.0  # runs without a reference count as beside an edge up to so many of their heights


@dataclass(frozen=True)
class GapShare:
    """One gap that a line crosses. inductance : H, inf for none; capacitance : F; area : of the loop added, m2
    covered : other copper spans the place, so that the board's outside does not see the voltage
    regions : it lies between separate regions of ground, which `split-ground-at-cable` prices"""

    row: int
    inductance: float
    capacitance: float
    area: float
    covered: bool
    regions: bool


@dataclass(frozen=True)
class Radiator:
    """One driven line over copper, all that its fields need.

    length, height : of its runs with a reference on one side, m (height as mean over length); delay : of all of it, s
    plane : net inductance of the planes under it, H; past_board : its capacitance to infinity, F
    gaps : those it crosses; changes : (inductance, capacitance, longest side in m) of planes at its layer changes
    hidden : length between two planes, m;  bare : length without any reference, m
    beyond : share of past_board that belongs to runs beyond the edge of what their layer refers to, 0 to 1
    """

    net: int
    z0: float
    delay: float
    length: float
    height: float
    plane: float
    past_board: float
    gaps: tuple[GapShare, ...] = ()
    changes: tuple[tuple[float, float, float], ...] = ()
    hidden: float = 0.0
    bare: float = 0.0
    beyond: float = 0.0


@dataclass(frozen=True)
class Antenna:
    """What common-mode voltage drives. cables : references of connectors with a cable; length : of the longest, m, None
    where some length is not known; size : diagonal of the board, m; capacitance : of the board to infinity, F"""

    cables: tuple[str, ...]
    length: float | None
    size: float
    capacitance: float

    def field(self, voltage: Floats, frequency: Floats, distance: float, *, against_board: bool = False) -> Floats:
        """Upper bound of the field that a common-mode voltage makes, V/m.

        With cables as if one were resonant at every frequency. A voltage with the cable on one side and only the board
        on the other (one cable, or the voltage of a trace `against_board`, which all cables share) drives a wire near
        its end: by reciprocity with sin(k d) of what it does in the middle, d the board's size. Without a cable the
        board alone takes at most voltage times omega C of the whole board, and no more than a resonant wire.
        """
        if self.cables:
            near_end = np.minimum(1.0, 2 * np.pi * frequency * self.size / C0)
            driven = voltage * near_end if against_board or len(self.cables) == 1 else voltage
            return common_mode_field(driven, frequency, distance, cable_length=self.length)
        bound = common_mode_field(voltage, frequency, distance)
        current = voltage * 2 * np.pi * frequency * self.capacitance
        return np.minimum(bound, cable_field(current, self.size, frequency, distance))

    @property
    def words(self) -> str:
        return f"with a cable on {', '.join(self.cables)}" if self.cables else "with the board alone as antenna"


def antenna_of(view: View) -> Antenna:
    x0, y0, x1, y1 = view.board.outline.bounds if not view.board.outline.is_empty else (0.0, 0.0, 0.0, 0.0)
    cables = view.cabled_connectors
    lengths = [view.settings.connectors.get(ref, {}).get("length") for ref in cables]
    known = [float(value) for value in lengths if value is not None]
    longest = max(known) if known and len(known) == len(lengths) else None
    area = max(float(view.board.outline.area), 1e-6)
    return Antenna(cables, longest, float(np.hypot(x1 - x0, y1 - y0)), float(board_self_capacitance(area)))


_KEPT: WeakKeyDictionary[View, Radiators] = WeakKeyDictionary()


def radiators_of(view: View) -> Radiators:
    """The radiators of a view, worked out once."""
    if view not in _KEPT:
        _KEPT[view] = Radiators(view)
    return _KEPT[view]


class Radiators:
    """Every driven signal line that can be priced, by net.

    driven : nets that send something;  wanted : those of them that carry a wanted radio carrier and are left out
    unpriced : nets whose impedance was not solved
    """

    def __init__(self, view: View) -> None:
        self._view = ref(view)
        self.antenna = antenna_of(view)
        self.unpriced: list[int] = []
        self._own: dict[int, tuple[Floats, dict[str, Floats]]] = {}
        self._untied: dict[int, list[int]] = defaultdict(list)
        self.by_net: dict[int, Radiator] = {}
        self.driven = self._driven()
        self.wanted = [net for net in self.driven if carries_radio(view, net)]
        for net in sorted({*self.driven} - {*self.wanted}):
            radiator = self._radiator(net)
            if radiator is None:
                self.unpriced.append(net)
            else:
                self.by_net[net] = radiator

    @property
    def view(self) -> View:
        view = self._view()
        if view is None:
            raise ReferenceError("the view of these radiators is gone")
        return view

    @cached_property
    def highest(self) -> float:
        """Upper frequency by the standard, from the highest clock or half bit rate on the board, Hz."""
        return upper_frequency(self.view.settings.standard, self.view.highest_rate)

    def _driven(self) -> list[int]:
        view = self.view
        routed = np.unique(view.runs.net)
        return [
            int(net)
            for net in routed
            if view.roles[net].kind == SIGNAL and view.drivers[net].swing > 0 and view.drivers[net].rate > 0
        ]

    @cached_property
    def _rows(self) -> dict[int, Ints]:
        """Rows of view.runs by net."""
        order = np.argsort(self.view.runs.net, kind="stable")
        nets, start = np.unique(self.view.runs.net[order], return_index=True)
        return {int(net): rows for net, rows in zip(nets, np.split(order.astype(np.int32), start[1:]), strict=True)}

    def place_of(self, net: int) -> tuple[Ints, tuple[float, float]]:
        """Rows in view.runs of a net's runs with a reference, of all where none has one, and the middle of the longest
        of them, m."""
        rows = self._rows[net]
        with_copper = rows[self.view.runs.reference[rows] >= 0]
        return with_copper if len(with_copper) else rows, self._middles[net]

    @cached_property
    def _middles(self) -> dict[int, tuple[float, float]]:
        runs = self.view.runs
        order = np.lexsort((runs.start, runs.trace, -np.round(runs.length, 9), runs.reference < 0, runs.net))
        nets, first = np.unique(runs.net[order], return_index=True)
        points = shapely.line_interpolate_point(runs.line[order[first]], 0.5, normalized=True)
        return dict(zip(nets.tolist(), map(tuple, shapely.get_coordinates(points).tolist()), strict=True))

    @cached_property
    def main_layers(self) -> dict[int, tuple[int, int]]:
        """The layer and the layer of the reference on which most of a net runs, by net; of those with a reference."""
        board, runs = self.view.board, self.view.runs
        rows = np.flatnonzero(runs.reference >= 0)
        layers = len(board.layers)
        kind = (runs.net[rows].astype(np.int64) * layers + runs.layer[rows]) * layers
        kind += board.areas.layer[runs.reference[rows]]
        kinds, which = np.unique(kind, return_inverse=True)
        length = np.bincount(which, weights=runs.length[rows])
        order = np.lexsort((kinds, -length, kinds // layers**2))
        nets, first = np.unique(kinds[order] // layers**2, return_index=True)
        main = kinds[order[first]] % layers**2
        return dict(
            zip(nets.tolist(), zip((main // layers).tolist(), (main % layers).tolist(), strict=True), strict=True)
        )

    @cached_property
    def _plane(self) -> tuple[Floats, Floats]:
        """Width of the reference across each run and distance of the run from its middle, m: the chord of the area's
        extent through the middle of the run, square to it."""
        board, runs = self.view.board, self.view.runs
        width, offset = np.full(len(runs), np.nan), np.zeros(len(runs))
        known = np.flatnonzero((runs.reference >= 0) & (runs.length > 0))
        if not len(known):
            return width, offset
        bounds = shapely.bounds(board.areas.shape[runs.reference[known]])
        before, middle, after = (
            shapely.get_coordinates(shapely.line_interpolate_point(runs.line[known], part, normalized=True))
            for part in (0.45, 0.5, 0.55)
        )
        along = after - before
        across = np.stack([-along[:, 1], along[:, 0]], -1) / np.hypot(*along.T)[:, None]
        # A run along an axis meets two sides only; what is left of the other component by rounding is none.
        across[np.abs(across) < 1e-9] = 0.0
        with np.errstate(divide="ignore", invalid="ignore"):
            one, other = (bounds[:, :2] - middle) / across, (bounds[:, 2:] - middle) / across
        low = np.where(across == 0, -np.inf, np.minimum(one, other)).max(axis=1)
        high = np.where(across == 0, np.inf, np.maximum(one, other)).min(axis=1)
        width[known] = np.maximum(high - low, 0.0)
        offset[known] = -(low + high) / 2
        return width, np.clip(offset, -width / 2, width / 2)

    @cached_property
    def _beside(self) -> tuple[Bools, Floats, Floats]:
        """Which runs of the lines to price are solved and have a reference on one side; of those the net inductance of
        the plane, H/m, and the capacitance past the board, F."""
        runs, table = self.view.runs, self.view.line_table
        open_ = ((runs.above >= 0) ^ (runs.below >= 0)) & np.isfinite(table.z0) & (runs.length > 0)
        open_ &= np.isin(runs.net, list({*self.driven} - {*self.wanted}))
        width, offset = (values[open_] for values in self._plane)
        h = runs.reference_gap[open_]
        inductance, past = np.zeros(len(runs)), np.zeros(len(runs))
        plane = plane_inductance(np.maximum(width, h), np.clip(offset, -width / 2, width / 2), h)
        loop = table.z0[open_] * table.delay[open_]
        share = np.minimum(imbalance(np.minimum(plane, loop), loop), 1.0)
        air = 1 / (C0**2 * loop)  # F/m of the same line in air
        inductance[open_], past[open_] = plane, trace_self_capacitance(share, air, runs.length[open_])
        return open_, inductance, past

    def _radiator(self, net: int) -> Radiator | None:
        """None where no run's impedance was solved."""
        view, runs = self.view, self.view.runs
        rows = self._rows[net]
        length, z0 = runs.length[rows], view.line_table.z0[rows]
        solved = np.isfinite(z0) & (length > 0)
        if not solved.any():
            return None
        above, below = runs.above[rows] >= 0, runs.below[rows] >= 0
        bare = rows[~above & ~below & solved]
        plane, outside = self._beyond_edges(bare) if len(bare) else (0.0, 0.0)
        open_, per_metre, past = (values[rows] for values in self._beside)
        own = length[open_]
        whole = float(own.sum())
        plane += float((per_metre[open_] * own).sum())
        past_board = outside + float(past[open_].sum())
        return Radiator(
            net,
            float((z0[solved] * length[solved]).sum() / length[solved].sum()),
            max(view.delay_of(net), 1e-12),
            whole,
            float((runs.reference_gap[rows[open_]] * own).sum() / whole) if whole > 0 else 0.0,
            plane,
            past_board,
            self._gaps(net),
            self._changes(net),
            float(length[above & below].sum()),
            float(length[~above & ~below].sum()),
            outside / past_board if past_board > 0 else 0.0,
        )

    @cached_property
    def _near_edges(self) -> dict[int, tuple[float, float, float]]:
        """Runs beyond the edge of what their layer refers to, near it: width of the plane there, distance of the run
        from its middle, height, m, by row of view.runs."""
        near = runs_near_edge(self.view, EDGE_HEIGHTS)
        rows = np.flatnonzero((near.inside < 0) & (-near.inside < EDGE_HEIGHTS * near.height))
        offset = near.plane_width / 2 - near.inside
        return {int(near.run[i]): (near.plane_width[i], offset[i], near.height[i]) for i in rows}

    def _beyond_edges(self, rows: Ints) -> tuple[float, float]:
        """Net inductance of the planes, H, and capacitance past the board, F, of solved runs without a reference that
        run beside the edge of one: the return flows along the edge."""
        view = self.view
        known = np.array([row for row in rows.tolist() if row in self._near_edges], dtype=np.int32)
        if not len(known):
            return 0.0, 0.0
        width, offset, height = np.array([self._near_edges[row] for row in known.tolist()]).T
        length = view.runs.length[known]
        loop = view.line_table.z0[known] * view.line_table.delay[known]
        per_metre = np.minimum(plane_inductance(width, offset, height), loop)
        past = trace_self_capacitance(imbalance(per_metre, loop), 1 / (C0**2 * loop), length)
        return float((per_metre * length).sum()), float(past.sum())

    @cached_property
    def _gap_rows(self) -> dict[int, list[int]]:
        out: dict[int, list[int]] = defaultdict(list)
        gaps = self.view.gaps
        # one that runs for long just outside an edge is no crossing
        across = (gaps.after >= 0) & (~np.isfinite(gaps.slot) | (gaps.length < 6 * gaps.slot))
        for row in np.flatnonzero(across).tolist():
            out[int(gaps.net[row])].append(row)
        return out

    @cached_property
    def _group(self) -> Ints:
        """Connected copper of each area."""
        return self.view.pieces.group[self.view.copper.piece_of_area]

    @cached_property
    def _tree(self) -> STRtree:
        return STRtree(self.view.board.areas.shape)

    def _gaps(self, net: int) -> tuple[GapShare, ...]:
        view, gaps = self.view, self.view.gaps
        out = []
        for row in self._gap_rows.get(net, ()):
            try:
                inductance, ways = gap_inductance(view, row)
            except OutOfRange:
                continue
            reference = int(gaps.reference[row])
            over = self._tree.query(shapely.Point(gaps.x[row], gaps.y[row]), predicate="intersects")
            layers = {int(view.board.areas.layer[a]) for a in over} - {reference}
            if ways is None:
                reach, capacitance, depth = float(gaps.slot[row]), 0.0, 0.0
            else:
                capacitance = ways.capacitance
                reach = ways.nearest.distance if ways.nearest is not None else 0.0
                depth = min((view.board.distance(*sorted((reference, k))) for k in layers), default=0.0)
            area = reach * (float(gaps.length[row]) + 2 * depth)
            pair = [int(gaps.before[row]), int(gaps.after[row])]
            regions = all(view.roles[n].kind == GROUND for n in view.board.areas.net[pair])
            regions &= bool(self._group[pair[0]] != self._group[pair[1]])
            out.append(GapShare(row, inductance, capacitance, area, bool(layers), regions))
        return tuple(out)

    @cached_property
    def _change_rows(self) -> dict[int, list[int]]:
        changes = self.view.layer_changes
        usable = (changes.upper_area >= 0) & (changes.lower_area >= 0) & (changes.upper_ref != changes.lower_ref)
        out: dict[int, list[int]] = defaultdict(list)
        for row in np.flatnonzero(usable).tolist():
            out[int(changes.net[row])].append(row)
        return out

    def untied_changes(self, net: int) -> list[int]:
        """Rows of view.layer_changes of a net between planes that no via ties, as `Radiator.changes` has them."""
        return self._untied[net]

    def _changes(self, net: int) -> tuple[tuple[float, float, float], ...]:
        view, changes, board = self.view, self.view.layer_changes, self.view.board
        out = []
        for row in self._change_rows.get(net, ()):
            areas = int(changes.upper_area[row]), int(changes.lower_area[row])
            radius = float(board.vias.drill[changes.via[row]]) / 2
            place = (*areas, float(changes.x[row]), float(changes.y[row]), radius)
            if tied_by_via(view, *place):
                continue  # planes tied by vias: what is left is local and does not reach their edges
            ways = between_layers(view, *place)
            side = float(self._longest_sides[list(areas)].min())
            out.append((ways.inductance, ways.capacitance, side))
            self._untied[net].append(row)
        return tuple(out)

    @cached_property
    def _longest_sides(self) -> Floats:
        """Of the box round each area, m."""
        bounds = shapely.bounds(self.view.board.areas.shape).reshape(-1, 4)
        return np.asarray((bounds[:, 2:] - bounds[:, :2]).max(axis=1))

    # --- fields ----------------------------------------------------------------------------------------------------

    def fields(self, net: int, driver: Driver | None = None) -> tuple[Floats, dict[str, Floats]]:
        """Frequencies (n,), Hz, and the field of each mechanism (n,), V/m, at the settings' distance.

        driver : instead of the net's own. Empty where it sends nothing into the measured range.
        """
        if driver is not None and driver is not self.view.drivers[net]:
            return self._fields([net], [driver])[0]
        if net not in self._own:
            nets = [other for other in self._alike[_edge(self.view.drivers[net])] if other not in self._own][:AT_ONCE]
            nets = nets if net in nets else [net]
            self._own |= zip(nets, self._fields(nets, [self.view.drivers[other] for other in nets]), strict=True)
        return self._own[net]

    @cached_property
    def _alike(self) -> dict[_Edge, list[int]]:
        """The nets of `by_net` by what sets the spectrum of their drivers."""
        out: dict[_Edge, list[int]] = defaultdict(list)
        for net in self.by_net:
            out[_edge(self.view.drivers[net])].append(net)
        return out

    def _fields(self, nets: list[int], sent: list[Driver]) -> list[tuple[Floats, dict[str, Floats]]]:
        """As `fields`, of lines whose drivers have one spectrum."""
        frequency, level = level_by_frequency(sent[0], sent[0].swing, self.highest)
        if not len(frequency):
            return [(frequency, {}) for _ in nets]
        lines = [self.by_net[net] for net in nets]
        z0, delay, source = _columns(
            (line.z0, line.delay, driver.source) for line, driver in zip(lines, sent, strict=True)
        )
        current = over_delays(largest_current, level, source, z0, delay, frequency)
        voltage = over_delays(largest_voltage, level, source, z0, delay, frequency)
        fields = {
            LOOP: self._loop(lines, current, frequency),
            BY_RETURN: self._by_return(lines, current, frequency),
            BY_TRACE: self._by_trace(lines, voltage, frequency),
            EDGES: self._edges(lines, current, frequency),
        }
        return [(frequency, {name: field[i] for name, field in fields.items()}) for i in range(len(nets))]

    def estimate(self, net: int, *mechanisms: str) -> tuple[FieldEstimate, list[tuple[str, float]]] | None:
        """The sum of some mechanisms of one line against the limit, in the worst phase, and its parts at the worst
        frequency, largest first; None where the line sends nothing into the measured range."""

        def law(driver: Driver) -> tuple[Floats, Floats]:
            frequency, fields = self.fields(net, driver)
            return frequency, np.sum([fields[m] for m in mechanisms], axis=0) if fields else np.empty(0)

        found = estimate_of(self.view, self.view.drivers[net], law)
        if found is None:
            return None
        frequency, fields = self.fields(net)
        return found, shares_at({m: fields[m] for m in mechanisms}, frequency, found.frequency)

    def with_driver(self, net: int, driver: Driver, *mechanisms: str) -> float | None:
        """Excess of the same sum with another driver, dB."""
        frequency, fields = self.fields(net, driver)
        if not fields:
            return None
        total = np.sum([fields[m] for m in mechanisms], axis=0)
        ratio = float(np.max(total / allowed_field(self.view.settings, frequency)))
        return 20 * float(np.log10(ratio)) if ratio > 0 else -np.inf

    def _loop(self, lines: list[Radiator], current: Floats, frequency: Floats) -> Floats:
        length, height, aside = _columns((x.length, x.height, sum(gap.area for gap in x.gaps)) for x in lines)
        area = effective_length(length, frequency) * height + aside
        # the far-field formula holds to a quarter wave a side: a larger loop radiates no more than one of that size
        area = np.minimum(area, (C0 / frequency / 4) ** 2)
        return loop_field(current, area, frequency, self.view.settings.distance)

    def _return_voltage(self, lines: list[Radiator], current: Floats, frequency: Floats) -> Floats:
        """Along the planes and across the gaps that the outside sees, V, shape (lines, frequencies) as `current`, A."""
        w = 2 * np.pi * frequency
        length, plane = _columns((max(line.length, 1e-9), line.plane) for line in lines)
        share = np.minimum(1.0, C0 / (4 * frequency) / length)  # of the line, up to a quarter wave
        out = w * plane * share * current
        for i, line in enumerate(lines):
            for gap in line.gaps:
                if not gap.covered and not gap.regions:
                    out[i] += current[i] * _parallel(gap.inductance, gap.capacitance, 2 * line.z0, w)
        return out

    def _by_return(self, lines: list[Radiator], current: Floats, frequency: Floats) -> Floats:
        voltage = self._return_voltage(lines, current, frequency)
        return self.antenna.field(voltage, frequency, self.view.settings.distance)

    def _by_trace(self, lines: list[Radiator], voltage: Floats, frequency: Floats) -> Floats:
        length, past = _columns((max(line.length, 1e-9), line.past_board) for line in lines)
        share = np.minimum(1.0, C0 / (4 * frequency) / length)
        driven = voltage_driven_voltage(past * share, self.antenna.capacitance, voltage)
        return self.antenna.field(driven, frequency, self.view.settings.distance, against_board=True)

    def _edges(self, lines: list[Radiator], current: Floats, frequency: Floats) -> Floats:
        out = np.zeros_like(current)
        changes = [(i, *change, line.z0) for i, line in enumerate(lines) for change in line.changes]
        if changes:
            of_line, inductance, capacitance, side, z0 = _columns(changes)
            at = of_line[:, 0].astype(np.int64)
            voltage = current[at] * _parallel(inductance, capacitance, 2 * z0, 2 * np.pi * frequency)
            np.add.at(out, at, edge_field(voltage, side, frequency, self.view.settings.distance))
        return out


_Edge = tuple[str, float, float, float]


def _edge(driver: Driver) -> _Edge:
    return driver.kind, driver.rate, driver.rise, driver.swing


def _columns(rows: Iterable[tuple[float, ...]]) -> Floats:
    """The columns of some rows, shape (columns, rows, 1)."""
    return np.array(list(rows)).T[:, :, None]


Figure = float | Floats


def _parallel(inductance: Figure, capacitance: Figure, resistance: Figure, w: Floats) -> Floats:
    """|Z| of L, C and R in parallel, ohm; L may be infinite."""
    susceptance = w * capacitance - 1 / (w * np.maximum(inductance, 1e-15))
    return np.asarray(np.abs(1 / (1 / resistance + 1j * susceptance)))
