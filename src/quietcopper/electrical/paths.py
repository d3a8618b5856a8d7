"""A net's ways from pin to pin: along its traces, through its vias, pads and pours.

The net's copper becomes a graph. A trace has a node at each end and wherever other copper of the net meets it, a pad or
a barrel has one in its middle, and an area has one for every place where something meets it, all joined directly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple
from weakref import WeakKeyDictionary

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components, dijkstra

from quietcopper.board import Board
from quietcopper.board.model import Floats
from quietcopper.electrical import parts
from quietcopper.electrical.copper import AREA, BARREL, PAD, TOUCH, TRACE, Copper
from quietcopper.electrical.parts import PartKind, part_kinds
from quietcopper.electrical.tables import Path

MOST_PINS = 64  # nets with more pins are supplies or grounds: no ways from pin to pin are looked for
MOST_MEETINGS = 400  # likewise nets whose areas are met at more places: they are planes
ASIDE = 2.0  # cost of a step across copper that follows no centre line, so that centre lines are preferred
NOTHING = 1e-12  # m; the cost of a step without length, which a sparse graph cannot hold as zero

DRIVES = (parts.IC, parts.MODULE, parts.OSCILLATOR, parts.TRANSISTOR, parts.SENSOR)

Points = NDArray[np.float64]
Index = NDArray[np.integer[Any]]
_Edges = tuple[Index, Index, Floats, Floats, NDArray[np.int8], Index]


def net_paths(
    board: Board, copper: Copper, net: int, start: int | None = None, kinds: Sequence[PartKind] | None = None
) -> tuple[Path, ...]:
    """The shortest way from one pin of a net to each other pin, in the order of the pins.

    start : the pin (row in board.pins) to start from; else the one that looks most like a driver (`start_pin`)
    kinds : what each part is, when the caller has it already
    Steps are ('trace', row, reversed), ('via', row, False) and ('area', row, False). A trace that is left or joined on
    its way appears as a step like any other, while `length` counts only what is travelled: along centre lines, straight
    across pads and areas (a lower bound, where the pour has holes), and down the barrels. Pins that the net's copper
    does not reach have no path. Empty for nets with fewer than two pins, with more than `MOST_PINS`, or with areas met
    at more than `MOST_MEETINGS` places: such nets are planes and supplies, whose current has no one way.
    """
    pins = np.flatnonzero(board.pins.net == net)
    if net == 0 or not 2 <= len(pins) <= MOST_PINS:
        return ()
    graph = _graph(board, copper, net)
    if graph is None:
        return ()
    first = start if start is not None else start_pin(board, net, kinds)
    at = pin_nodes(board, graph, pins.tolist())
    tree = _Tree.grown(graph, at[first])
    found = []
    for pin in pins.tolist():
        if pin != first and (node := tree.nearest(at[pin])) is not None:
            way = tree.way(node)
            found.append(Path(net, first, pin, way.steps, way.length, way.spans))
    return tuple(found)


def longest_way(board: Board, copper: Copper, net: int) -> Path | None:
    """The way between the two places of a net's copper that lie furthest apart, pins or not: for nets without pins.

    Of a net in several pieces the longest way of all. start_pin and end_pin are -1. None for a net without traces, and
    where `net_paths` finds its areas to be planes.
    """
    graph = _graph(board, copper, net) if net and bool((board.traces.net == net).any()) else None
    if graph is None:
        return None
    ends = _trace_ends(board, graph)
    group = copper.group_of_element[graph.element[ends]]
    ways: list[_Way] = []
    for one in np.unique(group):
        mine = ends[group == one]
        far = mine[0]
        for _ in range(2):  # furthest from anywhere, and furthest from there: the longest way of copper without loops
            tree = _Tree.grown(graph, np.array([far]))
            reached = mine[np.isfinite(tree.cost[mine])]
            far = reached[np.argmax(tree.lengths()[reached].round(9))]
        ways.append(tree.way(int(far)))
    if not ways:
        return None
    way = max(ways, key=lambda way: round(way.length, 9))
    return Path(net, -1, -1, way.steps, way.length, way.spans)


def start_pin(board: Board, net: int, kinds: Sequence[PartKind] | None = None) -> int:
    """The pin of a net that most likely drives it: on a chip, else on a connector, else on any other part.

    Among equals the part with most pins decides, then reference and pin name. -1 for a net without pins.
    """
    kinds = part_kinds(board) if kinds is None else kinds
    pins = np.flatnonzero(board.pins.net == net)

    def rank(pin: int) -> tuple[int, int, str, str]:
        part = int(board.pins.part[pin])
        kind = kinds[part]
        order = 0 if kind.kind in DRIVES else 1 if kind.kind == parts.CONNECTOR else 2
        return order, -kind.pins, str(board.parts.ref[part]), str(board.pins.name[pin])

    return min((int(pin) for pin in pins), key=rank, default=-1)


@dataclass(frozen=True)
class DeadEnd:
    """Copper of a net that leads to no pin: where it leaves the rest (m), rows in board.traces from there to its
    furthest end, and the length of the way there, m, of which `trace_length` along traces."""

    at: tuple[float, float]
    traces: tuple[int, ...]
    length: float
    trace_length: float


def dead_ends(board: Board, copper: Copper, net: int) -> tuple[DeadEnd, ...]:
    """Traces of a net that lead nowhere, longest first: what is left when loose ends are taken away one by one.

    Pins and pours are ends that hold; so does a loop. What touches within a joint, pad or hole counts as one place.
    Empty for a net without pins, or whose areas are planes.
    """
    if net == 0 or not bool((board.pins.net == net).any()) or (graph := _graph(board, copper, net)) is None:
        return ()
    n = len(graph.element)
    joint = graph.kind < 0
    _, place = connected_components(
        coo_array((np.ones(int(joint.sum()), np.int8), (graph.a[joint], graph.b[joint])), shape=(n, n)), directed=False
    )
    kind = copper.elements.kind[graph.element]
    holds = np.zeros(int(place.max(initial=-1)) + 1, dtype=bool)
    holds[place[kind == AREA]] = True
    for at in pin_nodes(board, graph, np.flatnonzero(board.pins.net == net).tolist()).values():
        holds[place[at]] = True
    ends = np.sort(place[np.stack([graph.a[~joint], graph.b[~joint]], -1)], axis=1)
    degree = np.bincount(np.unique(ends[ends[:, 0] < ends[:, 1]], axis=0).ravel(), minlength=len(holds))
    if not ((degree == 1) & ~holds).any():
        return ()
    beside: dict[int, dict[int, int]] = {i: {} for i in range(len(holds))}  # place -> other place -> shortest edge
    for edge in np.flatnonzero(~joint)[np.argsort(-graph.length[~joint], kind="stable")].tolist():
        a, b = int(place[graph.a[edge]]), int(place[graph.b[edge]])
        if a != b:
            beside[a][b] = beside[b][a] = edge
    depth: dict[int, tuple[float, float, tuple[int, ...]]] = {}  # behind a place: length, of traces, their rows
    loose = [i for i, others in beside.items() if len(others) == 1 and not holds[i]]
    while loose:
        end = loose.pop()
        if len(beside[end]) != 1:
            continue
        ((other, edge),) = beside[end].items()
        far, along, rows = depth.pop(end, (0.0, 0.0, ()))
        length, trace = float(graph.length[edge]), int(graph.row[edge])
        is_trace = graph.kind[edge] == TRACE
        behind = (far + length, along + length * is_trace, (trace, *rows) if is_trace else rows)
        if behind > depth.get(other, (0.0, 0.0, ())):
            depth[other] = behind
        del beside[other][end], beside[end][other]
        if len(beside[other]) == 1 and not holds[other]:
            loose.append(other)
    out = []
    x, y = _places(board, graph)
    for at_place, (length, along, rows) in depth.items():
        if along > TOUCH and (holds[at_place] or beside[at_place]):
            nodes = np.flatnonzero((place == at_place) & (kind != AREA))
            here = nodes[np.lexsort((np.round(y[nodes], 8), np.round(x[nodes], 8)))[0]] if len(nodes) else 0
            out.append(DeadEnd((float(x[here]), float(y[here])), rows, length, along))
    return tuple(sorted(out, key=lambda d: (-round(d.length, 9), d.at)))


@dataclass(eq=False)
class NetGraph:
    """Nodes with their element, and edges with cost, length and the step that they stand for.

    element : of each node; along : its place on a trace, m; place : (n, 2) m; a, b : nodes of each edge
    cost, length : of each edge, m; kind, row : of the step, kind -1 for a mere joint. A trace edge runs from a to b in
    the direction of the trace.
    """

    element: Index
    along: Floats
    place: Points
    a: Index
    b: Index
    cost: Floats
    length: Floats
    kind: NDArray[np.int8]
    row: Index
    of: Copper


def without_areas(board: Board, copper: Copper, net: int) -> NetGraph:
    """The graph of a net's traces, pads and holes, for nets with planes: nothing leads across the areas, of which every
    place where something meets them is a node of its own."""
    return _joined(board, copper, _elements(copper, net))


def _graph(board: Board, copper: Copper, net: int) -> NetGraph | None:
    """The graph of a net's copper, with net-less copper that touches it; None where its areas are met too often."""
    own = _elements(copper, net)
    whole = _whole(board, copper)
    graph = whole.of_elements(own, copper) if net in whole.nets else _joined(board, copper, own)
    over = _across_areas(copper, graph.element, graph.place)
    if over is None:
        return None
    edges: list[_Edges] = [(graph.a, graph.b, graph.cost, graph.length, graph.kind, graph.row), over]
    a, b, cost, length, kind, row = (np.concatenate(column) for column in zip(*edges, strict=True))
    return NetGraph(graph.element, graph.along, graph.place, a, b, np.maximum(cost, NOTHING), length, kind, row, copper)


