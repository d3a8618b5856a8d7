"""Openings in the copper of one layer: which are the antipads of a net's own holes, and how far a slot reaches."""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.board import Board
from quietcopper.board.geometry import boxes
from quietcopper.board.model import Areas, Bools, Floats, Shapes, Vias
from quietcopper.electrical.copper import barrels
from quietcopper.electrical.tiles import NEAR, Index, LayerCopper, layer_copper

_known: WeakKeyDictionary[Areas, WeakKeyDictionary[Vias, dict[int, Floats]]] = WeakKeyDictionary()

WIDEST_ANTIPAD = 1e-3  # m, from a hole's wall to the plane; a wider opening is not there for the hole alone
ANTIPAD_SLACK = 1.5  # an opening out to this many clearances from the hole is its own (square and oblong antipads)
AHEAD = 1.0  # m; traces are prolonged straight by this much to measure across them


def clearances(board: Board, holes: Index, layer: int) -> Floats:
    """Distance from each hole's axis to the nearest copper area of another net on a layer, m, shape (n,).

    inf where there is none within WIDEST_ANTIPAD of the hole's wall; 0 for a hole that does not pass that layer or is
    not plated. Worked out once for each table of areas and of holes.
    """
    layers = _known.setdefault(board.areas, WeakKeyDictionary()).setdefault(board.vias, {})
    if layer not in layers:
        layers[layer] = _clearances(board, layer)
    return layers[layer][holes]


def _clearances(board: Board, layer: int) -> Floats:
    vias, copper = board.vias, layer_copper(board, layer)
    out = np.zeros(len(vias))
    passes = np.flatnonzero(vias.plated & (vias.first <= layer) & (vias.last >= layer))
    axes = barrels(board)[passes]
    reach = WIDEST_ANTIPAD + vias.drill[passes] / 2
    hole, piece = copper.tree.query(boxes(axes, reach))
    foreign = copper.nets[copper.owner[piece]] != vias.net[passes[hole]]
    hole, piece = hole[foreign], piece[foreign]
    nearest = np.full(len(passes), np.inf)
    np.minimum.at(nearest, hole, shapely.distance(axes[hole], copper.tiles[piece]))
    out[passes] = np.where(nearest <= reach, nearest, np.inf)
    return out


def in_own_antipad(board: Board, lines: Shapes, nets: Index, layer: int) -> Bools:
    """Whether lines (uncovered on `layer`) lie within the antipads of plated holes of their own net, shape (n,).

    An antipad is taken to reach ANTIPAD_SLACK times as far as the copper nearest to the hole. Where several antipads
    have merged to a slot, only the part round the net's own holes counts as theirs.
    """
    vias = board.vias
    out = np.zeros(len(lines), dtype=np.bool_)
    plated = np.flatnonzero(vias.plated & (vias.net != 0) & (vias.first <= layer) & (vias.last >= layer))
    if not len(plated) or not len(lines):
        return out
    tree = shapely.STRtree(barrels(board)[plated])
    reach = ANTIPAD_SLACK * (WIDEST_ANTIPAD + float(vias.drill[plated].max()) / 2)
    line, hole = tree.query(lines, predicate="dwithin", distance=reach)
    hole = plated[hole]
    own = vias.net[hole] == nets[line]
    line, hole = line[own], hole[own]
    clear = clearances(board, hole, layer)
    known = np.isfinite(clear) & (clear > 0)
    line, hole, clear = line[known], hole[known], clear[known]
    # most lie in one antipad alone: all their corners nearer to its hole than the sides of its outline are
    axes, reaches = barrels(board)[hole], ANTIPAD_SLACK * clear + NEAR
    corners, owner = shapely.get_coordinates(lines[line], return_index=True)
    farthest = np.zeros(len(line))
    np.maximum.at(farthest, owner, shapely.distance(shapely.points(corners), axes[owner]))
    out[line[farthest < reaches * np.cos(np.pi / 128)]] = True
    rest = ~out[line]
    if not rest.any():
        return out
    line, discs = line[rest], shapely.buffer(axes[rest], reaches[rest], quad_segs=32)
    order = np.argsort(line, kind="stable")
    line, discs = line[order], discs[order]
    which, first = np.unique(line, return_index=True)
    for one, group in zip(which, np.split(discs, first[1:]), strict=True):
        reach = group[0] if len(group) == 1 else shapely.union_all(group)
        out[one] = shapely.covers(reach, lines[one])
    return out


