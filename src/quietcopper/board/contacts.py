"""Which copper shapes touch which: the rows of a board's tables in one numbering, and pairs of them in contact.

Copper shapes ("elements") are numbered through: the rows of traces, then pads, then areas, then one barrel for every
plated hole and layer that it spans. Two elements on one layer are in contact where they overlap or lie closer than
`TOUCH`; traces and barrels count as their centre line (or point) with half their width, so that no rounding of their
ends enters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import STRtree

from quietcopper.board.geometry import tiles
from quietcopper.board.model import ARC_SAG, Board, Floats, Ints, Shapes

TOUCH = 2 * ARC_SAG  # m; two flattened arcs that touch may lie this far apart. No process makes a gap so narrow.

TRACE, PAD, AREA, BARREL = 0, 1, 2, 3


@dataclass(frozen=True, eq=False)
class Elements:
    """All copper shapes of a board in one numbering, shape (n,) each.

    kind : TRACE, PAD, AREA or BARREL;  row : in the board's table of that kind (vias for a barrel)
    core, half : centre line, point or polygon, and the half width around it, m
    """

    kind: Ints
    row: Ints
    net: Ints
    layer: Ints
    core: Shapes
    half: Floats
    first: tuple[int, int, int, int]  # number of the first element of each kind

    def __len__(self) -> int:
        return len(self.kind)

    @classmethod
    def of(cls, board: Board) -> Elements:
        traces, pads, areas, vias = board.traces, board.pads, board.areas, board.vias
        low = np.clip(vias.first, 0, len(board.layers) - 1)
        high = np.clip(vias.last, 0, len(board.layers) - 1)
        spans = np.where(vias.plated, high - low + 1, 0)
        via = np.repeat(np.arange(len(vias)), spans)
        barrel_layer = low[via] + np.arange(len(via)) - np.repeat(np.cumsum(spans) - spans, spans)
        counts = (len(traces), len(pads), len(areas), len(via))
        return cls(
            kind=np.repeat(np.arange(4), counts).astype(np.int32),
            row=np.concatenate([*(np.arange(n) for n in counts[:3]), via]).astype(np.int32),
            net=np.concatenate([traces.net, pads.net, areas.net, vias.net[via]]),
            layer=np.concatenate([traces.layer, pads.layer, areas.layer, barrel_layer]).astype(np.int32),
            core=np.concatenate([centre_lines(board), pads.shape, areas.shape, barrels(board)[via]]),
            half=np.concatenate([traces.width / 2, np.zeros(counts[1] + counts[2]), vias.drill[via] / 2]),
            first=(0, counts[0], counts[0] + counts[1], sum(counts[:3])),
        )


def centre_lines(board: Board) -> Shapes:
    """Centre lines of the traces, a point for one without length (GEOS takes a line of equal ends for an empty one)."""
    traces = board.traces
    dots = np.flatnonzero(traces.length == 0)
    if not len(dots):
        return traces.lines
    out = traces.lines.copy()
    out[dots] = shapely.points(traces.x0[dots], traces.y0[dots])
    return out


def barrels(board: Board) -> Shapes:
    """Axis of every hole as seen from above: a point, or a line along a slot, shape (vias,)."""
    vias = board.vias
    out = shapely.points(vias.x, vias.y).astype(object)
    slot = np.flatnonzero((vias.x != vias.x1) | (vias.y != vias.y1))
    ends = np.stack([vias.x[slot], vias.y[slot], vias.x1[slot], vias.y1[slot]], axis=-1).reshape(-1, 2, 2)
    out[slot] = shapely.linestrings(ends)
    return out


def contacts(board: Board, elements: Elements) -> tuple[Ints, Ints]:
    """Pairs of elements that touch, a < b, ordered."""
    whole = elements.kind != AREA
    cut = [tiles(shape) for shape in board.areas.shape]
    owner = np.concatenate(
        [np.flatnonzero(whole), np.repeat(elements.first[AREA] + np.arange(len(cut)), [len(part) for part in cut])]
    ).astype(np.int64)
    pieces = np.empty(sum(len(part) for part in cut), dtype=object)
    pieces[:] = [tile for part in cut for tile in part]
    core = np.concatenate([elements.core[whole], pieces])
    half, layer = elements.half[owner], elements.layer[owner]
    bounds = shapely.bounds(core)
    grown = half[:, None] + TOUCH / 2
    boxes = shapely.box(*(bounds[:, :2] - grown).T, *(bounds[:, 2:] + grown).T)
    weight = shapely.get_num_coordinates(core)
    shapely.prepare(core)
    found = [np.empty((2, 0), dtype=np.int64)]
    for index in range(len(board.layers)):
        here = np.flatnonzero(layer == index)
        i, j = here[STRtree(boxes[here]).query(boxes[here])] if len(here) else np.empty((2, 0), dtype=np.int64)
        once = (i < j) & (owner[i] != owner[j])
        i, j = i[once], j[once]
        swap = weight[i] < weight[j]  # the prepared one of the two should be the complex one
        i, j = np.where(swap, j, i), np.where(swap, i, j)
        near = shapely.dwithin(core[i], core[j], half[i] + half[j] + TOUCH)
        found.append(np.stack([owner[i][near], owner[j][near]]))
    found.append(_hole_pads(board, elements))
    pairs = np.concatenate(found, axis=1)
    a, b = np.divmod(np.unique(pairs.min(axis=0) * len(elements) + pairs.max(axis=0)), max(len(elements), 1))
    return a.astype(np.int32), b.astype(np.int32)


def _hole_pads(board: Board, elements: Elements) -> NDArray[np.int64]:
    """Pairs (pad, barrel) that the file itself says belong together, shape (2, n)."""
    first = elements.first[BARREL]
    via, layer = elements.row[first:].astype(np.int64), elements.layer[first:]
    key = via * len(board.layers) + layer  # ascending, by construction
    own = np.flatnonzero(board.pads.via >= 0)
    wanted = board.pads.via[own].astype(np.int64) * len(board.layers) + board.pads.layer[own]
    at = np.searchsorted(key, wanted)
    known = np.flatnonzero(at < len(key))
    known = known[key[at[known]] == wanted[known]]
    return np.stack([own[known] + elements.first[PAD], at[known] + first])


def bodies(elements: Elements, a: Ints, b: Ints) -> Ints:
    """Number of the connected copper that each element belongs to, through holes as well, shape (elements,).

    a, b : the contacts. Barrels of one hole are one body, whether they touch other copper or not.
    """
    first = elements.first[BARREL]
    via = elements.row[first:]
    same = np.flatnonzero(via[1:] == via[:-1]) + first
    one, two = np.concatenate([a, same]), np.concatenate([b, same + 1])
    size = len(elements)
    graph = coo_array((np.ones(len(one), dtype=np.int8), (one, two)), shape=(size, size))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int32)
