"""Pieces of copper on one layer and groups of pieces joined by plated holes. What touches what: board.contacts."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import STRtree

from quietcopper.board import Board
from quietcopper.board.contacts import AREA, BARREL, PAD, TOUCH, TRACE, Elements, barrels, centre_lines, contacts
from quietcopper.board.model import Bools, Floats, Ints
from quietcopper.electrical.tables import Pieces

__all__ = [
    "AREA",
    "BARREL",
    "PAD",
    "TOUCH",
    "TRACE",
    "AreaEdge",
    "Copper",
    "Elements",
    "barrels",
    "centre_lines",
    "connect",
    "distance_to_area_edge",
    "nearest_vias",
    "ranges",
    "vias_on_area",
]

SLACK = 1e-9  # m; sizes this close to a limit meet it, so that rounding cannot decide
MOST_NAMED = 40  # problems of one kind that are named singly; the rest is counted
SCREW = 2e-3  # m; a plated hole at least this wide may hold a screw, which ties its copper to a case
LEAD = 0.6e-3  # m; where no pins are known, a plated hole at least this wide may hold a part's lead
SPOKE = 2e-3  # m; a trace no longer than this between a hole's pad and an area is a thermal spoke


@dataclass(frozen=True, eq=False)
class Copper:
    """Connected copper of a board.

    piece_of_element : row in `pieces` of every element, -1 for a barrel that touches no other copper
    loose_pads : which elements are pads that the file gives to no hole
    via_index, piece_index : which hole meets which piece, one entry a meeting, ordered by hole
    contact_a, contact_b : pairs of touching elements, a < b
    group_nets : the named nets of every group, in the order of the net list
    split_nets : nets whose copper with pins (any copper, where none has pins) lies in more than one group
    problems : contradictions between the net names and the copper, one sentence each
    """

    pieces: Pieces
    piece_of_element: Ints
    loose_pads: Bools
    via_index: Ints
    piece_index: Ints
    elements: Elements
    contact_a: Ints
    contact_b: Ints
    group_nets: tuple[tuple[int, ...], ...]
    split_nets: Ints
    problems: tuple[str, ...]

    @property
    def piece_of_trace(self) -> Ints:
        """Row in `pieces` of every row of board.traces."""
        return self.piece_of_element[: self.elements.first[PAD]]

    @property
    def piece_of_pad(self) -> Ints:
        """Row in `pieces` of every row of board.pads."""
        return self.piece_of_element[self.elements.first[PAD] : self.elements.first[AREA]]

    @property
    def piece_of_area(self) -> Ints:
        """Row in `pieces` of every row of board.areas."""
        return self.piece_of_element[self.elements.first[AREA] : self.elements.first[BARREL]]

    @cached_property
    def group_of_element(self) -> Ints:
        """Group of every element, -1 for a barrel that touches no other copper."""
        return np.append(self.pieces.group, np.int32(-1))[self.piece_of_element]

    def elements_of_net(self, net: int) -> Ints:
        """Elements that bear a net's name, ascending."""
        order, named = self._by_net
        low, high = np.searchsorted(named, [net, net + 1])
        return order[low:high]

    @cached_property
    def _by_net(self) -> tuple[Ints, Ints]:
        """Elements by net, and their nets."""
        order = np.argsort(self.elements.net, kind="stable").astype(np.int32)
        return order, self.elements.net[order]

    def elements_of_nets(self, nets: ArrayLike) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """The elements that bear the names of some nets, with the nameless ones that are connected to such, and of
        which net (its place in `nets`) each is; ordered by net, then by element."""
        nets = np.asarray(nets, dtype=np.int64)
        order, named = self._by_net
        low, high = np.searchsorted(named, nets), np.searchsorted(named, nets, side="right")
        own, net = order[ranges(low, high)].astype(np.int64), np.repeat(np.arange(len(nets)), high - low)
        group = self.group_of_element[own].astype(np.int64)
        groups = len(self.group_nets)
        of, group = np.divmod(np.unique((net * groups + group)[group >= 0]), max(groups, 1))
        nameless, theirs = self._nameless
        low, high = np.searchsorted(theirs, group), np.searchsorted(theirs, group, side="right")
        own, net = np.append(own, nameless[ranges(low, high)]), np.append(net, np.repeat(of, high - low))
        both = np.lexsort((own, net))
        return own[both], net[both]

    @cached_property
    def _nameless(self) -> tuple[Ints, Ints]:
        """Elements without a net's name by group, and their groups."""
        element = self.elements_of_net(0)
        group = self.group_of_element[element]
        order = np.argsort(group, kind="stable")
        return element[order], group[order]

    def pieces_of_via(self, via: int) -> Ints:
        """Rows of the pieces that a hole meets."""
        low, high = np.searchsorted(self.via_index, [via, via + 1])
        return self.piece_index[low:high]

    def vias_of_piece(self, piece: int) -> Ints:
        """Rows of the plated holes that meet a piece, ascending."""
        return self.via_index[self.piece_index == piece]

    @cached_property
    def neighbours(self) -> tuple[NDArray[np.int64], Ints]:
        """Contacts as compressed rows: element i touches ``targets[start[i]:start[i + 1]]``; (start, targets)."""
        source = np.concatenate([self.contact_a, self.contact_b])
        target = np.concatenate([self.contact_b, self.contact_a])
        order = np.lexsort((target, source))
        start = np.searchsorted(source[order], np.arange(len(self.elements) + 1))
        return start, target[order]

    def touching(self, kind: int, row: int) -> Ints:
        """Elements in contact with a row of a table (`kind` TRACE, PAD or AREA), ascending."""
        start, target = self.neighbours
        element = self.elements.first[kind] + row
        return target[start[element] : start[element + 1]]

    @cached_property
    def floating(self) -> Bools:
        """Which groups hold no pin, no screw hole, and no pad that could be a part's: shape (groups,).

        Where the file says which pads are pins, only those and screw holes count. Where it names no pins at all, every
        pad that belongs to no hole may be a part's, and so may every hole that is wide enough for a lead.
        """
        elements = self.elements
        named = bool((self.pieces.pins > 0).any())
        hole = (elements.kind == BARREL) & (elements.half >= (SCREW if named else LEAD) / 2 - SLACK)
        bound = hole if named else hole | self.loose_pads
        tied = np.zeros(len(self.group_nets), dtype=bool)
        tied[self.pieces.group[self.pieces.pins > 0]] = True
        tied[self.group_of_element[bound & (self.piece_of_element >= 0)]] = True
        return ~tied