def _elements(copper: Copper, net: int) -> Index:
    """A net's elements and the net-less ones that touch it, ascending."""
    own = copper.elements_of_net(net)
    groups = np.unique(copper.group_of_element[own])
    return np.union1d(own, copper.nameless_in(groups[groups >= 0]))


@dataclass(frozen=True, eq=False)
class _Whole:
    """The graphs of many nets in one, without steps across areas; columns as in `NetGraph`.

    nets : whose graphs can be cut from it; by_element : edges in the order of their first node's element
    """

    nets: frozenset[int]
    element: Index
    along: Floats
    place: Points
    edges: _Edges
    by_element: Index

    def of_elements(self, own: Index, copper: Copper) -> NetGraph:
        """The part that joins these elements, ascending."""
        node = _ranges(np.searchsorted(self.element, own), np.searchsorted(self.element, own, side="right"))
        begins = self.element[self.edges[0][self.by_element]]
        edge = _ranges(np.searchsorted(begins, own), np.searchsorted(begins, own, side="right"))
        edge = np.sort(self.by_element[edge])
        a, b, cost, length, kind, row = (column[edge] for column in self.edges)
        at_a, at_b = np.searchsorted(node, a), np.searchsorted(node, b)
        inside = node[np.minimum(at_b, len(node) - 1)] == b if len(node) else np.zeros(0, bool)
        a, b, cost, length, kind, row = (column[inside] for column in (at_a, at_b, cost, length, kind, row))
        return NetGraph(self.element[node], self.along[node], self.place[node], a, b, cost, length, kind, row, copper)


