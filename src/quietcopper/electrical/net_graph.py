"""The copper of nets as graphs: along traces, through holes, pads and pours.

A trace has a node at each end and wherever other copper of the net meets it, a pad or a barrel has one in its middle,
and an area has one for every place where something meets it, all joined directly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.board import Board
from quietcopper.board.model import Bools, Floats
from quietcopper.electrical.copper import AREA, BARREL, PAD, TOUCH, TRACE, Copper, ranges

MOST_PINS = 64  # nets with more pins are supplies or grounds: no ways from pin to pin are looked for
MOST_MEETINGS = 400  # likewise nets whose areas are met at more places: they are planes
ASIDE = 2.0  # cost of a step across copper that follows no centre line, so that centre lines are preferred
NOTHING = 1e-12  # m; the cost of a step without length, which a sparse graph cannot hold as zero

Points = NDArray[np.float64]
Index = NDArray[np.integer[Any]]
_Edges = tuple[Index, Index, Floats, Floats, NDArray[np.int8], Index]


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

    @property
    def edges(self) -> _Edges:
        return self.a, self.b, self.cost, self.length, self.kind, self.row

    @cached_property
    def walked(self) -> tuple[list[int], list[int], list[float], list[int], list[int], list[float], list[int]]:
        """a, b, length, kind and row of each edge, place along its trace (m) and layer of each node: for a walk from
        node to node."""
        edges = (self.a, self.b, self.length, self.kind, self.row)
        a, b, length, kind, row = (column.tolist() for column in edges)
        return a, b, length, kind, row, self.along.tolist(), self.of.elements.layer[self.element].tolist()


@dataclass(frozen=True, eq=False)
class NetGraphs:
    """The graphs of several nets side by side in one.

    net : of each node, as a place in the list of nets that was asked for;  usable : by net, False where the areas are
    met at more than `MOST_MEETINGS` places, and steps across them are left out
    """

    graph: NetGraph
    net: Index
    usable: Bools


def without_areas(board: Board, copper: Copper, net: int) -> NetGraph:
    """The graph of a net's traces, pads and holes, for nets with planes: nothing leads across the areas, of which every
    place where something meets them is a node of its own."""
    return _joined(board, copper, copper.elements_of_nets([net])[0])


def net_graph(board: Board, copper: Copper, net: int) -> NetGraph | None:
    """The graph of a net's copper, with net-less copper that touches it; None where its areas are met too often."""
    graphs = net_graphs(board, copper, [net])
    return graphs.graph if graphs.usable[0] else None