def ranges(start: NDArray[Any], stop: NDArray[Any]) -> NDArray[np.int64]:
    """All whole numbers of several ranges, one after another."""
    count = stop - start
    return np.repeat(stop - np.cumsum(count), count) + np.arange(int(count.sum()))


def connect(board: Board) -> Copper:
    """Pieces and groups of a board's copper.

    The net names play no part in what touches what; where they contradict the copper it is said in `problems`.
    Unplated holes join nothing. Pieces are ordered by layer, then by their first element.
    """
    elements = Elements.of(board)
    a, b = contacts(board, elements)
    n = len(elements)
    _, body = connected_components(coo_array((np.ones(len(a), dtype=np.int8), (a, b)), shape=(n, n)), directed=False)

    # a barrel alone is no piece: number the bodies that hold other copper
    solid = elements.kind != BARREL
    bodies, first = np.unique(body[solid], return_index=True)
    order = np.argsort(elements.layer[solid][first], kind="stable")
    order = order[np.lexsort((first[order], elements.layer[solid][first][order]))]
    piece_of_body = np.full(int(body.max(initial=-1)) + 1, -1, dtype=np.int32)
    piece_of_body[bodies[order]] = np.arange(len(bodies))
    piece = piece_of_body[body] if n else np.empty(0, dtype=np.int32)
    count = len(bodies)

    met = np.flatnonzero((elements.kind == BARREL) & (piece >= 0))
    meetings = np.unique(np.stack([elements.row[met], piece[met]], axis=-1), axis=0)
    via_index, piece_index = meetings[:, 0].astype(np.int32), meetings[:, 1].astype(np.int32)
    size = count + len(board.vias)
    joined = coo_array((np.ones(len(met), dtype=np.int8), (elements.row[met] + count, piece[met])), shape=(size, size))
    _, label = connected_components(joined, directed=False)
    _, first_piece, group = np.unique(label[:count], return_index=True, return_inverse=True)
    group = np.argsort(np.argsort(first_piece))[group]

    filled = np.bincount(piece[elements.kind == AREA], weights=shapely.area(board.areas.shape), minlength=count)
    pieces = Pieces(
        net=_piece_nets(board, elements, piece, count),
        layer=elements.layer[solid][first][order],
        group=group.astype(np.int32),
        ties=_ties(via_index, piece_index, len(board.vias), count),
        pins=_pins(board, elements, piece, count),
        area=filled.astype(np.float64),
    )
    group_nets = _group_nets(elements, piece, pieces)
    split, split_words = _split_nets(board, pieces)
    return Copper(
        pieces=pieces,
        piece_of_element=piece,
        loose_pads=_loose_pads(board, elements),
        via_index=via_index,
        piece_index=piece_index,
        elements=elements,
        contact_a=a,
        contact_b=b,
        group_nets=group_nets,
        split_nets=split,
        problems=(*_clashes(board, elements, a, b, np.append(pieces.group, -1)[piece], group_nets), *split_words),
    )


