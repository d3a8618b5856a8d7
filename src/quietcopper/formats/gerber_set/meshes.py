"""Pieces of a pour that short traces hold together, as between the vias under a ball grid, made one area.

What fills the squares of such a grid of traces touches nothing but the traces. Each piece by itself would look like an
island, and a line above two of them as if it crossed from one island to another.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from quietcopper.board import Areas, Board
from quietcopper.board.model import Bools, Ints

SHORT = 2e-3  # m; longer traces between two pours are lines of their own; own choice, above the pitch of ball grids
TOUCH = 1e-6  # m; as near as this, copper touches


def with_meshes(board: Board) -> Board:
    """The board with areas of one net and layer united, with the traces between them, where each of these traces is no
    longer than `SHORT` and touches two of the areas. The traces stay as well."""
    areas, traces = board.areas, board.traces
    short = np.flatnonzero((traces.length <= SHORT) & np.isin(traces.net, areas.net[areas.net > 0]))
    strips = np.empty(len(traces), dtype=object)
    strips[short] = shapely.buffer(traces.lines[short], traces.width[short] / 2 + TOUCH, quad_segs=4)
    row, area = shapely.STRtree(areas.shape).query(strips[short])
    trace = short[row]

    def of_many(keep: Bools) -> tuple[Ints, Ints]:
        """What is kept of the meetings, of traces that then still have two."""
        many = np.bincount(trace[keep], minlength=len(traces))[trace] > 1
        return trace[keep & many], area[keep & many]

    trace, area = of_many((traces.net[trace] == areas.net[area]) & (traces.layer[trace] == areas.layer[area]))
    shapely.prepare(areas.shape[np.unique(area)])
    trace, area = of_many(shapely.intersects(areas.shape[area], strips[trace]))
    if not len(trace):
        return board
    n = len(areas)
    links = coo_array((np.ones(len(trace), dtype=np.int8), (area, n + trace)), shape=(n + len(traces),) * 2)
    _, mesh = connected_components(links, directed=False)
    bars = np.unique(trace)
    shape, keep = areas.shape.copy(), np.ones(n, dtype=np.bool_)
    for one in np.unique(mesh[area]).tolist():
        rows, own = np.flatnonzero(mesh[:n] == one), bars[mesh[n + bars] == one]
        whole = shapely.union_all([*areas.shape[rows], *strips[own]])
        if whole.geom_type == "Polygon":
            shape[rows[0]] = whole
            keep[rows[1:]] = False
    united = Areas(net=areas.net[keep], layer=areas.layer[keep], shape=shape[keep])
    return dataclasses.replace(board, areas=united)
