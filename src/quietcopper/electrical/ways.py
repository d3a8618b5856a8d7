"""The ways that a return current has from one area to another near a place: vias, capacitors, plane capacitance."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import hypot
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import shapely

from quietcopper.board.model import Floats, Ints, Names
from quietcopper.electrical.gap_capacitances import own_capacitance
from quietcopper.electrical.tables import GROUND
from quietcopper.electrical.view import View
from quietcopper.fields.return_sheet import surface_impedance
from quietcopper.fields.slots import solve_opening
from quietcopper.fields.vias import capacitor_mounting, return_path
from quietcopper.units import MU0

REACH = 40e-3  # m; elements further away add less than the nearer ones' uncertainty
MOST = 12  # nearest elements of a kind that are counted
SLENDER = (
    3.0001  # times its width that a slot must be long for its formula; a hair above, so that rounding decides nothing
)
LINK = 1.0  # ohm; a resistor of no more joins its two nets
VIA = "a via"  # in the words of a way
VIA_RADIUS = 0.15e-3  # m, of the vias that mount a capacitor, where the board does not show them


@dataclass(frozen=True)
class Way:
    """One of the things that join two areas: what it is, how far away (m) and where; its barrel's radius (m), and what
    its mounting adds in series (H). direct : not by way of a third area"""

    what: str
    distance: float
    at: tuple[float, float]
    radius: float = 0.0
    series: float = 0.0
    direct: bool = True


@dataclass(frozen=True)
class Ways:
    """All that joins two areas near a place.

    ways : nearest first; inductance : of all of them together with the way to them, H, inf where there is none
    capacitance : F, between the two through the board's planes, and of the gap between them where they share a layer
    squares : of copper surface that the way to them is worth in resistance, nan where that was not worked out
    """

    ways: tuple[Way, ...]
    inductance: float
    capacitance: float
    squares: float = float("nan")

    @property
    def nearest(self) -> Way | None:
        return self.ways[0] if self.ways else None

    @property
    def words(self) -> str:
        """What the return current has to use, in words."""
        nearest = self.nearest
        if nearest is None:
            if self.capacitance > 0:
                return f"nothing but {self.capacitance * 1e12:.3g} pF between the planes"
            return "nothing that joins the two"
        return f"{nearest.what} {nearest.distance * 1e3:.1f} mm away"


@dataclass(frozen=True)
class Crossing:
    """How a trace crosses a gap: width of the gap along it, height over the split copper, its own width, and the unit
    vector along it. Metres."""

    gap: float
    height: float
    width: float
    along: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Capacitors:
    """Two-pin parts that join two nets at high frequency: part row, name, the two nets, group of connected copper that
    either pin sits on (-1 for none), middle (m), side, distance of their pins (m)."""

    part: Ints
    name: Names
    net_a: Ints
    net_b: Ints
    group_a: Ints
    group_b: Ints
    x: Floats
    y: Floats
    side: Ints
    span: Floats

    def between(self, net_a: int, net_b: int) -> Ints:
        """Rows that join two nets."""
        hit = ((self.net_a == net_a) & (self.net_b == net_b)) | ((self.net_a == net_b) & (self.net_b == net_a))
        return np.flatnonzero(hit).astype(np.int32)


def find_capacitors(view: View) -> Capacitors:
    """Every two-pin capacitor, and every resistor of an ohm or less, whose pins are on two different nets."""
    board, pins = view.board, view.board.pins
    group = np.full(len(pins), -1, dtype=np.int32)
    padded = board.pads.pin >= 0
    group[board.pads.pin[padded]] = view.pieces.group[view.copper.piece_of_pad[padded]]
    rows = []
    for part, kind in enumerate(view.part_kinds):
        link = kind.kind == "resistor" and kind.value is not None and kind.value <= LINK
        if kind.kind != "capacitor" and not link:
            continue
        mine = np.flatnonzero(pins.part == part)
        if len(mine) != 2 or pins.net[mine[0]] == pins.net[mine[1]]:
            continue
        a, b = mine
        rows.append(
            (
                part,
                f"{'capacitor' if kind.kind == 'capacitor' else 'link'} {board.parts.ref[part]}",
                pins.net[a],
                pins.net[b],
                group[a],
                group[b],
                (pins.x[a] + pins.x[b]) / 2,
                (pins.y[a] + pins.y[b]) / 2,
                board.parts.side[part],
                np.hypot(pins.x[a] - pins.x[b], pins.y[a] - pins.y[b]),
            )
        )
    columns: list[tuple[Any, ...]] = list(zip(*rows, strict=True)) if rows else [()] * 10
    kinds = (np.int32, object, np.int32, np.int32, np.int32, np.int32, np.float64, np.float64, np.int32, np.float64)
    return Capacitors(*(np.array(c, dtype=k) for c, k in zip(columns, kinds, strict=True)))


@dataclass(frozen=True)
class Added:
    """A via or capacitor that does not exist yet: its distance from the place (m), radius, and series inductance
    (H)."""

    distance: float
    radius: float
    series: float = 0.0


def crossing_at(view: View, row: int) -> Crossing:
    """The crossing of a row of view.gaps."""
    gaps = view.gaps
    (x0, y0), (x1, y1) = gaps.line[row].coords[0][:2], gaps.line[row].coords[-1][:2]
    size = float(np.hypot(x1 - x0, y1 - y0))
    along = ((x1 - x0) / size, (y1 - y0) / size) if size > 0 else (1.0, 0.0)
    height = view.board.distance(*sorted((int(gaps.layer[row]), int(gaps.reference[row]))))
    return Crossing(float(gaps.length[row]), height, float(gaps.width[row]), along)


def gap_inductance(view: View, row: int) -> tuple[float, Ways | None]:
    """Inductance that a crossing (row of view.gaps) puts into the return, H, inf where nothing bridges the gap.

    Also what bridges it: None for an opening in one area, round which the return goes. Openings are solved on their
    shape (`view.crossings`); where they lie outside that, a slot of the same detour stands for them.
    """
    gaps, crossing = view.gaps, crossing_at(view, row)
    if np.isfinite(gaps.slot[row]):
        solved = view.crossings.of(row)
        if solved is not None:
            return solved.between(row, row), None
        return _same_detour(view, row, crossing)[0], None
    a, b = int(gaps.before[row]), int(gaps.after[row])
    ways = across_gap(view, a, b, float(gaps.x[row]), float(gaps.y[row]), crossing)
    return ways.inductance, ways


def gap_resistance(view: View, row: int, frequency: float, ways: Ways | None) -> float:
    """What the detour at a crossing (row of view.gaps) adds to the loop's resistance at a frequency (Hz), ohm: of the
    copper alone, not of what bridges it; nan where nothing does. ways : as `gap_inductance` tells them"""
    layer = view.board.layers[int(view.gaps.reference[row])]
    if ways is not None:
        squares = ways.squares
    else:
        solved = view.crossings.of(row)
        if solved is not None:
            squares = float(solved.squares[solved.rows.index(row)])
        else:
            squares = _same_detour(view, row, crossing_at(view, row))[1]
    return squares * surface_impedance(frequency, layer.thickness, layer.conductivity).real


def _same_detour(view: View, row: int, crossing: Crossing) -> tuple[float, float]:
    """Inductance, H, and squares of resistance of a slot with the same detour to its nearer end: what stands for an
    opening that could not be solved on its shape."""
    length = max(2 * float(view.gaps.slot[row]), crossing.gap)
    thickness = view.board.layers[int(view.gaps.reference[row])].thickness
    figures = np.round([length, crossing.gap, crossing.height, crossing.width, 0.0, thickness], 8)
    return _solved_slot(*figures.tolist())


def between_layers(view: View, a: int, b: int, x: float, y: float, radius: float, added: Added | None = None) -> Ways:
    """The ways from area a to area b on another layer (rows in board.areas) near a place, m.

    Vias that tie both areas and capacitors between their nets, solved together as parallel returns of a conductor of
    `radius` at the place; each capacitor with its mounting in series. `added` stands where it has most room. Where
    nothing joins the two, as with two supplies, the best ground area that faces either: to it and from it, each half
    solved by itself.
    """
    ways, inductance, squares = _joining(view, a, b, x, y, radius, added)
    if not ways and added is None:
        ways, inductance = _by_ground(view, a, b, x, y, radius)
        squares = float("nan")
    return Ways(tuple(ways), inductance, plane_capacitance(view, a, b), squares)


def _by_ground(view: View, a: int, b: int, x: float, y: float, radius: float) -> tuple[list[Way], float]:
    """The best way from one area to another over a ground area on a third layer, and its inductance, H."""
    board = view.board
    best: tuple[float, Way] | None = None
    for third in sorted(view.facing_of(a) | view.facing_of(b)):
        if view.roles[board.areas.net[third]].kind != GROUND or board.areas.layer[third] in board.areas.layer[[a, b]]:
            continue
        first, one, _ = _joining(view, a, third, x, y, radius)
        second, other, _ = _joining(view, third, b, x, y, radius)
        if first and second and (best is None or one + other < best[0]):
            far = max(first[0], second[0], key=lambda way: way.distance)
            words = " and ".join(dict.fromkeys((first[0].what, second[0].what)))
            net = board.nets[board.areas.net[third]]
            best = one + other, Way(f"{words} by way of {net}, the further", far.distance, far.at, direct=False)
    return ([best[1]], best[0]) if best else ([], np.inf)


def across_gap(view: View, a: int, b: int, x: float, y: float, crossing: Crossing) -> Ways:
    """The ways from area a to area b of one layer for a trace that crosses from one to the other at a place, m.

    Two kinds in parallel. By way of what faces both, for each connected copper its best area: from a to it and from it
    to b, each half solved as in `between_layers` with a source of the radius height + width/4 (held to two full-wave
    rows of a split plane with a via in each half: 19 % above and 6 % below). And straight across by the nearest
    capacitor on either side: the gap up to them is a slot (`fields.slots`); with one on one side
    only, twice the slot that is as long on the other side.
    """
    radius = crossing.height + crossing.width / 4
    ways: list[Way] = []
    group = view.pieces.group[view.copper.piece_of_area]
    by_group: dict[int, tuple[float, Way, float]] = {}
    for third in sorted(view.facing_of(a) & view.facing_of(b)):
        first, one, there = _joining(view, a, third, x, y, radius)
        second, other, back = _joining(view, third, b, x, y, radius)
        if not (first and second):
            continue
        far = max(first[0], second[0], key=lambda way: way.distance)
        label = view.board.layer_label(int(view.board.areas.layer[third]))
        way = Way(f"{far.what} by way of {label}", far.distance, far.at)
        # Areas of one group share their vias and capacitors: only the best of them counts.
        known = by_group.get(int(group[third]))
        if known is None or one + other < known[0]:
            by_group[int(group[third])] = (one + other, way, there + back)
    parts = [(inductance, squares) for inductance, _, squares in by_group.values()]
    ways += [way for _, way, _ in by_group.values()]
    straight, inductance, squares = _straight(view, a, b, x, y, crossing)
    parts = [(own, loss) for own, loss in [*parts, (inductance, squares)] if np.isfinite(own)]
    admittance = sum(1 / own for own, _ in parts)
    loss = sum((1 / own / admittance) ** 2 * loss for own, loss in parts) if parts else float("nan")
    ways = sorted([*ways, *straight], key=lambda way: (way.distance, way.what))
    capacitance = plane_capacitance(view, a, b) + own_capacitance(view, a, b)
    return Ways(tuple(ways), 1 / admittance if admittance > 0 else np.inf, capacitance, loss)


def plane_capacitance(view: View, a: int, b: int) -> float:
    """Capacitance between two areas through the board's facing areas, F, each area an ideal plate.

    The network of all facing pairs, seen from the two: 1 / (e' L+ e) with L its Laplacian. 0 where nothing leads from
    one to the other. Areas joined by vias elsewhere are not taken together: the vias are ways of their own.
    """
    nodes, part, inverse = view.plane_network
    if a not in nodes or b not in nodes or a == b:
        return 0.0
    i, j = nodes[a], nodes[b]
    if part[i] != part[j]:
        return 0.0
    return float(1 / (inverse[i, i] + inverse[j, j] - inverse[i, j] - inverse[j, i]))


Joints = tuple[Floats, Floats, Floats, Floats, list[str]]
_JOINTS: WeakKeyDictionary[View, dict[tuple[int, int], Joints]] = WeakKeyDictionary()


def share_joints(view: View, other: View) -> None:
    """Let another view of the same board, roles and capacitors keep its joints with those of a view."""
    _JOINTS[other] = _JOINTS.setdefault(view, {})


def _joints(view: View, a: int, b: int) -> Joints:
    """Everything that joins two areas, vias first: x, y, radius (m), mounting inductance (H), and what it is; kept for
    a view."""
    kept = _JOINTS.setdefault(view, {})
    if (a, b) not in kept:
        board, caps = view.board, view.capacitors
        layers = sorted((int(board.areas.layer[a]), int(board.areas.layer[b])))
        vias = np.intersect1d(view.vias_on(a), view.vias_on(b))
        rows = _capacitors(view, a, b)
        kept[a, b] = (
            np.concatenate([board.vias.x[vias], caps.x[rows]]),
            np.concatenate([board.vias.y[vias], caps.y[rows]]),
            np.concatenate([board.vias.drill[vias] / 2, np.full(len(rows), VIA_RADIUS)]),
            np.concatenate([np.zeros(len(vias)), [_mounting(view, int(row), layers) for row in rows]]),
            [VIA] * len(vias) + [str(name) for name in caps.name[rows]],
        )
    return kept[a, b]


def _joining(
    view: View, a: int, b: int, x: float, y: float, radius: float, added: Added | None = None
) -> tuple[list[Way], float, float]:
    """What joins two areas on different layers, nearest first, the inductance of all of it together, H, and the squares
    that its way over both planes is worth in resistance: per square mu0 times their distance, and twice its surface."""
    px, py, own, series, what = _joints(view, a, b)
    if not what and added is None:
        return [], np.inf, 0.0
    spacing = view.board.distance(*sorted((int(view.board.areas.layer[a]), int(view.board.areas.layer[b]))))
    kept, distance = _nearest(px - x, py - y, own, radius)
    places = np.stack([px[kept] - x, py[kept] - y], -1)
    radii, mountings = own[kept], series[kept]
    if added is not None:
        here = _free_place(places, radii, max(added.distance, 1.1 * (radius + added.radius)), added.radius)
        # Where the new one takes the room of others it stands for them.
        room = np.hypot(*(places - here).T) > 1.1 * (radii + added.radius)
        places, radii, mountings = places[room], radii[room], mountings[room]
        places = np.vstack([places, here])
        radii, mountings = np.append(radii, added.radius), np.append(mountings, added.series)
    if not len(places):
        return [], np.inf, 0.0
    found = return_path(spacing, radius, places, radii, mountings)
    spread = found.inductance - float(np.sum(found.shares**2 * mountings))
    ways = [
        Way(
            what[i],
            far,
            (float(px[i]), float(py[i])),
            float(own[i]),
            float(series[i]),
        )
        for i, far in zip(kept, distance, strict=True)
    ]
    return ways, found.inductance, 2 * spread / (MU0 * spacing)


def _nearest(px: Floats, py: Floats, own: Floats, radius: float) -> tuple[list[int], list[float]]:
    """The nearest of some joints, seen from a source of `radius` (m), and how far away they are."""
    distance = np.hypot(px, py)
    order = np.lexsort((px, py, np.round(distance, 9)))
    order = order[distance[order] < REACH]
    order = order[distance[order] > 1.1 * (radius + own[order])]
    kept: list[tuple[float, float, float, int]] = []
    for i in order.tolist():
        x, y, size = px.item(i), py.item(i), own.item(i)
        # what stands inside the source, or in one place with another way, is not told apart from it
        if all(hypot(x - x1, y - y1) > 1.1 * (size + size1) for x1, y1, size1, _ in kept):
            kept.append((x, y, size, i))
        if len(kept) == MOST:
            break
    rows = [i for *_, i in kept]
    return rows, distance[rows].tolist()


def tied_by_via(view: View, a: int, b: int, x: float, y: float, radius: float) -> bool:
    """Whether a via is among what `between_layers` finds near a place."""
    px, py, own, _, what = _joints(view, a, b)
    return VIA in what[:1] and any(what[i] == VIA for i in _nearest(px - x, py - y, own, radius)[0])


def _capacitors(view: View, a: int, b: int) -> Ints:
    """Rows of view.capacitors with a pin on the connected copper of either area: copper of the same name that is tied
    to nothing has none."""
    caps, group = view.capacitors, view.pieces.group[view.copper.piece_of_area]
    rows = caps.between(int(view.board.areas.net[a]), int(view.board.areas.net[b]))
    one, other = caps.group_a[rows], caps.group_b[rows]
    joins = ((one == group[a]) & (other == group[b])) | ((one == group[b]) & (other == group[a]))
    return rows[joins]


def _free_place(places: Floats, radii: Floats, distance: float, radius: float) -> Floats:
    """Where a new via at that distance has most room among others at `places` (n, 2): one of 16 directions."""
    angle = np.arange(16) * np.pi / 8
    candidates = distance * np.stack([np.cos(angle), np.sin(angle)], -1)
    if not len(places):
        return candidates[0]
    room = np.hypot(*np.moveaxis(candidates[:, None] - places[None], -1, 0)) - radii[None] - radius
    return candidates[int(np.argmax(np.round(room.min(axis=1), 9)))]


def _straight(view: View, a: int, b: int, x: float, y: float, crossing: Crossing) -> tuple[list[Way], float, float]:
    """The nearest capacitor between the nets of two areas of one layer on either side of the crossing; inductance, H,
    and squares of resistance of the gap up to them."""
    board, caps = view.board, view.capacitors
    layer = int(board.areas.layer[a])
    rows = _capacitors(view, a, b)
    side = crossing.along[0] * (caps.y[rows] - y) - crossing.along[1] * (caps.x[rows] - x)
    distance = np.hypot(caps.x[rows] - x, caps.y[rows] - y)
    ways, reaches, admittance = [], [], 0.0
    for there in (side > 0, side <= 0):
        near = np.flatnonzero(there & (distance < REACH))
        if not len(near):
            continue
        i = int(near[np.lexsort((caps.x[rows[near]], caps.y[rows[near]], np.round(distance[near], 9)))[0]])
        row = int(rows[i])
        reaches.append(max(float(distance[i]), 2 * crossing.gap))
        admittance += 1 / max(_mounting(view, row, [layer, layer]), 1e-12)
        at = (float(caps.x[row]), float(caps.y[row]))
        ways.append(Way(str(caps.name[row]), float(distance[i]), at))
    if not ways:
        return [], np.inf, 0.0
    slot, squares = _slot(reaches, crossing, board.layers[layer].thickness)
    return ways, slot + 1 / admittance, squares


def _slot(reaches: list[float], crossing: Crossing, thickness: float) -> tuple[float, float]:
    """Inductance of a gap that is bridged at these distances from the crossing, one or one on either side, H, and the
    squares of resistance: solved as a slot that ends there."""
    length, offset = 2 * reaches[0], 0.0
    if len(reaches) == 2:
        length, offset = sum(reaches), (reaches[0] - reaches[1]) / 2
    figures = np.round([max(length, crossing.gap), crossing.gap, crossing.height, crossing.width, offset, thickness], 8)
    inductance, squares = _solved_slot(*figures.tolist())
    return (inductance, squares) if len(reaches) == 2 else (2 * inductance, 2 * squares)


@lru_cache(maxsize=4096)
def _solved_slot(
    length: float, gap: float, height: float, width: float, offset: float, thickness: float
) -> tuple[float, float]:
    """Inductance, H, and squares of resistance of a straight slot under a line."""
    box = shapely.box(-gap / 2, -length / 2, gap / 2, length / 2)
    found = solve_opening(box, [height], [width], [offset], thickness=thickness)
    return float(found.inductance[0, 0]), float(found.squares[0])


def _mounting(view: View, row: int, layers: list[int]) -> float:
    """Mounting inductance of a capacitor (row of view.capacitors) down to the nearer of two layers, H."""
    board, caps = view.board, view.capacitors
    last = len(board.layers) - 1
    surface, plane = (0, min(layers)) if caps.side[row] == 0 else (last, max(layers))
    if surface == plane:
        return 0.0
    span = max(float(caps.span[row]), 2.5 * VIA_RADIUS)
    return float(capacitor_mounting(span, VIA_RADIUS, board.distance(*sorted((surface, plane)))))


def new_mounting(view: View, layer: int) -> float:
    """Mounting inductance that a new capacitor of 0402 size has down to a layer from the nearer outer one, H."""
    board = view.board
    last = len(board.layers) - 1
    if layer in (0, last):
        return 0.0
    depth = min(board.distance(0, layer), board.distance(layer, last))
    return float(capacitor_mounting(1e-3, VIA_RADIUS, depth))


def capacitor_beside(view: View, layer: int, crossing: Crossing, distance: float = 2e-3) -> float:
    """Inductance of one new capacitor across a gap in a layer's copper, `distance` from the crossing, H."""
    return _slot([distance], crossing, view.board.layers[layer].thickness)[0] + new_mounting(view, layer)
