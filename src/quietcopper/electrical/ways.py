"""The ways that a return current has from one area to another near a place: vias, capacitors, plane capacitance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from quietcopper.board.model import Floats, Ints
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.vias import capacitor_mounting, pair_inductance, return_inductance

REACH = 40e-3  # m; elements further away add less than the nearer ones' uncertainty
MOST = 24  # nearest elements of a kind that are counted
VIA_RADIUS = 0.15e-3  # m, of the vias that mount a capacitor, where the board does not show them


@dataclass(frozen=True)
class Way:
    """One element or group that joins two areas: what it is, its distance (m) and its loop inductance (H)."""

    what: str
    distance: float
    inductance: float
    at: tuple[float, float]


@dataclass(frozen=True)
class Ways:
    """All that joins two areas near a place, in parallel. capacitance : F, of the planes themselves."""

    ways: tuple[Way, ...]
    capacitance: float

    @property
    def inductance(self) -> float:
        """H, inf where nothing but the planes' capacitance joins them."""
        total = sum(1 / way.inductance for way in self.ways)
        return 1 / total if total > 0 else np.inf

    @property
    def nearest(self) -> Way | None:
        return min(self.ways, key=lambda way: way.distance, default=None)

    @property
    def words(self) -> str:
        """What the return current has to use, in words."""
        nearest = self.nearest
        if nearest is None:
            if self.capacitance > 0:
                return f"nothing but {self.capacitance * 1e12:.3g} pF between the planes"
            return "nothing that joins the two"
        return f"{nearest.what} {nearest.distance * 1e3:.1f} mm away"


@dataclass(frozen=True, eq=False)
class Capacitors:
    """Two-pin capacitors by the nets they join: part row, the two nets, middle (m), side, distance of their pins
    (m)."""

    part: Ints
    net_a: Ints
    net_b: Ints
    x: Floats
    y: Floats
    side: Ints
    span: Floats

    def between(self, net_a: int, net_b: int) -> Ints:
        """Rows that join two nets."""
        hit = ((self.net_a == net_a) & (self.net_b == net_b)) | ((self.net_a == net_b) & (self.net_b == net_a))
        return np.flatnonzero(hit).astype(np.int32)


def find_capacitors(view: View) -> Capacitors:
    """Every two-pin capacitor whose pins are on two different nets."""
    board, pins = view.board, view.board.pins
    rows = []
    for part, kind in enumerate(view.part_kinds):
        if kind.kind != "capacitor":
            continue
        mine = np.flatnonzero(pins.part == part)
        if len(mine) != 2 or pins.net[mine[0]] == pins.net[mine[1]]:
            continue
        a, b = mine
        rows.append(
            (
                part,
                pins.net[a],
                pins.net[b],
                (pins.x[a] + pins.x[b]) / 2,
                (pins.y[a] + pins.y[b]) / 2,
                board.parts.side[part],
                np.hypot(pins.x[a] - pins.x[b], pins.y[a] - pins.y[b]),
            )
        )
    columns: list[tuple[Any, ...]] = list(zip(*rows, strict=True)) if rows else [()] * 7
    kinds = (np.int32, np.int32, np.int32, np.float64, np.float64, np.int32, np.float64)
    return Capacitors(*(np.array(c, dtype=k) for c, k in zip(columns, kinds, strict=True)))


def between(view: View, a: int, b: int, x: float, y: float) -> Ways:
    """The ways from area a to area b (rows in board.areas) near a place, m.

    Areas on two layers: vias that tie both (solved together as parallel returns) and capacitors between their nets.
    Areas on one layer: capacitors between their nets directly, and through every area that faces both: what joins a
    to it, then what joins it to b. Beside them the capacitance between the two through all the board's planes.
    """
    layers = view.board.areas.layer
    if layers[a] != layers[b]:
        return Ways(tuple(_joining(view, a, b, x, y)), plane_capacitance(view, a, b))
    ways = list(_capacitors(view, a, b, x, y, spacing=0.0))
    for third in sorted(view.facing_of(a) & view.facing_of(b)):
        first = Ways(tuple(_joining(view, a, third, x, y)), 0.0)
        second = Ways(tuple(_joining(view, third, b, x, y)), 0.0)
        if first.ways and second.ways:
            far = max((first.nearest, second.nearest), key=lambda way: way.distance if way else 0.0)
            assert far is not None
            label = view.board.layer_label(int(layers[third]))
            ways.append(
                Way(
                    f"{far.what} by way of {label}",
                    far.distance,
                    first.inductance + second.inductance,
                    far.at,
                )
            )
    return Ways(tuple(ways), plane_capacitance(view, a, b))


