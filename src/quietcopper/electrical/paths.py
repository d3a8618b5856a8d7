"""A net's ways from pin to pin: along its traces, through its vias, pads and pours (`net_graph`)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components, dijkstra

from quietcopper.board import Board
from quietcopper.board.model import Floats
from quietcopper.electrical import parts
from quietcopper.electrical.copper import AREA, BARREL, TOUCH, TRACE, Copper
from quietcopper.electrical.net_graph import (
    MOST_PINS,
    NOTHING,
    Index,
    NetGraph,
    net_graph,
    net_graphs,
    node_places,
    pin_nodes,
    pin_of_nodes,
    trace_ends,
)
from quietcopper.electrical.parts import PartKind, part_kinds
from quietcopper.electrical.tables import Path

DRIVES = (parts.IC, parts.MODULE, parts.OSCILLATOR, parts.TRANSISTOR, parts.SENSOR)


def net_paths(
    board: Board, copper: Copper, net: int, start: int | None = None, kinds: Sequence[PartKind] | None = None
) -> tuple[Path, ...]:
    """As `paths_of_nets`, of one net. start : the pin (row in board.pins) to start from"""
    return paths_of_nets(board, copper, [net], [start], kinds)[0]


def paths_of_nets(
    board: Board,
    copper: Copper,
    nets: Sequence[int],
    starts: Sequence[int | None],
    kinds: Sequence[PartKind] | None = None,
) -> list[tuple[Path, ...]]:
    """Of each net the shortest way from one pin to each other pin, in the order of the pins.

    starts : the pin (row in board.pins) of each net to start from, None for the one that looks most like a driver
    (`start_pin`)
    kinds : what each part is, when the caller has it already
    Steps are ('trace', row, reversed), ('via', row, False) and ('area', row, False). A trace that is left or joined on
    its way appears as a step like any other, while `length` counts only what is travelled: along centre lines, straight
    across pads and areas (a lower bound, where the pour has holes), and down the barrels. Pins that the net's copper
    does not reach have no path. Empty for nets with fewer than two pins, with more than `MOST_PINS`, or with areas met
    at more than `MOST_MEETINGS` places: such nets are planes and supplies, whose current has no one way.
    """
    pins = np.bincount(board.pins.net, minlength=len(board.nets))
    wanted = [i for i, net in enumerate(nets) if net and 2 <= pins[net] <= MOST_PINS]
    found: list[list[Path]] = [[] for _ in nets]
    if not wanted:
        return [() for _ in nets]
    given = ((nets[i], starts[i]) for i in wanted)
    first = np.array([start if start is not None else start_pin(board, net, kinds) for net, start in given])
    graphs = net_graphs(board, copper, [nets[i] for i in wanted])
    graph, of = graphs.graph, graphs.net
    pin = pin_of_nodes(board, graph)
    tree = _Tree.grown(graph, np.flatnonzero((pin == first[of]) & graphs.usable[of]))
    # of the nodes of a pin the one that is reached first
    ends = np.flatnonzero((pin >= 0) & (pin != first[of]) & np.isfinite(tree.cost))
    ends = ends[board.pins.net[pin[ends]] == np.array([nets[i] for i in wanted])[of[ends]]]
    ends = ends[np.lexsort((ends, tree.cost[ends], pin[ends], of[ends]))]
    fresh = np.diff(pin[ends], prepend=-1) != 0
    for node, i in zip(ends[fresh].tolist(), of[ends[fresh]].tolist(), strict=True):
        way = tree.way(node)
        path = Path(nets[wanted[i]], int(first[i]), int(pin[node]), way.steps, way.length, way.spans)
        found[wanted[i]].append(path)
    return [tuple(paths) for paths in found]


def longest_way(board: Board, copper: Copper, net: int) -> Path | None:
    """As `longest_ways`, of one net."""
    return longest_ways(board, copper, [net])[0]


def longest_ways(board: Board, copper: Copper, nets: Sequence[int]) -> list[Path | None]:
    """Of each net the way between the two places of its copper that lie furthest apart, pins or not: for nets without
    pins.

    Of a net in several pieces the longest way of all. start_pin and end_pin are -1. None for a net without traces, and
    where `net_paths` finds its areas to be planes.
    """
    traces = np.bincount(board.traces.net, minlength=len(board.nets))
    wanted = [i for i, net in enumerate(nets) if net and traces[net]]
    found: list[Path | None] = [None for _ in nets]
    if not wanted:
        return found
    graphs = net_graphs(board, copper, [nets[i] for i in wanted])
    graph = graphs.graph
    ends = trace_ends(board, graphs)
    ends = ends[graphs.usable[graphs.net[ends]]]
    group = copper.group_of_element[graph.element[ends]]
    order = np.lexsort((np.arange(len(ends)), group, graphs.net[ends]))
    ends, group = ends[order], group[order]
    fresh = np.ones(len(ends), dtype=bool)
    fresh[1:] = (np.diff(group) != 0) | (np.diff(graphs.net[ends]) != 0)
    piece = np.cumsum(fresh) - 1  # of one net, connected
    far = ends[fresh]
    for _ in range(2):  # furthest from anywhere, and furthest from there: the longest way of copper without loops
        tree = _Tree.grown(graph, far)
        length = np.where(np.isfinite(tree.cost[ends]), tree.lengths()[ends].round(9), -1.0)
        order = np.lexsort((np.arange(len(ends)), -length, piece))
        far = ends[order[np.flatnonzero(fresh)]]
    for node, i in zip(far.tolist(), graphs.net[far].tolist(), strict=True):
        way, other = tree.way(node), found[wanted[i]]
        if other is None or round(way.length, 9) > round(other.length, 9):
            found[wanted[i]] = Path(nets[wanted[i]], -1, -1, way.steps, way.length, way.spans)
    return found


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
    if net == 0 or not bool((board.pins.net == net).any()) or (graph := net_graph(board, copper, net)) is None:
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
    x, y = node_places(board, graph)
    for at_place, (length, along, rows) in depth.items():
        if along > TOUCH and (holds[at_place] or beside[at_place]):
            nodes = np.flatnonzero((place == at_place) & (kind != AREA))
            here = nodes[np.lexsort((np.round(y[nodes], 8), np.round(x[nodes], 8)))[0]] if len(nodes) else 0
            out.append(DeadEnd((float(x[here]), float(y[here])), rows, length, along))
    return tuple(sorted(out, key=lambda d: (-round(d.length, 9), d.at)))


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

    def lengths(self) -> Floats:
        """The length of the way to each node, m."""
        out: Floats = np.append(np.where(self.edge >= 0, self.graph.length[self.edge], 0.0), 0.0)
        before = np.append(self.before, -1)
        while (before >= 0).any():
            out += out[before]
            before = before[before]
        return out[:-1]

    def way(self, node: int) -> _Way:
        a = self.graph.walked[0]
        before, edges = self._back
        walked: list[tuple[int, bool]] = []
        while (there := before[node]) >= 0:
            edge = edges[node]
            walked.append((edge, a[edge] == node))
            node = there
        return _steps(self.graph, walked[::-1])

    @cached_property
    def _back(self) -> tuple[list[int], list[int]]:
        return self.before.tolist(), self.edge.tolist()


_NAMES = {TRACE: "trace", BARREL: "via", AREA: "area"}


def _steps(graph: NetGraph, walked: list[tuple[int, bool]]) -> _Way:
    """Edges in order of travel as steps, those of one trace or hole put together; a touch without length is no step."""
    a, b, lengths, kinds, rows, along, layer = graph.walked
    steps: list[tuple[str, int, bool]] = []
    spans: list[tuple[float, float]] = []
    length = 0.0
    for edge, back in walked:
        length += lengths[edge]
        kind = kinds[edge]
        if kind < 0 or lengths[edge] <= TOUCH:
            continue
        step = (_NAMES[kind], rows[edge], back and kind == TRACE)
        enter, leave = 0.0, lengths[edge]
        if kind != AREA:
            at = along if kind == TRACE else layer
            one, two = (b[edge], a[edge]) if back else (a[edge], b[edge])
            enter, leave = float(at[one]), float(at[two])
        if not steps or steps[-1] != step:
            steps.append(step)
            spans.append((enter, leave))
        else:
            spans[-1] = (spans[-1][0], spans[-1][1] + leave if kind == AREA else leave)
    return _Way(tuple(steps), length, tuple(spans))