def net_graphs(board: Board, copper: Copper, nets: Sequence[int]) -> NetGraphs:
    """The graphs of some nets, each with the net-less copper that touches it."""
    whole = _whole(board, copper)
    if not whole.nets.issuperset(nets):
        whole = _Whole.of(board, copper, np.asarray(nets))
    graph, net = whole.cut(*copper.elements_of_nets(nets))
    over, usable = _across_areas(graph, net, len(nets))
    edges: list[_Edges] = [graph.edges, over]
    a, b, cost, length, kind, row = (np.concatenate(column) for column in zip(*edges, strict=True))
    cost = np.maximum(cost, NOTHING)
    return NetGraphs(
        NetGraph(graph.element, graph.along, graph.place, a, b, cost, length, kind, row, copper), net, usable
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Whole:
    """The graphs of many nets in one, without steps across areas, in which net-less copper stands once.

    nets : whose graphs can be cut from it; first_node : the first node of each element, and their number
    by_element, first_edge : edges in the order of their first node's element, and the first of each element
    """

    nets: frozenset[int]
    graph: NetGraph
    first_node: Index
    by_element: Index
    first_edge: Index

    @classmethod
    def of(cls, board: Board, copper: Copper, nets: Index) -> _Whole:
        graph = _joined(board, copper, np.unique(copper.elements_of_nets(nets)[0]))
        begins = graph.element[graph.a]
        by_element = np.argsort(begins, kind="stable")
        every = np.arange(len(copper.elements) + 1)
        first_node, first_edge = np.searchsorted(graph.element, every), np.searchsorted(begins[by_element], every)
        return cls(frozenset(nets.tolist()), graph, first_node, by_element, first_edge)

    def cut(self, own: Index, net: Index) -> tuple[NetGraph, Index]:
        """The parts that join these elements, each by itself, and the net of each node. net : of each element; ordered
        by net, then by element"""
        whole, size = self.graph, len(self.graph.element)
        first, last = self.first_node[own], self.first_node[own + 1]
        node, net_of_node = ranges(first, last), np.repeat(net, last - first)
        key = net_of_node * size + node
        first, last = self.first_edge[own], self.first_edge[own + 1]
        edge, net_of_edge = self.by_element[ranges(first, last)], np.repeat(net, last - first)
        order = np.lexsort((edge, net_of_edge))
        edge, net_of_edge = edge[order], net_of_edge[order]
        a, b, cost, length, kind, row = (column[edge] for column in whole.edges)
        wanted = net_of_edge * size + b
        b = np.searchsorted(key, wanted)
        inside = np.append(key, -1)[b] == wanted
        a = np.searchsorted(key, net_of_edge * size + a)
        a, b, cost, length, kind, row = (column[inside] for column in (a, b, cost, length, kind, row))
        place = whole.element[node], whole.along[node], whole.place[node]
        return NetGraph(*place, a, b, cost, length, kind, row, whole.of), net_of_node


_wholes: WeakKeyDictionary[Copper, _Whole] = WeakKeyDictionary()


def ready(board: Board, copper: Copper) -> None:
    """Work out at once what the graphs of all nets need that have not too many pins."""
    _whole(board, copper)


def _whole(board: Board, copper: Copper) -> _Whole:
    if copper not in _wholes:
        pins = np.bincount(board.pins.net, minlength=len(board.nets))
        nets = np.flatnonzero(pins <= MOST_PINS)
        _wholes[copper] = _Whole.of(board, copper, nets[nets > 0])
    return _wholes[copper]


def _joined(board: Board, copper: Copper, own: Index) -> NetGraph:
    """The graph of these elements, ascending, without steps across areas; elements of two nets are not joined."""
    elements = copper.elements
    start, target = copper.neighbours
    one = np.repeat(own, start[own + 1] - start[own])
    two = target[ranges(start[own], start[own + 1])]
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


def _across_areas(graph: NetGraph, net: Index, nets: int) -> tuple[_Edges, Bools]:
    """Straight between every two places where an area is met, and which nets' areas are not met at too many.

    net : of each node;  nets : how many there are
    """
    elements, usable = graph.of.elements, np.ones(nets, dtype=bool)
    node = np.flatnonzero(elements.kind[graph.element] == AREA)
    begins = np.ones(len(node), dtype=bool)
    begins[1:] = (np.diff(graph.element[node]) != 0) | (np.diff(net[node]) != 0)
    first = np.flatnonzero(begins)
    count = np.diff(np.append(first, len(node)))
    usable[net[node[first[count > MOST_MEETINGS]]]] = False
    end = np.where(usable[net[node]], np.repeat(first + count, count), 0)
    at = np.arange(len(node))
    end = np.maximum(end, at + 1)
    a, b = np.repeat(node, end - at - 1), node[ranges(at + 1, end)]
    length = np.hypot(*(graph.place[a] - graph.place[b]).T)
    return _edges(a, b, ASIDE * length, length, AREA, elements.row[graph.element[a]]), usable


def pin_of_nodes(board: Board, graph: NetGraph) -> Index:
    """The pin (row in board.pins) that each node belongs to, -1 for none: its pads, and its hole on every layer."""
    elements = graph.of.elements
    kind, row = elements.kind[graph.element], elements.row[graph.element]
    pin = np.full(len(kind), -1, dtype=np.int32)
    pin[kind == PAD] = board.pads.pin[row[kind == PAD]]
    pin[kind == BARREL] = board.vias.pin[row[kind == BARREL]]
    return pin


def pin_nodes(board: Board, graph: NetGraph, pins: list[int]) -> dict[int, Index]:
    """Nodes of each of some pins."""
    pin = pin_of_nodes(board, graph)
    return {p: np.flatnonzero(pin == p).astype(np.int32) for p in pins}


def node_places(board: Board, graph: NetGraph) -> tuple[Floats, Floats]:
    """Where each node is, m; nan for nodes of areas."""
    elements, element = graph.of.elements, graph.element
    x, y = _middle(board, graph.of, element).T.copy()
    on = np.flatnonzero(elements.kind[element] == TRACE)
    lines = board.traces.lines[elements.row[element[on]]]
    x[on], y[on] = shapely.get_coordinates(shapely.line_interpolate_point(lines, graph.along[on])).T
    return x, y


def trace_ends(board: Board, graphs: NetGraphs) -> Index:
    """Nodes at the ends of traces, by net in the order of their place, which no shuffle of the board changes."""
    graph = graphs.graph
    elements, traces = graph.of.elements, board.traces
    node = np.flatnonzero(elements.kind[graph.element] == TRACE)
    row = elements.row[graph.element[node]]
    first, last = graph.along[node] <= TOUCH, graph.along[node] >= traces.length[row] - TOUCH
    x = np.where(first, traces.x0[row], traces.x1[row])
    y = np.where(first, traces.y0[row], traces.y1[row])
    order = np.lexsort((node, np.round(y, 8), np.round(x, 8), graphs.net[node]))
    return node[order][(first | last)[order]]