def plane_capacitance(view: View, a: int, b: int) -> float:
    """Capacitance between two areas through the board's facing areas, F, each area an ideal plate.

    The network of all facing pairs, seen from the two: 1 / (e' L+ e) with L its Laplacian. 0 where nothing leads from
    one to the other. Areas joined by vias elsewhere are not taken together: the vias are ways of their own.
    """
    nodes, laplacian = view.plane_network
    if a not in nodes or b not in nodes or a == b:
        return 0.0
    probe = np.zeros(len(nodes))
    probe[nodes[a]], probe[nodes[b]] = 1.0, -1.0
    scale = float(np.trace(laplacian)) / len(nodes)
    answer, *_ = np.linalg.lstsq(laplacian / scale, probe, rcond=1e-12)
    # Without a way from one to the other the two lie in separate parts of the network, and no answer fits.
    if np.abs(laplacian @ answer / scale - probe).max() > 1e-6:
        return 0.0
    return float(scale / (probe @ answer))


def _joining(view: View, a: int, b: int, x: float, y: float) -> list[Way]:
    """Vias and capacitors that join two areas on different layers."""
    board = view.board
    layers = board.areas.layer
    upper, lower = sorted((int(layers[a]), int(layers[b])))
    spacing = board.distance(upper, lower)
    out = list(_capacitors(view, a, b, x, y, spacing))
    vias = np.intersect1d(view.vias_on(a), view.vias_on(b))
    if len(vias):
        dx, dy = board.vias.x[vias] - x, board.vias.y[vias] - y
        distance, radius = np.hypot(dx, dy), board.vias.drill[vias] / 2
        order = np.argsort(distance, kind="stable")
        order = order[(distance[order] < REACH) & (distance[order] > 4 * radius[order])][:MOST]
        if len(order):
            places = np.stack([dx[order], dy[order]], -1)
            try:
                inductance = return_inductance(spacing, float(np.median(radius[order])), places, radius[order])
            except OutOfRange:  # two holes in one place: count the nearest alone
                order = order[:1]
                inductance = float(pair_inductance(spacing, distance[order[0]], radius[order[0]]))
            nearest = order[0]
            many = f"{len(order)} vias, the nearest" if len(order) > 1 else "one via"
            at = (float(board.vias.x[vias[nearest]]), float(board.vias.y[vias[nearest]]))
            out.append(Way(many, float(distance[nearest]), inductance, at))
    return out


def _capacitors(view: View, a: int, b: int, x: float, y: float, spacing: float) -> list[Way]:
    """Capacitors between the nets of two areas, each with its mounting and the way to it between the planes."""
    board, caps = view.board, view.capacitors
    rows = caps.between(int(board.areas.net[a]), int(board.areas.net[b]))
    distance = np.hypot(caps.x[rows] - x, caps.y[rows] - y)
    order = np.argsort(distance, kind="stable")
    order = order[distance[order] < REACH][:MOST]
    layers = sorted((int(board.areas.layer[a]), int(board.areas.layer[b])))
    out = []
    for i in order:
        row, s = rows[i], max(float(distance[i]), 4 * VIA_RADIUS)
        last = len(board.layers) - 1
        surface, plane = (0, layers[0]) if caps.side[row] == 0 else (last, layers[1])
        depth = board.distance(*sorted((surface, plane))) if surface != plane else 0.0
        span = max(float(caps.span[row]), 2.5 * VIA_RADIUS)
        mount = float(capacitor_mounting(span, VIA_RADIUS, depth)) if depth > 0 else 0.0
        # On one layer the detour to the capacitor is a loop over the next plane, as between two planes.
        height = spacing if spacing > 0 else view.dielectric_beside(layers[0]).thickness
        way = float(pair_inductance(height, s, VIA_RADIUS))
        at = (float(caps.x[row]), float(caps.y[row]))
        out.append(Way(f"capacitor {board.parts.ref[caps.part[row]]}", float(distance[i]), mount + way, at))
    return out


def capacitor_beside(view: View, layer: int, distance: float = 2e-3) -> float:
    """Inductance of a capacitor of 0402 size across a gap in a layer's copper, its vias `distance` from the crossing,
    H."""
    board = view.board
    last = len(board.layers) - 1
    depths = [board.distance(*sorted((layer, outer))) for outer in (0, last) if outer != layer]
    height = view.dielectric_beside(layer).thickness
    total = float(pair_inductance(height, distance, VIA_RADIUS))
    return total + (float(capacitor_mounting(1e-3, VIA_RADIUS, min(depths))) if layer not in (0, last) else 0.0)