def _loose_pads(board: Board, elements: Elements) -> Bools:
    out = np.zeros(len(elements), dtype=bool)
    out[elements.first[PAD] : elements.first[AREA]] = board.pads.via < 0
    return out


def _piece_nets(board: Board, elements: Elements, piece: Ints, count: int) -> Ints:
    """Net of every piece: the named net with most elements on it, of equals the first by name; 0 where none."""
    names = np.array(board.nets, dtype=object)
    by_name = np.empty(len(names), dtype=np.int64)
    by_name[np.argsort(names, kind="stable")] = np.arange(len(names))
    use = (piece >= 0) & (elements.net > 0)
    pairs, votes = np.unique(np.stack([piece[use], elements.net[use]]), axis=1, return_counts=True)
    order = np.lexsort((by_name[pairs[1]], -votes, pairs[0]))
    pairs = pairs[:, order]
    won, at = np.unique(pairs[0], return_index=True)
    net = np.zeros(count, dtype=np.int32)
    net[won] = pairs[1][at]
    return net


def _ties(via_index: Ints, piece_index: Ints, vias: int, count: int) -> Ints:
    """How many holes join each piece to another piece."""
    joins = np.bincount(via_index, minlength=vias)[via_index] > 1
    return np.bincount(piece_index[joins], minlength=count).astype(np.int32)


def _pins(board: Board, elements: Elements, piece: Ints, count: int) -> Ints:
    """How many pins sit on each piece, by pads and by plated pin holes."""
    pad = np.flatnonzero(elements.kind == PAD)
    barrel = np.flatnonzero((elements.kind == BARREL) & (piece >= 0))
    on = np.concatenate([piece[pad], piece[barrel]])
    pin = np.concatenate([board.pads.pin[elements.row[pad]], board.vias.pin[elements.row[barrel]]])
    pairs = np.unique(np.stack([on[pin >= 0], pin[pin >= 0]]), axis=1)
    return np.bincount(pairs[0], minlength=count).astype(np.int32)


def _group_nets(elements: Elements, piece: Ints, pieces: Pieces) -> tuple[tuple[int, ...], ...]:
    use = (piece >= 0) & (elements.net > 0)
    groups = int(pieces.group.max(initial=-1)) + 1
    pairs = np.unique(np.stack([pieces.group[piece[use]], elements.net[use]]), axis=1)
    cuts = np.searchsorted(pairs[0], np.arange(1, groups))
    return tuple(tuple(part.tolist()) for part in np.split(pairs[1], cuts)) if groups else ()


