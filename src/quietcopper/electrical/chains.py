"""Trace segments of one net and layer joined to chains, and the layer that carries most of each chain's return.

A joint is a place where segments meet: shared end points first, ends on another segment's middle, and, for ends that
meet nothing exactly, ends within another segment's copper or within a common pad.
"""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from quietcopper.board import Board
from quietcopper.board.model import Floats, Pads, Shapes, Traces
from quietcopper.electrical.tables import Runs
from quietcopper.electrical.tiles import TOUCH, Index


@dataclass(frozen=True, eq=False)
class Chains:
    """chain : label of each trace row. Joints, one row a segment that meets it: node, trace row, place along it (m).

    Every end of every trace belongs to one node, so that the joints hold both ends of each trace.
    """

    chain: Index
    node: Index
    trace: Index
    along: Floats


_known: WeakKeyDictionary[Traces, WeakKeyDictionary[Pads, Chains]] = WeakKeyDictionary()


def find_chains(board: Board) -> Chains:
    """Chains and joints of all traces of a board, worked out once for each table of traces and of pads."""
    known = _known.setdefault(board.traces, WeakKeyDictionary())
    if board.pads not in known:
        known[board.pads] = _chains(board)
    return known[board.pads]


def _chains(board: Board) -> Chains:
    traces = board.traces
    n = len(traces)
    if not n:
        none = np.empty(0, dtype=np.int64)
        return Chains(none, none, none, np.empty(0))
    ends = shapely.points(
        np.stack([traces.x0, traces.x1], axis=1).ravel(), np.stack([traces.y0, traces.y1], axis=1).ravel()
    )  # end 0 of trace t is 2 t, end 1 is 2 t + 1
    tree = shapely.STRtree(traces.lines)
    end, other = _same(board, *tree.query(ends, predicate="dwithin", distance=TOUCH))
    exact = _links(board, ends, end, other)
    target = _end_at(board, exact)
    dead = np.setdiff1d(np.arange(2 * n), np.concatenate([end, target[target >= 0]]))
    # ends that meet nothing exactly but lie in the copper of another segment: the nearest one
    half = float(traces.width.max()) / 2
    end, other = tree.query(ends[dead], predicate="dwithin", distance=half)
    end, other = _same(board, dead[end], other)
    distance = shapely.distance(ends[end], traces.lines[other])
    inside = distance <= traces.width[other] / 2
    end, other, distance = end[inside], other[inside], distance[inside]
    order = np.lexsort((other, distance, end))
    end, first = np.unique(end[order], return_index=True)
    loose = _links(board, ends, end, other[order][first])
    pad_a, pad_b = _pad_links(board, ends, np.setdiff1d(dead, end))
    closed = np.flatnonzero(shapely.dwithin(ends[0::2], ends[1::2], TOUCH))  # circles, and segments of no length

    end, other, along = (np.concatenate(column) for column in zip(exact, loose, strict=True))
    at_end = _end_at(board, (end, other, along))
    joined = at_end >= 0
    a = np.concatenate([end[joined], pad_a, 2 * closed])
    b = np.concatenate([at_end[joined], pad_b, 2 * closed + 1])
    _, node_of_end = connected_components(
        coo_array((np.ones(len(a), dtype=np.int8), (a, b)), shape=(2 * n, 2 * n)), directed=False
    )
    node = np.concatenate([node_of_end, node_of_end[end[~joined]]]).astype(np.int64)
    trace = np.concatenate([np.repeat(np.arange(n), 2), other[~joined]])
    along = np.concatenate([np.stack([np.zeros(n), traces.length], axis=1).ravel(), along[~joined]])
    keep = np.unique(np.stack([node, trace, np.round(along / TOUCH)], axis=1), axis=0, return_index=True)[1]
    node, trace, along = node[keep], trace[keep], along[keep]
    nodes = int(node.max()) + 1
    _, label = connected_components(
        coo_array((np.ones(len(node), dtype=np.int8), (node, nodes + trace)), shape=(nodes + n, nodes + n)),
        directed=False,
    )
    return Chains(label[nodes:].astype(np.int64), node, trace, along)


def _same(board: Board, end: Index, other: Index) -> tuple[Index, Index]:
    """Of pairs (end, trace), those of one net and layer and of different traces."""
    traces, own = board.traces, end // 2
    keep = (own != other) & (traces.net[own] == traces.net[other]) & (traces.layer[own] == traces.layer[other])
    return end[keep], other[keep]


Links = tuple[Index, Index, Floats]  # ends, the traces that they meet, and the place along those (m)


def _links(board: Board, ends: Shapes, end: Index, other: Index) -> Links:
    lines = board.traces.lines[other]
    flat = shapely.length(lines)
    share = np.divide(shapely.line_locate_point(lines, ends[end]), flat, out=np.zeros(len(end)), where=flat > 0)
    return end, other, share * board.traces.length[other]


def _end_at(board: Board, links: Links) -> Index:
    """The end of the other trace that each link meets, -1 where it meets its middle."""
    _, other, along = links
    last = along >= board.traces.length[other] - 2 * TOUCH
    return np.where(along <= 2 * TOUCH, 2 * other, np.where(last, 2 * other + 1, -1))


def _pad_links(board: Board, ends: Shapes, dead: Index) -> tuple[Index, Index]:
    """Pairs of ends joined by a pad: each dead end in a pad with the first other end in that pad."""
    pads, traces = board.pads, board.traces
    none = np.empty(0, dtype=np.int64)
    if not len(pads) or not len(dead):
        return none, none
    tree = shapely.STRtree(pads.shape)
    end, pad = tree.query(ends, predicate="intersects")
    keep = (traces.net[end // 2] == pads.net[pad]) & (traces.layer[end // 2] == pads.layer[pad])
    end, pad = end[keep], pad[keep]
    is_dead = np.isin(end, dead)
    order = np.lexsort((end, is_dead, pad))  # in each pad, ends that already meet something first
    end, pad = end[order], pad[order]
    head = np.ones(len(pad), dtype=np.bool_)
    head[1:] = pad[1:] != pad[:-1]
    leader = np.maximum.accumulate(np.where(head, np.arange(len(pad)), 0))
    follow = is_dead[order] & ~head
    return end[follow], end[leader[follow]]


def main_references(board: Board, runs: Runs, chains: Chains) -> Index:
    """Layer that carries most of each trace's return, shape (rows of traces,), -1 for none; one for a whole chain.

    The neighbour layers of a chain are weighed by the length that they cover over the distance to them, as return
    current between two planes divides inversely with the distances (a filament between planes, exact).
    """
    n = len(board.layers)
    chain = chains.chain[runs.trace]
    count = int(chains.chain.max(initial=-1)) + 1
    weight = np.zeros(count * n)
    for layer, gap in ((runs.above_layer, runs.above_gap), (runs.below_layer, runs.below_gap)):
        met = layer >= 0
        share = runs.length[met] / np.maximum(gap[met], 1e-9)
        weight += np.bincount(chain[met] * n + layer[met], weights=share, minlength=count * n)
    table = weight.reshape(count, n)
    most = table.max(axis=1, initial=0.0)
    equal = table >= most[:, None] * (1 - 1e-6)  # rounding does not choose between two equal planes
    best = np.where(most > 0, equal.argmax(axis=1), -1)
    return np.asarray(best[chains.chain], dtype=np.int64)