_wholes: WeakKeyDictionary[Copper, _Whole] = WeakKeyDictionary()


def ready(board: Board, copper: Copper) -> None:
    """Work out at once what the ways of all nets need that have not too many pins."""
    _whole(board, copper)


def _whole(board: Board, copper: Copper) -> _Whole:
    if copper not in _wholes:
        pins = np.bincount(board.pins.net, minlength=len(board.nets))
        nets = np.flatnonzero(pins <= MOST_PINS)
        nets = nets[nets > 0]
        element = copper.elements.net
        chosen = np.isin(element, nets)
        group = copper.group_of_element
        groups = np.unique(group[chosen])
        chosen[copper.nameless_in(groups[groups >= 0])] = True
        graph = _joined(board, copper, np.flatnonzero(chosen).astype(np.int32))
        edges = (graph.a, graph.b, graph.cost, graph.length, graph.kind, graph.row)
        by_element = np.argsort(graph.element[graph.a], kind="stable")
        _wholes[copper] = _Whole(
            frozenset(nets.tolist()), graph.element, graph.along, graph.place, edges, by_element
        )  # fmt: skip
    return _wholes[copper]


def _ranges(start: Index, stop: Index) -> Index:
    """All whole numbers of several ranges, one after another."""
    count = stop - start
    out: Index = np.repeat(stop - np.cumsum(count), count) + np.arange(int(count.sum()))
    return out