def _split_nets(board: Board, pieces: Pieces) -> tuple[Ints, list[str]]:
    """Nets whose copper falls into several groups, and the sentences that say so.

    Where a net has pins, only groups with pins count: copper without any is lone copper, another matter.
    """
    with_pins = (np.bincount(pieces.group, weights=pieces.pins) > 0)[pieces.group]
    has_pins = np.zeros(len(board.nets), dtype=bool)
    has_pins[pieces.net[with_pins]] = True
    use = (pieces.net > 0) & (with_pins | ~has_pins[pieces.net])
    pairs = np.unique(np.stack([pieces.net[use], pieces.group[use]]), axis=1)
    nets, times = np.unique(pairs[0], return_counts=True)
    split, times = nets[times > 1], times[times > 1]
    words = sorted(f"net {board.nets[net]} is in {n} unconnected pieces" for net, n in zip(split, times, strict=True))
    return split.astype(np.int32), _shortened(words, "more nets are in several unconnected pieces")


def _shortened(words: list[str], rest: str) -> list[str]:
    return words if len(words) <= MOST_NAMED else [*words[:MOST_NAMED], f"{len(words) - MOST_NAMED} {rest}"]


def _clashes(
    board: Board, elements: Elements, a: Ints, b: Ints, group: Ints, group_nets: tuple[tuple[int, ...], ...]
) -> list[str]:
    """Sentences about different nets that touch, or that copper without a name joins; group : of every element."""
    net_a, net_b = elements.net[a], elements.net[b]
    clash = np.flatnonzero((net_a > 0) & (net_b > 0) & (net_a != net_b))
    a, b = a[clash], b[clash]
    nearest = shapely.shortest_line(elements.core[a], elements.core[b])
    at = shapely.get_coordinates(shapely.centroid(nearest)).round(7)
    nets = np.sort(np.stack([net_a[clash], net_b[clash]]), axis=0)
    order = np.lexsort((at[:, 1], at[:, 0], elements.layer[a], nets[1], nets[0]))
    keys = np.stack([*nets, elements.layer[a]])[:, order]
    keys, at_first, times = np.unique(keys, axis=1, return_index=True, return_counts=True)
    words = []
    for (one, two, layer), (x, y), n in zip(keys.T.tolist(), at[order][at_first].tolist(), times.tolist(), strict=True):
        first, second = sorted((board.nets[one], board.nets[two]))
        where = f"{x * 1e3:.2f}, {y * 1e3:.2f} mm" + (f" and {n - 1} more places" if n > 1 else "")
        words.append(f"nets {first} and {second} touch on {board.layer_label(layer)} at {where}")
    for joined in _unexplained(nets[:, group[a] >= 0], group[a][group[a] >= 0], group_nets):
        names = " and ".join(sorted(board.nets[net] for net in joined))
        words.append(f"nets {names} are joined through copper that has no net in the file")
    return _shortened(sorted(words), "more pairs of nets touch")


def _unexplained(
    nets: NDArray[np.int32], group: Ints, group_nets: tuple[tuple[int, ...], ...]
) -> list[tuple[int, ...]]:
    """Nets of the groups that the contacts between different nets (pairs, shape (2, n), in `group`) do not explain."""
    several = [(index, net) for index, members in enumerate(group_nets) if len(members) > 1 for net in members]
    key = {pair: i for i, pair in enumerate(several)}
    one = [key[pair] for pair in zip(group.tolist(), nets[0].tolist(), strict=True)]
    two = [key[pair] for pair in zip(group.tolist(), nets[1].tolist(), strict=True)]
    size = len(several)
    _, label = connected_components(coo_array((np.ones(len(one)), (one, two)), shape=(size, size)), directed=False)
    parts: dict[int, set[int]] = {index: set() for index, _ in several}
    for (index, _), part in zip(several, label.tolist(), strict=True):
        parts[index].add(part)
    return [group_nets[index] for index, found in parts.items() if len(found) > 1]


