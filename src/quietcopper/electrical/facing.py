"""Areas that face each other across the board's dielectrics."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from quietcopper.board import Board
from quietcopper.board.model import Floats, Ints, Shapes, Table, column
from quietcopper.electrical.laminate import sheets_between
from quietcopper.electrical.tiles import Index, LayerCopper, area_layers, layer_copper
from quietcopper.units import EPS0

ALL = 1e-12  # of an area; what lacks less is rounding
SMALLEST = 1e-8  # m2; a facing area below 0.01 mm² is the rim of an opening


@dataclass(frozen=True, eq=False)
class Facing(Table):
    """Pairs of areas with no other area between them, one row each, by layers and rows of the areas.

    upper, lower : rows in board.areas; upper_layer, lower_layer : their layers
    area : facing copper, m2, openings of either left out; tiles : where, as an array of polygons without common area
    distance : dielectric (and copper layers, filled with dielectric, between), m; er : of the sheets in series
    capacitance : eps0·er·area/distance, F, without fringes
    between : the copper layers between the two, without filled copper at that place, as a tuple of indices
    whole : shape of the one that faces the other all over, None where neither does
    """

    upper: Ints = column(np.int32)
    lower: Ints = column(np.int32)
    upper_layer: Ints = column(np.int32)
    lower_layer: Ints = column(np.int32)
    area: Floats = column(np.float64)
    distance: Floats = column(np.float64)
    er: Floats = column(np.float64)
    capacitance: Floats = column(np.float64)
    between: Shapes = column(object)
    tiles: Shapes = column(object)
    whole: Shapes = column(object)

    @cached_property
    def _shapes(self) -> dict[int, BaseGeometry]:
        return {}

    def shape(self, row: int) -> BaseGeometry:
        """Where the two of a row face each other, as polygons."""
        if row not in self._shapes:  # few are asked for
            whole = self.whole[row]
            self._shapes[row] = shapely.union_all(self.tiles[row]) if whole is None else whole
        return self._shapes[row]


def facing_areas(board: Board) -> Facing:
    """All pairs of areas that face each other, each seen from its lower face down to the first copper area met.

    Where a layer in between has an opening or no filled copper, the layer beyond it is looked at; traces and pads in
    between are looked through. Areas of one net face each other like any others.
    """
    bears = np.flatnonzero(area_layers(board)).tolist()
    rows: list[tuple[object, ...]] = []
    for upper in bears:
        copper = layer_copper(board, upper)
        shapes, owner = copper.tiles, copper.owner
        below = [layer for layer in bears if layer > upper]
        for lower in below:
            if not len(shapes):
                break
            other = layer_copper(board, lower)
            mine, theirs, met = _overlaps(shapes, other)
            rows += _rows(board, copper, other, upper, lower, owner[mine], other.owner[theirs], met)
            if lower != below[-1]:
                shapes, owner = _left_over(shapes, owner, mine, met)
    return Facing.from_rows(rows)


def _overlaps(shapes: Shapes, other: LayerCopper) -> tuple[Index, Index, Shapes]:
    """Pairs (tile, tile of the other layer) that overlap, and where."""
    mine, theirs = other.tree.query(shapes)
    one, two = shapely.bounds(shapes)[mine], shapely.bounds(other.tiles)[theirs]
    # tiles that only touch share no area: most pairs of planes tiled alike
    both = np.minimum(one[:, 2:], two[:, 2:]) - np.maximum(one[:, :2], two[:, :2])
    apart = (both <= 0).any(axis=1)
    mine, theirs = mine[~apart], theirs[~apart]
    meet = shapely.intersects(other.tiles[theirs], shapes[mine])
    mine, theirs = mine[meet], theirs[meet]
    order = np.lexsort((theirs, mine))
    mine, theirs = mine[order], theirs[order]
    met = shapes[mine]
    differ = ~shapely.equals_exact(met, other.tiles[theirs])  # planes with the same openings are tiled alike
    met[differ] = shapely.intersection(met[differ], other.tiles[theirs][differ])
    keep = shapely.area(met) > 0
    return mine[keep], theirs[keep], met[keep]


def _left_over(shapes: Shapes, owner: Index, mine: Index, met: Shapes) -> tuple[Shapes, Index]:
    """What the overlaps leave of the tiles."""
    size = shapely.area(shapes)
    covered = np.bincount(mine, shapely.area(met), minlength=len(shapes))
    open_ = size - covered > 1e-9 * size
    partly = np.flatnonzero(open_ & (covered > 0))
    rest = shapes.copy()
    start = np.searchsorted(mine, partly)
    stop = np.searchsorted(mine, partly, side="right")
    taken = np.empty(len(partly), dtype=object)
    taken[:] = [shapely.union_all(met[a:b]) for a, b in zip(start, stop, strict=True)]
    rest[partly] = shapely.difference(shapes[partly], taken)
    parts, index = shapely.get_parts(rest[open_], return_index=True)
    flat = shapely.area(parts) > 0
    return parts[flat], owner[open_][index[flat]]


def _rows(
    board: Board,
    copper: LayerCopper,
    other: LayerCopper,
    upper: int,
    lower: int,
    mine: Index,
    theirs: Index,
    met: Shapes,
) -> list[tuple[object, ...]]:
    """Rows of the table for two layers, from overlaps of tiles."""
    if not len(met):
        return []
    sheets = sheets_between(board, upper, lower)
    distance = board.distance(upper, lower)
    er = distance / sum(sheet.thickness / sheet.er for sheet in sheets)
    order = np.lexsort((theirs, mine))
    mine, theirs, met = mine[order], theirs[order], met[order]
    first = np.flatnonzero(np.diff(mine, prepend=-1) | np.diff(theirs, prepend=-1))
    out: list[tuple[object, ...]] = []
    for a, b in zip(first.tolist(), [*first[1:].tolist(), len(mine)], strict=True):
        area = float(shapely.area(met[a:b]).sum())
        if area < SMALLEST:
            continue
        ends = int(copper.rows[mine[a]]), int(other.rows[theirs[a]]), upper, lower
        capacitance = EPS0 * er * area / distance
        sides = ((copper.sizes[mine[a]], copper.shapes[mine[a]]), (other.sizes[theirs[a]], other.shapes[theirs[a]]))
        whole = next((shape for size, shape in sides if abs(area - size) < ALL * size), None)
        out.append((*ends, area, distance, er, capacitance, tuple(range(upper + 1, lower)), met[a:b], whole))
    return out
