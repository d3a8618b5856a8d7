"""What a page needs to draw a board, in millimetres."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely.geometry.base import BaseGeometry

from quietcopper.board import Board
from quietcopper.board.model import Ints, Shapes
from quietcopper.findings import Drawing, DrawnLayer
from quietcopper.findings.model import discs
from quietcopper.units import MM


def _rings(shape: BaseGeometry) -> list[list[NDArray[np.float64]]]:
    """Polygons of a shape, each a list of rings in mm, outer first."""
    polygons = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and not p.is_empty]
    return [[np.asarray(r.coords)[:, :2] / MM for r in (p.exterior, *p.interiors)] for p in polygons]


def _apart(nets: Ints, shapes: Shapes) -> list[tuple[int, BaseGeometry]]:
    """Pads with their nets; those of one net that overlap in more than a line are one: a picture that fills by the
    even-odd rule would show nothing where two lie on each other. Discs stay as they are, which are drawn as dots."""
    odd = np.flatnonzero(~discs(shapes))
    one, two = shapely.STRtree(shapes[odd]).query(shapes[odd], predicate="intersects")
    same = (one < two) & (nets[odd[one]] == nets[odd[two]])
    one, two = odd[one[same]], odd[two[same]]
    count = len(shapes)
    group = connected_components(coo_array((np.ones(len(one)), (one, two)), shape=(count, count)), directed=False)[1]
    out = {int(group[i]): (int(nets[i]), shapes[i]) for i in range(count)}
    for several in np.unique(group[one]).tolist():
        out[several] = (out[several][0], shapely.union_all(shapes[group == several]))
    return list(out.values())


def draw(board: Board) -> Drawing:
    """Outline, copper by layer, holes and parts of a board."""
    layers = []
    for index, layer in enumerate(board.layers):
        areas = board.areas.take(board.areas.layer == index)
        traces = board.traces.take(board.traces.layer == index)
        pads = board.pads.take(board.pads.layer == index)
        area_rings = [(ring, int(net)) for net, s in zip(areas.net, areas.shape, strict=True) for ring in _rings(s)]
        pad_rings = [(ring, net) for net, s in _apart(pads.net, pads.shape) for ring in _rings(s)]
        layers.append(
            DrawnLayer(
                name=layer.name,
                areas=[ring for ring, _ in area_rings],
                area_nets=[net for _, net in area_rings],
                traces=[np.asarray(line.coords) / MM for line in traces.lines],
                trace_widths=(traces.width / MM).tolist(),
                trace_nets=traces.net.tolist(),
                pads=[ring for ring, _ in pad_rings],
                pad_nets=[net for _, net in pad_rings],
            )
        )
    return Drawing(
        outline=_rings(board.outline),
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