def _joined(board: Board, copper: Copper, own: Index) -> NetGraph:
    """The graph of these elements, ascending, without steps across areas; elements of two nets are not joined."""
    elements = copper.elements
    start, target = copper.neighbours
    one = np.repeat(own, start[own + 1] - start[own])
    two = target[_ranges(start[own], start[own + 1])]
    inside = np.zeros(len(elements), dtype=bool)
    inside[own] = True
    nets = elements.net[one], elements.net[two]
    keep = (one < two) & inside[two] & ((nets[0] == nets[1]) | (nets[0] == 0) | (nets[1] == 0))
    i, j, at_i, at_j = _meetings(board, copper, one[keep], two[keep])

    ends = own[elements.kind[own] == TRACE]
    lengths = board.traces.length[elements.row[ends]]
    single = own[np.isin(elements.kind[own], (PAD, BARREL))]
    element = np.concatenate([i, j, ends, ends, single])
    place = np.concatenate([at_i, at_j, _trace_point(board, copper, ends, 0 * lengths)])
    place = np.concatenate([place, _trace_point(board, copper, ends, lengths), _middle(board, copper, single)])
    along = np.zeros(len(element))
    on_trace = elements.kind[element] == TRACE
    lines = board.traces.lines[elements.row[element[on_trace]]]
    along[on_trace] = shapely.line_locate_point(lines, shapely.points(place[on_trace]))
    # the end of a closed ring is located at its start
    last = slice(len(i) + len(j) + len(ends), len(i) + len(j) + 2 * len(ends))
    along[last] = shapely.length(board.traces.lines[elements.row[ends]])
    # one node for an element and place: pads and barrels have one place, areas one for each that meets them
    key = np.where(on_trace, along, 0.0)
    is_area = elements.kind[element] == AREA
    meeting = np.where(is_area, np.arange(len(element)), 0)
    order = np.lexsort((meeting, key := key.round(10), element))
    fresh = np.ones(len(order), dtype=bool)
    fresh[1:] = (np.diff(element[order]) != 0) | (np.diff(key[order]) != 0) | (np.diff(meeting[order]) != 0)
    node = np.empty(len(order), dtype=np.int64)
    node[order] = np.cumsum(fresh) - 1
    first = order[fresh]
    element, place, along = element[first], place[first], along[first]

    edges = [_joints(node[: len(i)], node[len(i) : len(i) + len(j)], place)]
    edges.append(_along_traces(copper, element, along))
    edges.append(_closed_rings(copper, element, place))
    edges.append(_down_barrels(board, copper, element))
    a, b, cost, length, kind, row = (np.concatenate(column) for column in zip(*edges, strict=True))
    return NetGraph(element, along, place, a, b, np.maximum(cost, NOTHING), length, kind, row, copper)