def vias_on_area(copper: Copper, board: Board, area: int) -> Ints:
    """Rows of the plated holes that tie to an area: directly, through their pad, or through a thermal spoke.

    A spoke is a trace of at most `SPOKE` that touches both the area and the hole or its pad.
    """
    elements = copper.elements
    reached = copper.touching(AREA, area)
    spokes = reached[elements.kind[reached] == TRACE]
    spokes = spokes[board.traces.length[elements.row[spokes]] <= SPOKE + SLACK]
    start, target = copper.neighbours
    pads = reached[elements.kind[reached] == PAD]
    beyond = [target[start[element] : start[element + 1]] for element in [*spokes, *pads]]
    pads_beyond = [part[elements.kind[part] == PAD] for part in beyond[: len(spokes)]]
    beyond += [target[start[pad] : start[pad + 1]] for part in pads_beyond for pad in part]
    near = np.concatenate([reached, *beyond]) if beyond else reached
    return np.unique(elements.row[near[elements.kind[near] == BARREL]])


def nearest_vias(
    board: Board, x: ArrayLike, y: ArrayLike, rows: ArrayLike, count: int = 1
) -> tuple[NDArray[np.int64], Floats]:
    """The nearest of the given holes (rows of board.vias) to each point: rows and distances (m) to their axes.

    Shapes (points,), or (points, count) for count > 1. Where there are fewer holes the row is -1, the distance inf.
    """
    from scipy.spatial import cKDTree

    rows = np.asarray(rows, dtype=np.int64)
    points = np.stack([np.atleast_1d(np.asarray(x, dtype=float)), np.atleast_1d(np.asarray(y, dtype=float))], axis=-1)
    if not len(rows):
        shape = (len(points),) if count == 1 else (len(points), count)
        return np.full(shape, -1), np.full(shape, np.inf)
    vias = board.vias
    middle = np.stack([(vias.x[rows] + vias.x1[rows]) / 2, (vias.y[rows] + vias.y1[rows]) / 2], axis=-1)
    found, at = cKDTree(middle).query(points, k=count)
    distance: Floats = np.asarray(found, dtype=np.float64)
    return np.where(at < len(rows), rows[np.minimum(at, len(rows) - 1)], -1), distance


class AreaEdge:
    """The edges of one area, ready for many distance queries.

    smallest_opening : openings whose box is smaller than this in both directions are not counted as edges (0: all
    are); antipads are left out that way
    """

    def __init__(self, board: Board, area: int, smallest_opening: float = 0.0) -> None:
        rings = []
        for polygon in shapely.get_parts(board.areas.shape[area]):
            holes = np.array(polygon.interiors, dtype=object)
            x0, y0, x1, y1 = shapely.bounds(holes).reshape(-1, 4).T
            rings += [polygon.exterior, *holes[np.maximum(x1 - x0, y1 - y0) >= smallest_opening - SLACK]]
        points, ring = shapely.get_coordinates(np.array(rings, dtype=object), return_index=True)
        same = ring[1:] == ring[:-1]
        self.segments = shapely.linestrings(np.stack([points[:-1][same], points[1:][same]], axis=1))
        self._tree = STRtree(self.segments)

    def distance(self, shapes: ArrayLike) -> Floats:
        """Distance of each shape (points, lines) to the nearest edge, m, inside or outside alike; nan for empty."""
        shapes = np.atleast_1d(np.asarray(shapes, dtype=object))
        out = np.full(len(shapes), np.nan)
        (index, _), distance = self._tree.query_nearest(shapes, return_distance=True, all_matches=False)
        out[index] = distance
        return out


def distance_to_area_edge(board: Board, shapes: ArrayLike, area: int, smallest_opening: float = 0.0) -> Floats:
    """Distance from points or lines to the edge of an area, m, shape (n,); see `AreaEdge`, which to keep for reuse."""
    return AreaEdge(board, area, smallest_opening).distance(shapes)
