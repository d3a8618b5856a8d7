"""Separate ground regions: how they are joined, what lies between them, and which of them look like the sides of a
safety barrier."""

from __future__ import annotations

import heapq
from collections import defaultdict
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from quietcopper.electrical import parts
from quietcopper.electrical.copper import BARREL
from quietcopper.electrical.tables import GROUND
from quietcopper.electrical.view import View

LARGE = 25e-6  # m2; ground copper in smaller groups is no region
FACING = 5e-3  # m; sides of a barrier face each other over at least this
EMPTY = 0.2  # share of the strip between two regions that copper may take where no isolating part tells a barrier
ISOLATES = (parts.IC, parts.MODULE, parts.TRANSFORMER, parts.RELAY)

INSULATES = (parts.CAPACITOR, parts.VARISTOR, parts.DIODE)  # two-pin parts that pass no direct current
JOINS = (*INSULATES, parts.RESISTOR, parts.INDUCTOR, parts.FERRITE, parts.JUMPER, parts.FUSE)


@dataclass(frozen=True)
class Joint:
    """A two-pin part that joins two regions: its kind, row and reference."""

    kind: str
    part: int
    name: str


@dataclass(frozen=True, eq=False)
class Between:
    """Two ground regions, by their groups of connected copper (a < b).

    clearance : least distance of their filled copper on any layer, m; inf where they share no layer
    joints : what joins them; crossing : parts with pins on either region's own copper that pass no direct current
    """

    a: int
    b: int
    clearance: float
    joints: tuple[Joint, ...]
    across: tuple[int, ...]


def ground_regions(view: View) -> dict[int, tuple[int, ...]]:
    """Groups of connected ground copper of some size: rows of their areas, by group."""
    board, copper = view.board, view.copper
    if not len(board.areas):
        return {}
    group = view.pieces.group[copper.piece_of_area]
    rows: dict[int, list[int]] = defaultdict(list)
    for row, (net, g) in enumerate(zip(board.areas.net.tolist(), group.tolist(), strict=True)):
        if view.roles[net].kind == GROUND and not copper.floating[g]:
            rows[g].append(row)
    size = {g: sum(board.areas.shape[r].area for r in mine) for g, mine in rows.items()}
    return {g: tuple(mine) for g, mine in sorted(rows.items()) if size[g] >= LARGE}


def between_regions(view: View) -> tuple[Between, ...]:
    """Every two ground regions that share a layer or a part, with what joins them."""
    regions = ground_regions(view)
    of_part = _groups_of_parts(view)
    out = []
    for a, b in combinations(regions, 2):
        members = [p for p, groups in of_part.items() if a in groups and b in groups]
        joints = []
        across = []
        for p in members:
            kind, ref = view.part_kinds[p], str(view.board.parts.ref[p])
            if kind.pins == 2 and kind.kind in JOINS:
                joints.append(Joint(kind.kind, p, ref))
            else:
                across.append(p)
        clearance = _clearance(view, regions[a], regions[b])
        if np.isfinite(clearance) or joints or across:
            out.append(Between(a, b, clearance, tuple(joints), tuple(across)))
    return tuple(out)


def _groups_of_parts(view: View) -> dict[int, set[int]]:
    """Groups of connected ground copper that each part has pins on."""
    board, copper = view.board, view.copper
    out: dict[int, set[int]] = defaultdict(set)
    for row in np.flatnonzero(board.pads.pin >= 0).tolist():
        if view.roles[board.pads.net[row]].kind == GROUND:
            part = int(board.pins.part[board.pads.pin[row]])
            out[part].add(int(view.pieces.group[copper.piece_of_pad[row]]))
    return dict(sorted(out.items()))


def _clearance(view: View, one: tuple[int, ...], other: tuple[int, ...]) -> float:
    areas = view.board.areas
    smallest = np.inf
    for layer in range(len(view.board.layers)):
        mine = areas.shape[[r for r in one if areas.layer[r] == layer]]
        theirs = areas.shape[[r for r in other if areas.layer[r] == layer]]
        if len(mine) and len(theirs):
            nearest = mine[shapely.STRtree(mine).nearest(theirs)]
            smallest = min(smallest, float(shapely.distance(nearest, theirs).min()))
    return smallest


@dataclass(frozen=True, eq=False)
class Barrier:
    """Two regions that look like the sides of a safety barrier.

    width : their clearance, m; left : what is left of it along the shortest way across, where copper and pads count as
    bridged, m; way : that way's gaps; nets, bridging : the nets and two-pin parts on it; isolating : parts across
    whose pins keep the distance
    """

    between: Between
    width: float
    left: float
    way: BaseGeometry
    layer: int
    nets: tuple[int, ...]
    bridging: tuple[int, ...]
    isolating: tuple[int, ...]