def _meetings(board: Board, copper: Copper, one: Index, two: Index) -> tuple[Index, Index, Points, Points]:
    """Where touching elements (one < two) meet: element pairs and the place on each, (n, 2).

    Traces whose ends fall together meet there, otherwise where their centre lines come closest; pads and barrels are
    met in their middle; an area is met at each trace end that lies in it.
    """
    elements = copper.elements
    kind_one, kind_two = elements.kind[one], elements.kind[two]
    found: list[tuple[Index, Index, Points, Points]] = []

    def add(pick: NDArray[np.bool_], at_one: Points, at_two: Points) -> None:
        found.append((one[pick], two[pick], at_one[pick], at_two[pick]))

    both = (kind_one == TRACE) & (kind_two == TRACE)
    ends = _ends(board, copper, one), _ends(board, copper, two)
    together = np.zeros(len(one), dtype=bool)
    for p in ends[0]:
        for q in ends[1]:
            same = both & (np.hypot(*(p - q).T) <= TOUCH)
            add(same, p, q)
            together |= same
    to_area = (kind_one == TRACE) & (kind_two == AREA)
    for p in ends[0]:
        inside = to_area.copy()
        rows = np.flatnonzero(to_area)
        inside[rows] = shapely.dwithin(elements.core[two[rows]], shapely.points(p[rows]), TOUCH)
        add(inside, p, p)
        together |= inside
    single = np.isin(kind_two, (PAD, BARREL)) | np.isin(kind_one, (PAD, BARREL))
    nearest = np.full((len(one), 2, 2), np.nan)
    rows = np.flatnonzero(~together & ~single)
    lines = shapely.shortest_line(elements.core[one[rows]], elements.core[two[rows]])
    nearest[rows] = shapely.get_coordinates(lines).reshape(-1, 2, 2)
    add(~together & ~single, nearest[:, 0], nearest[:, 1])
    # a pad or barrel has one node; whatever meets it does so nearest to its middle
    first_single = np.isin(kind_one, (PAD, BARREL))
    middle = np.where(first_single[:, None], _middle(board, copper, one), _middle(board, copper, two))
    other = np.where(first_single, two, one)
    at_other = middle.copy()
    rows = np.flatnonzero(single & (elements.kind[other] == TRACE))
    core = elements.core[other[rows]]
    on_line = shapely.line_interpolate_point(core, shapely.line_locate_point(core, shapely.points(middle[rows])))
    at_other[rows] = shapely.get_coordinates(on_line)
    rows = np.flatnonzero(single & np.isin(elements.kind[other], (PAD, BARREL)))
    at_other[rows] = _middle(board, copper, other)[rows]
    at_one = np.where(first_single[:, None], middle, at_other)
    at_two = np.where(first_single[:, None], at_other, middle)
    add(single, at_one, at_two)
    i, j, at_i, at_j = (np.concatenate(column) for column in zip(*found, strict=True))
    return i, j, at_i, at_j


def _ends(board: Board, copper: Copper, element: Index) -> tuple[Points, Points]:
    """Both ends of traces, (n, 2) each; nan for other elements."""
    out = np.full((2, len(element), 2), np.nan)
    trace = np.flatnonzero(copper.elements.kind[element] == TRACE)
    row, t = copper.elements.row[element[trace]], board.traces
    out[0, trace] = np.stack([t.x0[row], t.y0[row]], axis=-1)
    out[1, trace] = np.stack([t.x1[row], t.y1[row]], axis=-1)
    return out[0], out[1]


def _trace_point(board: Board, copper: Copper, element: Index, at: Floats) -> Points:
    """Start (at = 0) or end of traces, (n, 2)."""
    first, last = _ends(board, copper, element)
    return np.where((at == 0)[:, None], first, last)


def _middle(board: Board, copper: Copper, element: Index) -> Points:
    """Middle of pads and barrels, (n, 2); nan for other elements."""
    out = np.full((len(element), 2), np.nan)
    kind, row = copper.elements.kind[element], copper.elements.row[element]
    pad, hole = kind == PAD, kind == BARREL
    out[pad] = np.stack([board.pads.x[row[pad]], board.pads.y[row[pad]]], axis=-1)
    vias = board.vias
    x, y = (vias.x + vias.x1) / 2, (vias.y + vias.y1) / 2
    out[hole] = np.stack([x[row[hole]], y[row[hole]]], axis=-1)
    return out


def _edges(a: Index, b: Index, cost: Floats, length: Floats, kind: int, row: Index) -> _Edges:
    return a, b, cost, length, np.full(len(a), kind, dtype=np.int8), row


def _joints(a: Index, b: Index, place: Points) -> _Edges:
    """From element to element where they meet: no step of their own."""
    distance = np.hypot(*(place[a] - place[b]).T)
    return _edges(a, b, ASIDE * distance, distance, -1, np.full(len(a), -1))


