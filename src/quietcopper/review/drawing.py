"""What a page needs to draw a board, in millimetres."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from quietcopper.board import Board
from quietcopper.board.model import Ints, Shapes
from quietcopper.findings import Drawing, DrawnLayer
from quietcopper.findings.model import discs
from quietcopper.units import MM


def _runs(lines: Shapes) -> list[NDArray[np.float64]]:
    """The points (n, 2) of lines or rings in mm."""
    points, ends = shapely.get_coordinates(lines) / MM, np.cumsum(shapely.get_num_coordinates(lines)).tolist()
    return [points[begin:end] for begin, end in zip([0, *ends], ends, strict=False)]


def _rings(shapes: Shapes) -> tuple[list[list[NDArray[np.float64]]], Ints]:
    """Polygons of shapes, each a list of rings in mm, outer first, and the row of the shape that each belongs to."""
    parts, row = shapely.get_parts(shapes, return_index=True)
    solid = (shapely.get_type_id(parts) == shapely.GeometryType.POLYGON) & ~shapely.is_empty(parts)
    rings, of = shapely.get_rings(parts[solid], return_index=True)
    out: list[list[NDArray[np.float64]]] = [[] for _ in range(np.count_nonzero(solid))]
    for polygon, ring in zip(of.tolist(), _runs(rings), strict=True):
        out[polygon].append(ring)
    return out, row[solid]


def _apart(nets: Ints, shapes: Shapes) -> tuple[Ints, Shapes]:
    """Pads with their nets; those of one net that overlap in more than a line are one: a picture that fills by the
    even-odd rule would show nothing where two lie on each other. Discs stay as they are, which are drawn as dots."""
    odd = np.flatnonzero(~discs(shapes))
    one, two = shapely.STRtree(shapes[odd]).query(shapes[odd], predicate="intersects")
    same = (one < two) & (nets[odd[one]] == nets[odd[two]])
    one, two = odd[one[same]], odd[two[same]]
    count = len(shapes)
    group = connected_components(coo_array((np.ones(len(one)), (one, two)), shape=(count, count)), directed=False)[1]
    first = np.unique(group, return_index=True)[1]  # groups are numbered in the order of their first pads
    out = shapes[first]
    for several in np.unique(group[one]).tolist():
        out[several] = shapely.union_all(shapes[group == several])
    return nets[first], out


def draw(board: Board) -> Drawing:
    """Outline, copper by layer, holes and parts of a board."""
    layers = []
    for index, layer in enumerate(board.layers):
        areas = board.areas.take(board.areas.layer == index)
        traces = board.traces.take(board.traces.layer == index)
        pads = board.pads.take(board.pads.layer == index)
        area_rings, area = _rings(areas.shape)
        pad_nets, pad_shapes = _apart(pads.net, pads.shape)
        pad_rings, pad = _rings(pad_shapes)
        layers.append(
            DrawnLayer(
                name=layer.name,
                areas=area_rings,
                area_nets=areas.net[area].tolist(),
                traces=_runs(traces.lines),
                trace_widths=(traces.width / MM).tolist(),
                trace_nets=traces.net.tolist(),
                pads=pad_rings,
                pad_nets=pad_nets[pad].tolist(),
            )
        )
    return Drawing(
        outline=_rings(np.array([board.outline]))[0],
        layers=layers,
        holes=np.stack([board.vias.x, board.vias.y, board.vias.drill], -1) / MM,
        parts=[
            (str(ref), float(x), float(y), int(side))
            for ref, x, y, side in zip(
                board.parts.ref, board.parts.x / MM, board.parts.y / MM, board.parts.side, strict=True
            )
        ],
        nets=list(board.nets),
    )