def slot_reach(copper: LayerCopper, area: int, line: shapely.LineString) -> float:
    """How far the return of a trace is forced aside by the opening that it crosses, m.

    copper : of the reference layer; area : position in `copper.rows` of the area that the trace leaves and meets again
    line : the uncovered stretch, from outline to outline of that area
    The outline leads round the opening in two ways, and the shorter reach counts. A way's reach is half the detour by
    a string drawn taut round it, so that a bent slot counts with its whole length; or, where that is more, its
    greatest distance from the trace, taken as prolonged straight ahead and back. For a slot that is the distance to
    its nearer end, for a notch that to its closed end, for a round opening crossed in its middle the radius.
    """
    points = shapely.get_coordinates(line)
    ways = sorted(_ways(copper, area, points[0], points[-1]), key=len)
    shorter = _reach(ways[0], points, np.inf)
    return min(shorter, _reach(ways[1], points, shorter))


def _ways(
    copper: LayerCopper, area: int, entry: NDArray[np.float64], leave: NDArray[np.float64]
) -> list[NDArray[np.float64]]:
    """Outlines of an area between two points on them, both ways round, each of shape (k, 2).

    A stretch may end beside the outline, where the trace joins another one that is half a width nearer to the copper:
    then the nearest place of the outline counts. Ends on two rings (a joint bridges the web between two openings) are
    measured round the opening where the trace leaves the copper.
    """
    first, last = (_edges_at(copper, area, point) for point in (entry, leave))
    rings = copper.edge_ring[first]
    common = np.isin(rings, copper.edge_ring[last])
    ring = int(rings[common][0]) if common.any() else int(rings[0])
    low, high = copper.ring_start[ring], copper.ring_start[ring + 1]
    edges = copper.edges[low:high]
    (i, entry), (j, leave) = _on_ring(edges, entry), _on_ring(edges, leave)
    return _both_ways(edges[:, :2], i, j, entry, leave)


def _edges_at(copper: LayerCopper, area: int, point: NDArray[np.float64]) -> Index:
    """Boundary segments of an area at a point, or else the one nearest to it."""
    near = copper.edge_tree.query(shapely.Point(point), predicate="dwithin", distance=2 * NEAR)
    near = np.sort(near[copper.ring_area[copper.edge_ring[near]] == area])
    if len(near):
        return near
    mine = np.flatnonzero(copper.ring_area[copper.edge_ring] == area)
    lines = shapely.linestrings(copper.edges[mine].reshape(-1, 2, 2))
    return mine[[int(shapely.distance(shapely.Point(point), lines).argmin())]]


def _on_ring(edges: Floats, point: NDArray[np.float64]) -> tuple[int, NDArray[np.float64]]:
    """The segment of a ring nearest to a point, and the nearest place on it."""
    start, along = edges[:, :2], edges[:, 2:] - edges[:, :2]
    size = (along**2).sum(axis=1)
    share = np.divide(((point - start) * along).sum(axis=1), size, out=np.zeros(len(size)), where=size > 0)
    feet = start + along * share.clip(0, 1)[:, None]
    nearest = int(((feet - point) ** 2).sum(axis=1).argmin())
    return nearest, feet[nearest]


def _both_ways(
    corners: NDArray[np.float64], first: int, last: int, entry: NDArray[np.float64], leave: NDArray[np.float64]
) -> list[NDArray[np.float64]]:
    n = len(corners)
    if first == last:
        along = corners[(first + 1) % n] - corners[first]
        around = np.roll(corners, -first - 1, axis=0)
        if np.dot(leave - entry, along) < 0:
            around = around[::-1]
        return [np.stack([entry, leave]), np.concatenate([[leave], around, [entry]])]
    forward = corners[(first + 1 + np.arange((last - first) % n)) % n]
    backward = corners[(last + 1 + np.arange((first - last) % n)) % n]
    return [
        np.concatenate([[entry], forward, [leave]]),
        np.concatenate([[leave], backward, [entry]]),
    ]


def _reach(way: NDArray[np.float64], points: NDArray[np.float64], enough: float) -> float:
    """Greatest distance between a way round and the trace; `enough` may be returned once it is known to exceed that."""
    ends = []
    for a, b in ((points[0], points[1]), (points[-1], points[-2])):
        size = float(np.hypot(*(a - b)))
        ends.append(a + (a - b) / size * AHEAD if size > 0 else a)
    trace = shapely.LineString([ends[0], *points, ends[1]])
    if len(way) > 2000 and np.isfinite(enough):
        some = shapely.distance(shapely.points(way[:: len(way) // 200]), trace)
        if some.max() >= enough:
            return enough
    out = float(shapely.distance(shapely.points(way), trace).max())
    out = max(out, shapely.convex_hull(shapely.LineString(way)).length / 2 - float(np.hypot(*(way[0] - way[-1]))))
    # a trace that bulges away from the outline
    if len(points) > 2:
        out = max(out, float(shapely.distance(shapely.points(points[1:-1]), shapely.LineString(way)).max()))
    return out
