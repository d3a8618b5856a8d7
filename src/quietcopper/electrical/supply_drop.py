"""Direct current of a supply on its real copper: from what feeds it to all that draw, over traces, holes, areas.

Traces and barrels are resistors, each area is solved as a sheet between the places where something meets it. Direct
current only; the ground's own drop is left out.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import spsolve

from quietcopper.board.model import Floats
from quietcopper.electrical.copper import AREA, BARREL, PAD, TRACE
from quietcopper.electrical.net_graph import NetGraph, pin_nodes, without_areas
from quietcopper.electrical.supplies import Consumer, Supply
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.content import kept_by_content
from quietcopper.fields.copper_dc import Sheet, conduct, sheet_resistance
from quietcopper.fields.vias import barrel_resistance

PLATING = 20e-6  # m, wall of plated holes: IPC-6012 class 2 average (from memory)
JOINT = 1e-8  # ohm, where copper simply touches
CELLS = 6000  # on an area; more where a neck needs it
FINER = 3  # times that the cells are halved for a neck
INSIDE = 0.05e-3  # m; contacts at an area's rim are moved inside by this


@dataclass(frozen=True, eq=False)
class AreaCurrent:
    """An area that carries current. points : (p, 2) m where something meets it; into : (p,) A flowing into the area"""

    area: int
    sheet: Sheet
    points: Floats
    into: Floats


@dataclass(frozen=True, eq=False)
class Drop:
    """Direct current of one supply, solved.

    drops : V by consumer, its worst pin; trace, hole : rows with their current, A; areas : those that carry current
    power : W lost in traces, holes and areas; unreached : consumers that no copper reaches from the source
    """

    supply: Supply
    source: int
    drops: dict[int, float]
    traces: tuple[tuple[int, float], ...]
    holes: tuple[tuple[int, float], ...]
    areas: tuple[AreaCurrent, ...]
    power: tuple[float, float, float]
    unreached: tuple[int, ...]

    @property
    def worst(self) -> Consumer | None:
        found = [c for c in self.supply.consumers if c.part in self.drops]
        return max(found, key=lambda c: (round(self.drops[c.part], 9), -c.part), default=None)


def solve_drop(view: View, supply: Supply) -> Drop | None:
    """The supply's direct currents; None without a source or without anybody who draws.

    Raises OutOfRange where an area's necks are too narrow for its grid.
    """
    drawing = [c for c in supply.consumers if c.current > 0]
    sources = [s for s in supply.sources if s.pins]
    if not drawing or not sources:
        return None
    graph = without_areas(view.board, view.copper, supply.net)
    source = sources[0]
    pins = [*source.pins, *(p for c in drawing for p in c.pins)]
    at = pin_nodes(view.board, graph, pins)
    if not any(len(at[p]) for p in source.pins):
        return None
    return _Network(view, supply, graph, at, source.pins, drawing, source.part).solve()


def solve_drops(view: View) -> dict[int, Drop | str]:
    """`solve_drop` of every supply, or the reason why there is none."""
    out: dict[int, Drop | str] = {}
    for net, supply in view.supplies.items():
        if not any(c.current > 0 for c in supply.consumers):
            continue
        try:
            found = solve_drop(view, supply)
        except OutOfRange as e:
            out[net] = str(e)
        else:
            out[net] = found if found is not None else "nothing that feeds it was found"
    return out


class _Network:
    def __init__(
        self,
        view: View,
        supply: Supply,
        graph: NetGraph,
        at: dict[int, NDArray[np.integer[Any]]],
        source_pins: tuple[int, ...],
        drawing: list[Consumer],
        source: int,
    ) -> None:
        self.view, self.supply, self.graph, self.at = view, supply, graph, at
        self.source_pins, self.drawing, self.source = source_pins, drawing, source
        elements = graph.of.elements
        self.kind = elements.kind[graph.element]
        self.row = elements.row[graph.element]
        self.n = len(graph.element)
        self.resistance = self._resistances()

    def _resistances(self) -> Floats:
        """Of each edge of the graph, ohm."""
        graph, board = self.graph, self.view.board
        out = np.full(len(graph.kind), JOINT)
        thickness = np.array([layer.thickness for layer in board.layers])
        conductivity = np.array([layer.conductivity for layer in board.layers])
        on = np.flatnonzero((graph.kind == TRACE) & (graph.length > 0))
        layer = board.traces.layer[graph.row[on]]
        width = board.traces.width[graph.row[on]]
        per_square = 1 / (conductivity[layer] * thickness[layer])
        out[on] = graph.length[on] / width * per_square + JOINT
        holes = np.flatnonzero((graph.kind == BARREL) & (graph.length > 0))
        drill = np.maximum(board.vias.drill[graph.row[holes]], 0.05e-3)
        out[holes] = barrel_resistance(graph.length[holes], drill, PLATING, hole_is_finished=True) + JOINT
        return out

    def solve(self) -> Drop:
        graph, n = self.graph, self.n
        top = n  # the source's pins are one node
        a = [*graph.a.tolist(), *(int(i) for p in self.source_pins for i in self.at[p])]
        b = [*graph.b.tolist(), *(top for p in self.source_pins for _ in self.at[p])]
        g = [*(1 / self.resistance).tolist(), *([1 / JOINT] * (len(a) - len(graph.a)))]
        keep = self._needed(a, b)
        sheets = self._areas(keep)
        rows: list[int] = []
        columns: list[int] = []
        values: list[float] = []

        def conduct_between(i: int, j: int, value: float) -> None:
            rows.extend((i, j, i, j))
            columns.extend((i, j, j, i))
            values.extend((value, value, -value, -value))

        for i, j, value in zip(a, b, g, strict=True):
            if i != j:
                conduct_between(i, j, value)
        for _, nodes, _, matrix in sheets:
            for p in range(len(nodes)):
                for q in range(p):
                    conduct_between(nodes[p], nodes[q], -float(matrix[p, q]))
        whole = coo_array((values, (rows, columns)), shape=(n + 1, n + 1)).tocsr()
        label = connected_components(whole, directed=False)[1]
        live = np.flatnonzero(label == label[top])
        drawn = np.zeros(n + 1)
        unreached = []
        for consumer in self.drawing:
            pins = [p for p in consumer.pins if len(self.at[p]) and label[self.at[p][0]] == label[top]]
            if not pins:
                unreached.append(consumer.part)
            for p in pins:
                drawn[self.at[p][0]] += consumer.current / len(pins)
        inner = live[live != top]
        potential = np.zeros(n + 1)
        if len(inner):
            potential[inner] = spsolve(whole[inner][:, inner].tocsc(), drawn[inner])
        drops = {
            c.part: max(float(potential[self.at[p][0]]) for p in c.pins if len(self.at[p]))
            for c in self.drawing
            if c.part not in unreached
        }
        return self._result(potential, sheets, drops, tuple(unreached))

    def _result(self, v: Floats, sheets: list[Any], drops: dict[int, float], unreached: tuple[int, ...]) -> Drop:
        graph = self.graph
        current = np.abs(v[graph.a] - v[graph.b]) / self.resistance
        lost = current**2 * self.resistance
        carried: dict[int, dict[int, float]] = {TRACE: defaultdict(float), BARREL: defaultdict(float)}
        for kind, largest in carried.items():
            for edge in np.flatnonzero((graph.kind == kind) & (graph.length > 0) & (current > 1e-4)).tolist():
                row = int(graph.row[edge])
                largest[row] = max(largest[row], float(current[edge]))
        areas, in_areas = [], 0.0
        for area, nodes, sheet, matrix in sheets:
            into = -(matrix @ v[nodes])  # v counts the drop, so current enters where it is small
            into = np.asarray(into, dtype=float)
            in_areas += float(v[nodes] @ (matrix @ v[nodes]))
            if np.abs(into).max() > 1e-4:
                areas.append(AreaCurrent(area, sheet[0], sheet[1], into))
        power = tuple(float(lost[(graph.kind == kind)].sum()) for kind in (TRACE, BARREL))
        return Drop(
            self.supply,
            self.source,
            drops,
            tuple(sorted(carried[TRACE].items())),
            tuple(sorted(carried[BARREL].items())),
            tuple(areas),
            (power[0], power[1], in_areas),
            unreached,
        )

    def _needed(self, a: list[int], b: list[int]) -> NDArray[np.bool_]:
        """Nodes that lie between two terminals: loose ends are taken away, areas standing for one node each."""
        n = self.n
        is_area = self.kind == AREA
        hub = np.arange(n + 1)
        rows = np.unique(self.row[is_area])
        hub[:n][is_area] = n + 1 + np.searchsorted(rows, self.row[is_area])
        size = n + 1 + len(rows)
        holds = np.zeros(size, dtype=bool)
        holds[n] = True
        for c in self.drawing:
            for p in c.pins:
                holds[hub[self.at[p]]] = True
        one, two = hub[np.array(a, dtype=np.intp)], hub[np.array(b, dtype=np.intp)]
        alive = one != two
        while True:
            degree = np.bincount(one[alive], minlength=size) + np.bincount(two[alive], minlength=size)
            loose = (degree == 1) & ~holds
            gone = alive & (loose[one] | loose[two])
            if not gone.any():
                break
            alive &= ~gone
        out = np.zeros(n + 1, dtype=bool)
        out[np.array(a, dtype=np.intp)[alive]] = out[np.array(b, dtype=np.intp)[alive]] = True
        return out

    def _areas(self, keep: NDArray[np.bool_]) -> list[Any]:
        """(area, nodes, (sheet, points), conductances) of each area that at least two places need."""
        board = self.view.board
        out = []
        nodes_of: dict[int, list[int]] = defaultdict(list)
        for node in np.flatnonzero((self.kind == AREA) & keep[: self.n]).tolist():
            nodes_of[int(self.row[node])].append(node)
        radius = self._radii()
        for area, nodes in sorted(nodes_of.items()):
            if len(nodes) < 2:
                continue
            shape = board.areas.shape[area]
            shape = max(shapely.get_parts(shape).tolist(), key=lambda s: s.area)
            places = _inside(shape, self.graph.place[nodes])
            group, heads = _clusters(places, radius[nodes])
            if len(heads) < 2:
                self._join(nodes)
                continue
            layer = board.layers[int(board.areas.layer[area])]
            sheet = _conduct(shape, places[heads], radius[nodes][heads])
            per_square = float(sheet_resistance(layer.thickness, layer.conductivity))
            small = np.linalg.inv(per_square * sheet.squares[1:, 1:])
            matrix = np.zeros((len(heads), len(heads)))
            matrix[1:, 1:] = small
            matrix[0, 1:] = matrix[1:, 0] = -small.sum(axis=0)
            matrix[0, 0] = small.sum()
            self._join(nodes, group, heads)
            out.append((area, np.array(nodes)[heads], (sheet, places[heads]), matrix))
        return out

    def _join(self, nodes: list[int], group: NDArray[np.intp] | None = None, heads: list[int] | None = None) -> None:
        """Nodes of one contact made one: their edges lead to its first node."""
        graph = self.graph
        onto = np.arange(self.n + 1)
        for i, node in enumerate(nodes):
            head = nodes[0] if group is None or heads is None else nodes[heads[int(group[i])]]
            onto[node] = head
        graph.a[:], graph.b[:] = onto[graph.a], onto[graph.b]

    def _radii(self) -> Floats:
        """Of the contact at each node of an area, m."""
        graph, elements = self.graph, self.graph.of.elements
        out = np.full(self.n, 0.1e-3)
        for one, two in ((graph.a, graph.b), (graph.b, graph.a)):
            edge = np.flatnonzero((graph.kind < 0) & (self.kind[one] == AREA) & (self.kind[two] != AREA))
            out[one[edge]] = elements.half[graph.element[two[edge]]]
            pad = edge[self.kind[two[edge]] == PAD]
            shapes = self.view.board.pads.shape[self.row[two[pad]]]
            out[one[pad]] = [np.sqrt(shape.area / np.pi) for shape in shapes]
        return np.clip(out, 0.05e-3, 2e-3)


@kept_by_content(96)
def _conduct(shape: shapely.Polygon, points: Floats, radius: Floats) -> Sheet:
    """The sheet, with cells fine enough for its necks."""
    cell = float(np.sqrt(shape.area / CELLS))
    for _ in range(FINER):
        try:
            return conduct(shape, points, radius, cell)
        except OutOfRange:
            cell /= 2
    return conduct(shape, points, radius, cell)


def _inside(shape: shapely.Polygon, places: Floats) -> Floats:
    """The places, those outside the copper or in its openings without a barrel moved to the nearest copper."""
    whole = shapely.Polygon(shape.exterior)
    points = shapely.points(places)
    out = places.copy()
    off = np.flatnonzero(~shapely.covers(whole, points))
    if len(off):
        core = whole.buffer(-INSIDE)
        near = shapely.shortest_line(core if not core.is_empty else whole, points[off])
        out[off] = shapely.get_coordinates(near).reshape(-1, 2, 2)[:, 0]
    return out


def _clusters(places: Floats, radius: Floats) -> tuple[NDArray[np.intp], list[int]]:
    """Contacts that touch are one: the number of each one's cluster, and of each cluster the one that stands for it."""
    distance = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    near = distance < 1.05 * (radius[:, None] + radius[None])
    group = connected_components(coo_array(near), directed=False)[1].astype(np.intp)
    heads = [int(np.flatnonzero(group == g)[0]) for g in range(int(group.max()) + 1)]
    return group, heads


