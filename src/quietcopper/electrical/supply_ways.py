"""The inductance of the ways that a supply's current takes: from a pin to the planes, along traces, to a capacitor.

A trace counts as a strip over the nearest ground plane, half a via pair stands for a hole, and between two places of a
plane pair lies the inductance of two round contacts. Upper figures: what several ways in parallel share is left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from quietcopper.board.model import Floats
from quietcopper.electrical.copper import AREA, BARREL, PAD, TRACE
from quietcopper.electrical.net_graph import pin_nodes, without_areas
from quietcopper.electrical.view import View
from quietcopper.fields.vias import pair_inductance, strip_inductance

FAR = 60e-9  # H; ways of more inductance are not followed
BESIDE = 1.5e-3  # m, from a supply's via to the via of its return, where the layout does not say
WIDE = 0.5e-3  # m, width of copper that a current crosses from element to element
TINY = 1e-15  # H; the cost of a step without length


@dataclass(frozen=True)
class Entry:
    """Where a pin's way meets filled copper: row in board.areas, place (m), inductance up to there (H), and the radius
    of the contact (m)."""

    area: int
    x: float
    y: float
    inductance: float
    radius: float


class NetWays:
    """The ways of one net from some of its pins, without leading across areas.

    pins : rows in board.pins
    """

    def __init__(self, view: View, net: int, pins: list[int]) -> None:
        self.view, self.net = view, net
        self.graph = graph = without_areas(view.board, view.copper, net)
        self.at = pin_nodes(view.board, graph, pins)
        self.pins = [p for p in pins if len(self.at[p])]
        self._row = {p: i for i, p in enumerate(self.pins)}
        self._entries: dict[int, list[Entry]] = {}
        n = len(graph.element)
        cost = self._inductance()
        start = [(n + i, int(node)) for i, p in enumerate(self.pins) for node in self.at[p]]
        a = np.concatenate([graph.a, np.array([s[0] for s in start], dtype=np.int64)])
        b = np.concatenate([graph.b, np.array([s[1] for s in start], dtype=np.int64)])
        cost = np.maximum(np.concatenate([cost, np.full(len(start), TINY)]), TINY)
        low, high = np.minimum(a, b), np.maximum(a, b)
        order = np.lexsort((cost, high, low))
        first = np.ones(len(order), dtype=bool)
        first[1:] = (np.diff(low[order]) != 0) | (np.diff(high[order]) != 0)
        order = order[first & (low[order] != high[order])]
        size = n + len(self.pins)
        matrix = coo_array((cost[order], (low[order], high[order])), shape=(size, size)).tocsr()
        sources = n + np.arange(len(self.pins))
        self.far = dijkstra(matrix, directed=False, indices=sources, limit=FAR) if len(sources) else np.empty((0, size))

    def _inductance(self) -> Floats:
        """Of each edge of the graph, H."""
        graph, board = self.graph, self.view.board
        out = graph.length * strip_inductance(WIDE, plane_height(self.view, 0))
        on = np.flatnonzero(graph.kind == TRACE)
        layers = board.traces.layer[graph.row[on]]
        for layer in np.unique(layers):
            mine = on[layers == layer]
            u = np.clip(board.traces.width[graph.row[mine]], 1e-5, 20e-3)
            out[mine] = graph.length[mine] * strip_inductance(u, plane_height(self.view, int(layer)))
        holes = np.flatnonzero(graph.kind == BARREL)
        radius = np.clip(board.vias.drill[graph.row[holes]] / 2, 0.02e-3, 0.45 * BESIDE)
        tall = graph.length[holes] > 0
        out[holes[tall]] = pair_inductance(graph.length[holes[tall]], BESIDE, radius[tall]) / 2
        return out

    @cached_property
    def _met(self) -> tuple[NDArray[np.intp], Floats]:
        """Nodes on areas, and the radius of what meets the area there."""
        graph, elements = self.graph, self.graph.of.elements
        is_area = elements.kind[graph.element] == AREA
        radius = np.full(len(graph.element), WIDE / 2)
        joint = graph.kind < 0
        for one, two in ((graph.a, graph.b), (graph.b, graph.a)):
            edge = np.flatnonzero(joint & is_area[one] & ~is_area[two])
            radius[one[edge]] = elements.half[graph.element[two[edge]]]
            pad = edge[elements.kind[graph.element[two[edge]]] == PAD]
            shapes = self.view.board.pads.shape[elements.row[graph.element[two[pad]]]]
            radius[one[pad]] = [np.sqrt(shape.area / np.pi) for shape in shapes]
        return np.flatnonzero(is_area), np.maximum(radius, 0.05e-3)

    def entries(self, pin: int) -> list[Entry]:
        """Where a pin's ways first meet each area of the net, least inductance first."""
        if pin not in self._row:
            return []
        if pin not in self._entries:
            self._entries[pin] = self._found(self.far[self._row[pin]])
        return self._entries[pin]

    def _found(self, far: Floats) -> list[Entry]:
        nodes, radius = self._met
        near = nodes[np.isfinite(far[nodes])]
        area = self.graph.of.elements.row[self.graph.element[near]]
        order = np.lexsort((near, far[near], area))
        _, first = np.unique(area[order], return_index=True)
        out = []
        for node, row in zip(near[order[first]].tolist(), area[order[first]].tolist(), strict=True):
            x, y = self.graph.place[node]
            out.append(Entry(row, float(x), float(y), float(far[node]), float(radius[node])))
        return sorted(out, key=lambda e: (e.inductance, e.area))

    def between(self, pin: int, other: int) -> float:
        """Inductance from pin to pin along traces and holes, H; inf where only areas lead there."""
        if pin not in self._row or not len(self.at.get(other, ())):
            return np.inf
        return float(self.far[self._row[pin]][self.at[other]].min())


def plane_height(view: View, layer: int) -> float:
    """Distance from a layer to the nearest other layer that is a ground plane, m; the board's thickness without one."""
    board = view.board
    others = [k for k in view.ground_planes if k != layer]
    if not others:
        return max(board.thickness, 0.1e-3)
    return min(board.distance(*sorted((layer, k))) for k in others)


def across(distance: float, spacing: float, radius: float) -> float:
    """Inductance between two places of a plane pair, H: two round contacts. 0 where they touch."""
    return float(pair_inductance(spacing, distance, radius)) if distance > 2 * radius else 0.0