def _along_traces(copper: Copper, element: Index, along: Floats) -> _Edges:
    """Between neighbouring nodes of a trace; nodes are sorted by element and place along it."""
    step = np.flatnonzero((element[1:] == element[:-1]) & (copper.elements.kind[element[1:]] == TRACE))
    length = along[step + 1] - along[step]
    return _edges(step, step + 1, length, length, TRACE, copper.elements.row[element[step]])


def _closed_rings(copper: Copper, element: Index, place: Points) -> _Edges:
    """From the start to the end of traces whose ends fall together."""
    nodes = np.flatnonzero(copper.elements.kind[element] == TRACE)
    _, first = np.unique(element[nodes], return_index=True)
    last = np.append(first[1:], len(nodes))[: len(first)] - 1
    a, b = nodes[first], nodes[last]
    closed = np.hypot(*(place[a] - place[b]).T) <= TOUCH
    return _joints(a[closed], b[closed], place)


def _down_barrels(board: Board, copper: Copper, element: Index) -> _Edges:
    """Between the layers of a hole, whose barrel elements follow each other by layer."""
    elements = copper.elements
    node = np.flatnonzero(elements.kind[element] == BARREL)
    via, layer = elements.row[element[node]], elements.layer[element[node]]
    step = np.flatnonzero(via[1:] == via[:-1])
    length = np.abs(board.depths[layer[step + 1]] - board.depths[layer[step]])
    return _edges(node[step], node[step + 1], length, length, BARREL, via[step])


def _across_areas(copper: Copper, element: Index, place: Points) -> _Edges | None:
    """Straight between every two places where an area is met; None where there are too many."""
    node = np.flatnonzero(copper.elements.kind[element] == AREA)
    ends: list[tuple[Index, Index]] = [(node[:0], node[:0])]
    for area in np.unique(element[node]):
        met = node[element[node] == area]
        if len(met) > MOST_MEETINGS:
            return None
        p, q = np.triu_indices(len(met), 1)
        ends.append((met[p], met[q]))
    a, b = (np.concatenate(column) for column in zip(*ends, strict=True))
    length = np.hypot(*(place[a] - place[b]).T)
    return _edges(a, b, ASIDE * length, length, AREA, copper.elements.row[element[a]])


def pin_nodes(board: Board, graph: NetGraph, pins: list[int]) -> dict[int, Index]:
    """Nodes of each pin: its pads, and its hole on every layer."""
    elements = graph.of.elements
    kind, row = elements.kind[graph.element], elements.row[graph.element]
    pin = np.full(len(kind), -1, dtype=np.int32)
    pin[kind == PAD] = board.pads.pin[row[kind == PAD]]
    pin[kind == BARREL] = board.vias.pin[row[kind == BARREL]]
    return {p: np.flatnonzero(pin == p).astype(np.int32) for p in pins}


class _Way(NamedTuple):
    """Steps, length (m) and spans as `Path` has them."""

    steps: tuple[tuple[str, int, bool], ...]
    length: float
    spans: tuple[tuple[float, float], ...]


