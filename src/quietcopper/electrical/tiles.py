"""The copper areas of one layer, tiled and made quick to ask.

An overlay with a plane of 100 000 vertices costs milliseconds a time; with a tile of 100 vertices it costs
microseconds. So planes are tiled once, and everything else asks the tiles through a tree.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from weakref import WeakKeyDictionary

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from quietcopper.board import Areas, Board
from quietcopper.board.geometry import tiles
from quietcopper.board.model import Bools, Floats, Ints, Shapes

Index = NDArray[np.int64]

TOUCH = 1e-6  # m; copper of one net on one layer nearer than this is one piece (rounding in files)
NEAR = 1e-9  # m; a point this close to an area counts as on it, so that rounding cannot decide


def tile(shapes: Shapes) -> tuple[Shapes, Index]:
    """Polygons cut into tiles: the tiles, and the index of the shape that each came from, both shape (m,)."""
    cut = [tiles(shape) for shape in shapes]
    out = np.empty(sum(len(part) for part in cut), dtype=object)
    out[:] = [piece for part in cut for piece in part]
    return out, np.repeat(np.arange(len(cut)), [len(part) for part in cut])


@dataclass(frozen=True, eq=False)
class LayerCopper:
    """The filled copper of one layer, tiled and indexed. `rows` are the areas' rows in board.areas."""

    rows: Index
    shapes: Shapes
    nets: Ints

    def without(self, rows: Ints) -> LayerCopper:
        """The same copper without these rows of board.areas."""
        keep = ~np.isin(self.rows, rows)
        return self if keep.all() else LayerCopper(self.rows[keep], self.shapes[keep], self.nets[keep])

    @cached_property
    def sizes(self) -> Floats:
        return np.asarray(shapely.area(self.shapes), dtype=np.float64)

    @cached_property
    def _tiling(self) -> tuple[Shapes, Index]:
        pieces, owner = tile(self.shapes)
        shapely.prepare(pieces)
        return pieces, owner

    @property
    def tiles(self) -> Shapes:
        return self._tiling[0]

    @property
    def owner(self) -> Index:
        """Position in `rows` of each tile's area."""
        return self._tiling[1]

    @cached_property
    def tree(self) -> shapely.STRtree:
        return shapely.STRtree(self.tiles)

    @cached_property
    def edges(self) -> Floats:
        """Boundary segments of all areas, shape (m, 4): x0, y0, x1, y1; rings in order, see `edge_ring`."""
        return self._boundary[0]

    @cached_property
    def edge_ring(self) -> Index:
        """Index of the ring that each boundary segment belongs to, shape (m,)."""
        return self._boundary[1]

    @cached_property
    def ring_area(self) -> Index:
        """Position in `rows` of each ring's area, shape (rings,)."""
        return self._boundary[2]

    @cached_property
    def ring_start(self) -> Index:
        """First boundary segment of each ring and, last, the number of segments, shape (rings + 1,)."""
        return np.concatenate([[0], np.cumsum(np.bincount(self.edge_ring, minlength=len(self.ring_area)))])

    @cached_property
    def _boundary(self) -> tuple[Floats, Index, Index]:
        polygons, owner = shapely.get_parts(self.shapes, return_index=True)
        rings, of_polygon = shapely.get_rings(polygons, return_index=True)
        points, ring = shapely.get_coordinates(rings, return_index=True)
        same = ring[1:] == ring[:-1]
        edges = np.concatenate([points[:-1], points[1:]], axis=1)[same]
        return edges, ring[:-1][same], owner[of_polygon]

    @cached_property
    def edge_tree(self) -> shapely.STRtree:
        return shapely.STRtree(shapely.linestrings(self.edges.reshape(-1, 2, 2)))

    def at(self, x: Floats, y: Floats, skip_net: Ints) -> Index:
        """Position in `rows` of the area at each point, -1 for none, shape (n,).

        skip_net : net whose areas do not count at that point; 0 skips nothing. Where areas overlap, the largest counts.
        """
        out = np.full(len(x), -1, dtype=np.int64)
        if not len(self.rows) or not len(x):
            return out
        points = shapely.points(x, y)
        point, hit = self.tree.query(points)
        point, hit = self._foreign(point, hit, skip_net)
        inside = shapely.intersects_xy(self.tiles[hit], x[point], y[point])
        self._largest(out, point[inside], hit[inside])
        # points on an outline but for rounding
        rest = np.flatnonzero(out < 0)
        point, hit = self.tree.query(points[rest], predicate="dwithin", distance=NEAR)
        point, hit = self._foreign(rest[point], hit, skip_net)
        self._largest(out, point, hit)
        return out

    def _foreign(self, point: Index, hit: Index, skip_net: Ints) -> tuple[Index, Index]:
        keep = (self.nets[self.owner[hit]] != skip_net[point]) | (skip_net[point] == 0)
        return point[keep], hit[keep]

    def _largest(self, out: Index, point: Index, hit: Index) -> None:
        owner = self.owner[hit]
        order = np.lexsort((-owner, self.sizes[owner], point))  # later entries win: the largest, then the first row
        out[point[order]] = owner[order]

    @cached_property
    def joined(self) -> Index:
        """A label for each area: areas of one net that touch on this layer share it, shape (n,)."""
        n = len(self.rows)
        shared = np.isin(self.nets, np.flatnonzero(np.bincount(self.nets) > 1)) & (self.nets != 0)
        member = np.flatnonzero(shared[self.owner]) if n else np.empty(0, dtype=np.int64)
        a, b = self.tree.query(shapely.box(*(shapely.bounds(self.tiles[member]).T + _GROW[:, None])))
        a = member[a]
        u, v = self.owner[a], self.owner[b]
        keep = (u < v) & (self.nets[u] == self.nets[v])
        a, b, u, v = a[keep], b[keep], u[keep], v[keep]
        touch = shapely.dwithin(self.tiles[a], self.tiles[b], TOUCH)
        links = coo_array((np.ones(touch.sum(), dtype=np.int8), (u[touch], v[touch])), shape=(n, n))
        return np.asarray(connected_components(links, directed=False)[1], dtype=np.int64)


_GROW = np.array([-TOUCH, -TOUCH, TOUCH, TOUCH])

_known: WeakKeyDictionary[Areas, dict[int, LayerCopper]] = WeakKeyDictionary()


def layer_copper(board: Board, layer: int) -> LayerCopper:
    """The filled copper of one layer, computed once for each table of areas."""
    layers = _known.setdefault(board.areas, {})
    if layer not in layers:
        rows = np.flatnonzero(board.areas.layer == layer)
        layers[layer] = LayerCopper(rows, board.areas.shape[rows], board.areas.net[rows])
    return layers[layer]


def area_layers(board: Board) -> Bools:
    """Which layers bear filled copper, shape (layers,)."""
    out = np.zeros(len(board.layers), dtype=np.bool_)
    out[board.areas.layer] = True
    return out