def barriers(view: View, width: float) -> tuple[Barrier, ...]:
    """Regions at least `width` (m) apart on every layer, tied by no resistor, coil or bridge, and either with an
    isolating part across or with hardly any copper between them."""
    regions = ground_regions(view)
    out = []
    for pair in between_regions(view):
        conducts = any(j.kind not in INSULATES for j in pair.joints)
        if not np.isfinite(pair.clearance) or pair.clearance < width or conducts:
            continue
        strip, filled = _strip(view, regions[pair.a], regions[pair.b], pair.clearance)
        if strip.is_empty:
            continue
        isolating = tuple(p for p in pair.across if view.part_kinds[p].kind in ISOLATES)
        if not isolating and filled > EMPTY * strip.area:
            continue
        left, way, layer, nets, bridging = _shortest(view, pair, strip)
        out.append(Barrier(pair, pair.clearance, left, way, layer, nets, bridging, isolating))
    return tuple(out)


def _strip(view: View, one: tuple[int, ...], other: tuple[int, ...], clearance: float) -> tuple[BaseGeometry, float]:
    """Where the two regions face each other, as seen from above, and how much of it other copper covers on the layer
    that has most; empty where they face each other over less than `FACING`."""
    areas = view.board.areas
    reach = 0.75 * clearance
    a = shapely.union_all(shapely.simplify(areas.shape[list(one)], 0.05e-3))
    b = shapely.union_all(shapely.simplify(areas.shape[list(other)], 0.05e-3))
    strip = shapely.difference(
        shapely.intersection(a.buffer(reach, quad_segs=4), b.buffer(reach, quad_segs=4)), shapely.union_all([a, b])
    )
    if strip.is_empty or strip.area < FACING * clearance / 2:
        return shapely.Polygon(), 0.0
    most = 0.0
    elements = view.copper.elements
    hit = shapely.STRtree(elements.core).query(strip, predicate="intersects")
    for layer in range(len(view.board.layers)):
        mine = hit[(elements.layer[hit] == layer) & (elements.kind[hit] != BARREL)]
        shapes = shapely.intersection(_solid(view, mine), strip)
        most = max(most, float(shapely.area(shapes).sum()))
    return strip, most


def _solid(view: View, rows: np.ndarray) -> np.ndarray:
    elements = view.copper.elements
    half = elements.half[rows]
    return np.where(half > 0, shapely.buffer(elements.core[rows], half, quad_segs=4), elements.core[rows])


def _shortest(
    view: View, pair: Between, strip: BaseGeometry
) -> tuple[float, BaseGeometry, int, tuple[int, ...], tuple[int, ...]]:
    """The least sum of gaps from one region to the other over whatever copper lies near, by connected groups."""
    elements = view.copper.elements
    groups = view.copper.group_of_element
    near = strip.buffer(pair.clearance / 2, quad_segs=4)
    hit = shapely.STRtree(elements.core).query(near, predicate="intersects")
    hit = hit[groups[hit] >= 0]
    edges: dict[int, list[tuple[float, int, int, BaseGeometry]]] = defaultdict(list)
    for layer in range(len(view.board.layers)):
        mine = hit[elements.layer[hit] == layer]
        if not len(mine):
            continue
        shapes = shapely.intersection(_solid(view, mine), near)
        by_group = {int(g): shapely.union_all(shapes[groups[mine] == g]) for g in np.unique(groups[mine])}
        by_group = {g: s for g, s in by_group.items() if not s.is_empty}
        names = sorted(by_group)
        tree = shapely.STRtree([by_group[g] for g in names])
        for i, g in enumerate(names):
            for k in tree.query(by_group[g], predicate="dwithin", distance=pair.clearance * 0.999).tolist():
                if k > i:
                    line = shapely.shortest_line(by_group[g], by_group[names[k]])
                    edges[g].append((line.length, names[k], layer, line))
                    edges[names[k]].append((line.length, g, layer, line))
    best = {pair.a: 0.0}
    before: dict[int, tuple[int, int, BaseGeometry]] = {}
    queue = [(0.0, pair.a)]
    while queue:
        far, g = heapq.heappop(queue)
        if g == pair.b or far > best.get(g, np.inf):
            continue
        for length, other, layer, line in edges[g]:
            if far + length < best.get(other, np.inf) - 1e-12:
                best[other] = far + length
                before[other] = (g, layer, line)
                heapq.heappush(queue, (far + length, other))
    if best.get(pair.b, np.inf) >= pair.clearance:
        return pair.clearance, shapely.LineString(), 0, (), ()
    lines, layers, passed = [], [], []
    at = pair.b
    while at in before:
        g, layer, line = before[at]
        lines.append(line)
        layers.append(layer)
        passed.append(at)
        at = g
    nets = tuple(sorted({n for g in passed if g != pair.b for n in view.copper.group_nets[g]}))
    bridging = tuple(j.part for j in pair.joints)
    return best[pair.b], shapely.union_all(lines), layers[0], nets, bridging
