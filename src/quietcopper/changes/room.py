"""Where there is room on a board: obstacles by layer, free places for vias, copper that must give way. Lengths in m."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from quietcopper.board import Board
from quietcopper.board.geometry import edge_pieces, tiles
from quietcopper.board.model import Bools, Floats, Shapes
from quietcopper.build.pours import Obstacles, grow, obstacles
from quietcopper.changes.base import Rules
from quietcopper.changes.tables import ViaSize, with_areas

HOLE_TO_HOLE = 0.25e-3  # m, wall to wall; common practice, no source
SMALLEST = 0.1e-6  # m2 (0.1 mm²); smaller scraps of copper are left out
STEP = 0.1e-3  # m between the places that are tried
GRAZE = 0.985  # of a disc's radius; an edge that cuts in less deep takes a thousandth of it
Index = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Room:
    """A board as one who wants to add copper sees it."""

    board: Board
    rules: Rules
    _copper: dict[tuple[int, int], tuple[shapely.STRtree, shapely.STRtree]] = field(default_factory=dict)

    @cached_property
    def layers(self) -> tuple[Obstacles, ...]:
        """Traces, pads and holes by layer; areas are not among them, because they give way."""
        b = self.board
        return tuple(obstacles(b.traces, b.vias, b.pads, [], layer) for layer in range(len(b.layers)))

    @cached_property
    def _holes(self) -> shapely.STRtree:
        vias = self.board.vias
        ends = np.stack([np.stack([vias.x, vias.y], -1), np.stack([vias.x1, vias.y1], -1)], axis=1)
        return shapely.STRtree(shapely.buffer(shapely.linestrings(ends), vias.drill / 2))

    def own_copper(self, net: int, layer: int) -> tuple[shapely.STRtree, shapely.STRtree]:
        """The areas of a net on a layer, cut into tiles, and the straight pieces of their edges."""
        known = self._copper.get((net, layer))
        if known is None:
            areas = self.board.areas
            shapes = areas.shape[(areas.net == net) & (areas.layer == layer)]
            cut = shapely.STRtree([tile for shape in shapes for tile in tiles(shape)])
            known = self._copper[net, layer] = cut, shapely.STRtree(edge_pieces(shapes)[0])
        return known

    def clear(self, shapes: Shapes, net: int, layer: int, *, own_pads: bool = True, wider: float = 0.0) -> Bools:
        """Whether copper of a net on a layer keeps the spacing to all foreign copper and holes, shape (n,).

        own_pads : pads of parts and holes of the net itself are in the way as well
        wider : the copper reaches so much further than the shapes, m
        """
        there = self.layers[layer]
        out = np.ones(len(shapes), dtype=bool)
        shape, thing = there.tree.query(shapes, predicate="dwithin", distance=self.rules.spacing + wider - 1e-9)
        blocking = (there.net[thing] != net) | (there.net[thing] == 0)
        if own_pads:
            blocking |= there.is_pad[thing] | there.is_hole[thing]
        out[shape[blocking]] = False
        return out

    def fits_via(self, places: Floats, net: int, size: ViaSize) -> Bools:
        """Whether a through via of a net fits at places (n, 2): board's edge, holes, foreign copper on every layer."""
        points = shapely.points(places)
        inside = self.board.outline.buffer(-(size.pad / 2 + self.rules.spacing))
        shapely.prepare(inside)
        out: Bools = shapely.contains(inside, points)
        near, _ = self._holes.query(points, predicate="dwithin", distance=size.drill / 2 + HOLE_TO_HOLE)
        out[near] = False
        for layer in range(len(self.board.layers)):
            rows = np.flatnonzero(out)
            out[rows] = self.clear(points[rows], net, layer, wider=size.pad / 2)
        return out

    def layers_met(self, places: Floats, net: int, radius: float) -> Bools:
        """On which layers places (n, 2) lie in area copper of a net, `radius` m of it all round: shape (n, layers)."""
        points = shapely.points(places)
        out = np.zeros((len(places), len(self.board.layers)), dtype=bool)
        for layer in range(len(self.board.layers)):
            tiles_, edges = self.own_copper(net, layer)
            inside, _ = tiles_.query(points, predicate="intersects")
            out[inside, layer] = True
            rows = np.flatnonzero(out[:, layer])
            cut, _ = edges.query(points[rows], predicate="dwithin", distance=GRAZE * radius)
            out[rows[cut], layer] = False
        return out


def around(x: float, y: float, radius: float, step: float = STEP) -> Floats:
    """Places on a grid within a radius of a place, nearest first, the place itself among them; shape (n, 2)."""
    n = int(np.floor(radius / step))
    i, j = np.meshgrid(np.arange(-n, n + 1), np.arange(-n, n + 1))
    offsets = np.stack([i.ravel(), j.ravel()], -1) * step
    distance = np.hypot(*offsets.T)
    keep = distance <= radius + 1e-9
    offsets, distance = offsets[keep], distance[keep]
    order = np.lexsort((offsets[:, 0], offsets[:, 1], np.round(distance, 9)))
    return np.asarray([x, y]) + offsets[order]


def give_way(board: Board, net: int, copper: Sequence[Iterable[BaseGeometry]], clearance: float) -> Board:
    """The board with areas of other nets cut back from new copper of a net; copper : its shapes by layer."""
    for layer, shapes in enumerate(copper):
        wanted = np.array(list(shapes), dtype=object)
        if len(wanted):
            board, _ = cut_back(board, net, layer, grow(wanted, clearance))
    return board


def cut_back(board: Board, net: int, layer: int, blocked: Shapes) -> tuple[Board, int]:
    """The board with the areas of other nets on a layer cut back from what is blocked, and how many scraps were left
    out: of an area that something of its net ties, the parts that nothing ties any more; of one that nothing tied, all
    but the largest; and slivers."""
    areas = board.areas
    there = obstacles(board.traces, board.vias, board.pads, [], layer)
    tree = shapely.STRtree(blocked)
    gone: list[int] = []
    new: list[tuple[int, int, BaseGeometry]] = []
    scraps = 0
    for row in np.flatnonzero((areas.layer == layer) & (areas.net != net)).tolist():
        near = tree.query(areas.shape[row], predicate="intersects")
        if not len(near):
            continue
        gone.append(row)
        cut = shapely.difference(areas.shape[row], shapely.union_all(blocked[np.sort(near)]))
        parts = [p for p in shapely.get_parts(cut).tolist() if isinstance(p, Polygon) and p.area > SMALLEST]
        ties = shapely.STRtree(there.shape[(there.net == areas.net[row]) & (there.net != 0)])
        if len(ties.query(areas.shape[row], predicate="intersects")):
            kept = [p for p in parts if len(ties.query(p, predicate="intersects"))]
        else:
            kept = sorted(parts, key=lambda p: (-round(p.area, 12), p.bounds))[:1]
        scraps += len(parts) - len(kept)
        new += [(int(areas.net[row]), layer, p) for p in kept]
    return (with_areas(board, np.array(gone, dtype=np.int64), new), scraps) if gone else (board, 0)