@dataclass(frozen=True, eq=False)
class _Tree:
    """The cheapest ways from some nodes of a graph to all others: cost to each node, the node before it, -1 for none,
    and the edge between the two."""

    graph: NetGraph
    cost: Floats
    before: Index
    edge: Index

    @classmethod
    def grown(cls, graph: NetGraph, start: Index) -> _Tree:
        n = len(graph.element)
        a = np.concatenate([graph.a, np.full(len(start), n)])
        b = np.concatenate([graph.b, start])
        cost = np.concatenate([graph.cost, np.full(len(start), NOTHING)])
        # of several edges between two nodes the cheapest counts (a sparse matrix would add them up)
        low, high = np.minimum(a, b), np.maximum(a, b)
        order = np.lexsort((cost, high, low))
        fresh = np.ones(len(order), dtype=bool)
        fresh[1:] = (np.diff(low[order]) != 0) | (np.diff(high[order]) != 0)
        order = order[fresh & (low[order] != high[order])]
        low, high = low[order], high[order]
        rows = np.searchsorted(low, np.arange(n + 2))
        matrix = csr_array((cost[order], high, rows), shape=(n + 1, n + 1))
        found, before = dijkstra(matrix, directed=False, indices=[n], return_predecessors=True)
        found, before = found[0, :n], np.where(before[0, :n] == n, -1, np.maximum(before[0, :n], -1))
        key, wanted = low * (n + 1) + high, np.arange(n)
        wanted = np.minimum(wanted, before) * (n + 1) + np.maximum(wanted, before)
        edge = np.where(before >= 0, order[np.minimum(np.searchsorted(key, wanted), len(order) - 1)], -1)
        return cls(graph, found, before, edge)

    def nearest(self, nodes: Index) -> int | None:
        """Which of some nodes is reached first; None where none is."""
        if not len(nodes) or not np.isfinite(self.cost[nodes]).any():
            return None
        return int(nodes[np.argmin(self.cost[nodes])])

    def lengths(self) -> Floats:
        """The length of the way to each node, m."""
        out: Floats = np.append(np.where(self.edge >= 0, self.graph.length[self.edge], 0.0), 0.0)
        before = np.append(self.before, -1)
        while (before >= 0).any():
            out += out[before]
            before = before[before]
        return out[:-1]

    def way(self, node: int) -> _Way:
        walked: list[tuple[int, bool]] = []
        while (there := int(self.before[node])) >= 0:
            edge = int(self.edge[node])
            walked.append((edge, bool(self.graph.a[edge] == node)))
            node = there
        return _steps(self.graph, walked[::-1])


def _places(board: Board, graph: NetGraph) -> tuple[Floats, Floats]:
    """Where each node is, m; nan for nodes of areas."""
    elements, element = graph.of.elements, graph.element
    x, y = _middle(board, graph.of, element).T.copy()
    on = np.flatnonzero(elements.kind[element] == TRACE)
    lines = board.traces.lines[elements.row[element[on]]]
    x[on], y[on] = shapely.get_coordinates(shapely.line_interpolate_point(lines, graph.along[on])).T
    return x, y


def _trace_ends(board: Board, graph: NetGraph) -> Index:
    """Nodes at the ends of traces, in the order of their place, which no shuffle of the board changes."""
    elements, traces = graph.of.elements, board.traces
    node = np.flatnonzero(elements.kind[graph.element] == TRACE)
    row = elements.row[graph.element[node]]
    first, last = graph.along[node] <= TOUCH, graph.along[node] >= traces.length[row] - TOUCH
    x = np.where(first, traces.x0[row], traces.x1[row])
    y = np.where(first, traces.y0[row], traces.y1[row])
    order = np.lexsort((node, np.round(y, 8), np.round(x, 8)))
    return node[order][(first | last)[order]]


_NAMES = {TRACE: "trace", BARREL: "via", AREA: "area"}


def _steps(graph: NetGraph, walked: list[tuple[int, bool]]) -> _Way:
    """Edges in order of travel as steps, those of one trace or hole put together; a touch without length is no step."""
    steps: list[tuple[str, int, bool]] = []
    spans: list[tuple[float, float]] = []
    length = 0.0
    for edge, back in walked:
        length += float(graph.length[edge])
        kind = int(graph.kind[edge])
        if kind < 0 or graph.length[edge] <= TOUCH:
            continue
        step = (_NAMES[kind], int(graph.row[edge]), back and kind == TRACE)
        ends = graph.a[edge], graph.b[edge]
        if kind == AREA:
            enter, leave = 0.0, float(graph.length[edge])
        else:
            at = graph.along if kind == TRACE else graph.of.elements.layer[graph.element]
            enter, leave = (float(at[node]) for node in (ends[::-1] if back else ends))
        if not steps or steps[-1] != step:
            steps.append(step)
            spans.append((enter, leave))
        else:
            spans[-1] = (spans[-1][0], spans[-1][1] + leave if kind == AREA else leave)
    return _Way(tuple(steps), length, tuple(spans))