@dataclass(frozen=True)
class Neck:
    """The narrowest place between two parts of an area: its width is at most `width` (m), `current` (A) goes through it
    and `beside` others like it; shape : where."""

    width: float
    current: float
    beside: int
    shape: shapely.Polygon


WIDTHS = (0.2e-3, 0.3e-3, 0.5e-3, 0.8e-3, 1.2e-3, 2e-3, 3e-3)  # m, of necks that are looked for


def necks(shape: shapely.Polygon, flow: AreaCurrent) -> list[Neck]:
    """Where an area narrows between the places that its current enters and leaves, narrowest first.

    What is left of the shape when its rim is moved in by half a width falls apart at the necks of that width; the
    current from one part to the others is the sum of what enters it, shared alike by its necks.
    """
    return _necks(shape, flow.points, flow.into)


@kept_by_content(96)
def _necks(shape: shapely.Polygon, points: Floats, into: Floats) -> list[Neck]:
    places = shapely.points(points)
    out = []
    for width in WIDTHS:
        core = shape.buffer(-width / 2, quad_segs=4)
        parts = np.array([p for p in shapely.get_parts(core) if p.area > width**2])
        if len(parts) < 2:
            continue
        tree = shapely.STRtree(parts)
        of = tree.nearest(places)
        through = np.bincount(of, weights=into, minlength=len(parts))
        if np.abs(through).max() < 1e-3:
            continue
        grown = shapely.buffer(parts, width / 2 * 1.01, quad_segs=4)
        rest = shapely.get_parts(shape.difference(shapely.union_all(grown)))
        big = shapely.STRtree(grown)
        met = [np.unique(big.query(piece, predicate="dwithin", distance=1e-6)) for piece in rest]
        joins = [i for i, m in enumerate(met) if len(m) > 1]
        part = int(np.argmax(np.abs(through)))
        mine = [i for i in joins if part in met[i]]
        if mine:
            at = max(mine, key=lambda i: rest[i].area)
            out.append(Neck(width, float(abs(through[part])) / len(mine), len(mine) - 1, rest[at]))
    return out
