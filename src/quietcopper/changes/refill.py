"""Area copper closed over splits and openings, keeping clear of everything foreign. Lengths in m."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import minimum_spanning_tree
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from quietcopper.board import Board
from quietcopper.board.geometry import tiles
from quietcopper.board.model import Bools, Floats, Shapes
from quietcopper.build.pours import Obstacles, grow, obstacles
from quietcopper.changes.base import Rules
from quietcopper.changes.habits import WIDEST_OPENING, fill_clearance
from quietcopper.changes.room import SMALLEST

Index = NDArray[np.int64]


def on_layer(board: Board, layer: int, *, but: Index) -> Obstacles:
    """Everything on a layer, with its areas but for some rows of board.areas."""
    areas = board.areas
    rows = np.setdiff1d(np.flatnonzero(areas.layer == layer), but).tolist()
    flat = [(int(areas.net[r]), layer, areas.shape[r]) for r in rows]
    return obstacles(board.traces, board.vias, board.pads, flat, layer)


def distances(shapes: Shapes, copper: BaseGeometry) -> Floats:
    """Distance of each shape to copper, m; inf where it is further than WIDEST_OPENING."""
    out = np.full(len(shapes), np.inf)
    cut = tiles(copper)
    if cut and len(shapes):
        (which, _), distance = shapely.STRtree(cut).query_nearest(
            shapes, max_distance=WIDEST_OPENING, return_distance=True, all_matches=False
        )
        out[which] = distance
    return out


def splits(pieces: Shapes, widest: float) -> float:
    """Widest of the gaps (m) that must be closed to make one piece of as many pieces as those up to `widest` allow;
    0 where there is none to close."""
    n = len(pieces)
    if n < 2:
        return 0.0
    i, j = np.triu_indices(n, 1)
    near = shapely.dwithin(pieces[i], pieces[j], widest)
    i, j = i[near], j[near]
    if not len(i):
        return 0.0
    gap = shapely.distance(pieces[i], pieces[j])
    tree = minimum_spanning_tree(coo_array((gap + 1e-9, (i, j)), shape=(n, n)))
    return float(tree.data.max(initial=1e-9) - 1e-9)


def closed(copper: BaseGeometry, gap: float) -> BaseGeometry:
    """The copper with every gap of at most that width between its outlines filled: grown and shrunk again by enough for
    gaps that meet. Openings with no other piece inside stay as they are."""
    reach = 0.75 * gap  # where three straight gaps meet, the opening is sqrt(2) gaps wide
    solid = _solid(copper)
    grown = shapely.buffer(solid, reach, join_style="mitre")
    shrunk = shapely.buffer(grown, -reach, join_style="mitre")
    return shapely.union(shapely.difference(shrunk, solid), copper)


def _solid(copper: BaseGeometry) -> BaseGeometry:
    """The copper without the openings that hold no other piece of it: what is left to grow has few corners."""
    parts = [p for p in shapely.get_parts(copper).tolist() if isinstance(p, Polygon)]
    tree = shapely.STRtree([p.representative_point() for p in parts])
    out = []
    for part in parts:
        holes = [ring for ring in part.interiors if len(tree.query(Polygon(ring), predicate="contains"))]
        out.append(Polygon(part.exterior, holes))
    return shapely.union_all(out)


def filled(
    board: Board,
    layer: int,
    taken: Index,
    gap: float,
    nets: Sequence[int],
    rules: Rules,
) -> BaseGeometry:
    """One copper of some areas of a layer (rows in board.areas): gaps between them of up to `gap` closed, and the
    openings round the holes of `nets`, to which it shall belong.

    Everything else on the layer is foreign and keeps at least the opening that it has; what touches the areas now gets
    the clearance usual on this board. Scraps and pieces with nothing of `nets` on them are left out.
    """
    clearance = fill_clearance(board, rules.spacing)
    old = shapely.union_all(board.areas.shape[taken])
    there = on_layer(board, layer, but=taken)
    foreign = ~np.isin(there.net, list(nets)) | (there.net == 0)
    reach = distances(there.shape, old)
    keep = np.where(np.isfinite(reach), np.maximum(reach - 1e-7, clearance), clearance)
    own = there.is_hole & ~foreign & np.isfinite(reach)
    new = shapely.union_all([closed(old, gap), *grow(there.shape[own], reach[own] + rules.width)])
    inside = board.outline.buffer(-rules.spacing)
    added = shapely.difference(shapely.intersection(new, inside), old)
    near = foreign & _near(there, added, float(keep.max(initial=0.0)))
    blocked = shapely.union_all(grow(there.shape[near], keep[near]))
    new = shapely.union(old, shapely.difference(added, blocked))
    cut_off = foreign & (reach < clearance)
    new = shapely.difference(new, shapely.union_all(grow(there.shape[cut_off], clearance)))
    return _held(new, there, ~foreign)


def _near(there: Obstacles, copper: BaseGeometry, distance: float) -> Bools:
    """What lies within a distance of copper."""
    out = np.zeros(len(there.shape), dtype=bool)
    pieces = tiles(copper)
    if pieces:  # none where a plane without splits only changes its net
        out[there.tree.query(pieces, predicate="dwithin", distance=distance)[1]] = True
    return out


def _held(copper: BaseGeometry, there: Obstacles, own: Bools) -> BaseGeometry:
    """The polygons that something of their own net touches, or that are no scraps."""
    parts = np.array([p for p in shapely.get_parts(copper).tolist() if p.geom_type == "Polygon"], dtype=object)
    if not len(parts):
        return copper
    touched = np.zeros(len(parts), dtype=bool)
    if own.any():
        tree = shapely.STRtree(there.shape[own])
        touched[tree.query(parts, predicate="intersects")[0]] = True
    keep = touched & (shapely.area(parts) > SMALLEST)
    return shapely.union_all(parts[keep if keep.any() else np.ones(len(parts), dtype=bool)])
