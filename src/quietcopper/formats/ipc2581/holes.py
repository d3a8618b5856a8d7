"""Drilled holes: one row a hole, their spans, their nets, and which pads belong to them."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, Self

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.board.geometry import within
from quietcopper.formats.ipc2581.columns import NO_ROW, StepData
from quietcopper.formats.ipc2581.padstacks import antipad
from quietcopper.formats.ipc2581.reader import Reader

SAME_PLACE = 1e-6  # m; what lies nearer than this is at the same place
UNKNOWN = -1  # net of a hole whose file states none beside it


@dataclass(frozen=True)
class Rows:
    """Base of the working tables: columns of one length."""

    def take(self, index: NDArray[Any]) -> Self:
        return type(self)(**{f.name: getattr(self, f.name)[index] for f in fields(self)})

    def join(self, other: Self) -> Self:
        return type(self)(
            **{f.name: np.concatenate([getattr(self, f.name), getattr(other, f.name)]) for f in fields(self)}
        )

    def __len__(self) -> int:
        return len(getattr(self, fields(self)[0].name))


@dataclass(frozen=True)
class Holes(Rows):
    """The columns of board.Vias, with the row and name that the file gives."""

    net: NDArray[np.int64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    x1: NDArray[np.float64]
    y1: NDArray[np.float64]
    drill: NDArray[np.float64]
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    plated: NDArray[np.bool_]
    antipad: NDArray[np.float64]
    pin: NDArray[np.int64]
    row: NDArray[np.int64]
    name: NDArray[np.int64]


@dataclass(frozen=True)
class Pads(Rows):
    """The columns of board.Pads, with the row, stack and hole name that the file gives. pin, via : -1 for none."""

    net: NDArray[np.int64]
    layer: NDArray[np.int64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    shape: NDArray[np.object_]
    via: NDArray[np.int64]
    pin: NDArray[np.int64]
    row: NDArray[np.int64]
    stack: NDArray[np.int64]
    hole: NDArray[np.int64]


def read_holes(reader: Reader, step: StepData, layer_of: NDArray[np.int64], layer_count: int) -> Holes:
    """The holes of a step. layer_of : copper layer index by the reader's number of a layer name, -1 for others."""
    h = step.holes
    first, last = _spans(reader, step, layer_of, layer_count)
    stacks = reader.features.stacks.list()
    assert reader.cad_unit is not None
    clear = {
        number: antipad(step.stacks, reader.dictionaries, reader.cad_unit, stacks[number])
        for number in sorted(set(h.stack))
        if number >= 0
    }
    kind = h.ints_of("kind")
    holes = Holes(
        net=h.ints_of("net"),
        x=h.floats_of("x"),
        y=h.floats_of("y"),
        x1=h.floats_of("x1"),
        y1=h.floats_of("y1"),
        drill=h.floats_of("drill"),
        first=first,
        last=last,
        plated=kind > 0,
        antipad=np.array([clear.get(number, np.nan) for number in h.stack]),
        pin=h.ints_of("pin"),
        row=h.ints_of("row"),
        name=h.ints_of("name"),
    )
    return holes if step.links_given else holes.take(_without_copies(holes, h.ints_of("layer"), reader))


def _spans(
    reader: Reader, step: StepData, layer_of: NDArray[np.int64], layer_count: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last copper layer of each hole; a span that is not stated goes through the whole board."""
    h = step.holes
    if not len(h):
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    padded = np.append(layer_of, -1)  # number -1, not stated, finds the last entry
    a, b = padded[h.ints_of("first")], padded[h.ints_of("last")]
    stated = (h.ints_of("first") >= 0) | (h.ints_of("last") >= 0)
    lost = stated & ((a < 0) | (b < 0))
    if lost.any():
        line = int(h.ints_of("line")[np.flatnonzero(lost)[0]])
        reader.counts.unread(
            "hole span between layers that are no copper", line, "taken as through all layers", int(lost.sum())
        )
    through = lost | ~stated
    a, b = np.where(through, 0, a), np.where(through, layer_count - 1, b)
    return np.minimum(a, b), np.maximum(a, b)


def _without_copies(holes: Holes, drill_layer: NDArray[np.int64], reader: Reader) -> NDArray[np.int64]:
    """Rows to keep: holes given in a pad stack are often listed again on a drill layer."""
    in_stack = drill_layer < 0
    grid = np.round(np.stack([holes.x, holes.y, holes.x1, holes.y1, holes.drill], axis=-1) / SAME_PLACE).astype(
        np.int64
    )
    again = np.zeros(len(holes), dtype=np.bool_)
    if in_stack.any() and not in_stack.all():
        known = {tuple(row) for row in grid[in_stack].tolist()}
        again = np.array([tuple(row) in known for row in grid.tolist()]) & ~in_stack
        reader.counts.unread(
            "Hole that a PadStack gives as well", 0, "one hole, listed twice in the file", int(again.sum())
        )
    rest = np.flatnonzero(~again)
    key = np.concatenate([grid, np.stack([holes.first, holes.last], axis=-1)], axis=1)[rest]
    _, once = np.unique(key, axis=0, return_index=True)  # the first of equal rows
    if len(once) < len(rest):
        twice = len(rest) - len(once)
        reader.counts.problem(f"Holes standing in the file twice at the same place, each taken once: {twice}.")
    return rest[np.sort(once)]


def link_pads(pads: Pads, holes: Holes) -> Pads:
    """Pads with the row of their hole: the one at their middle, or a hole without any pad inside their copper."""
    if not len(pads) or not len(holes):
        return pads
    via = pads.via.copy()
    middle = np.stack([(holes.x + holes.x1) / 2, (holes.y + holes.y1) / 2], axis=-1)
    rows, hole = within(np.stack([pads.x, pads.y], axis=-1), middle, SAME_PLACE)
    inside = (pads.layer[rows] >= holes.first[hole]) & (pads.layer[rows] <= holes.last[hole])
    via[rows[inside]] = hole[inside]  # nearest last, so that it wins
    bare, free = np.setdiff1d(np.arange(len(holes)), via), via < 0
    for layer in np.unique(pads.layer[free]) if len(bare) else ():
        candidates = np.flatnonzero(free & (pads.layer == layer))
        drilled = bare[(holes.first[bare] <= layer) & (holes.last[bare] >= layer)]
        points = shapely.points(middle[drilled])
        hole, pad = shapely.STRtree(pads.shape[candidates]).query_nearest(points, max_distance=1e-9, all_matches=False)
        via[candidates[pad]] = drilled[hole]
    return replace(pads, via=via)


def hole_nets(holes: Holes, pads: Pads, points: list[tuple[float, float, int]], reader: Reader) -> Holes:
    """Holes with a net: as stated, else that of the physical net's point there, else that of the pads on it."""
    net = holes.net.copy()
    open_ = net == UNKNOWN
    if open_.any() and points:
        at = np.array([(x, y) for x, y, _ in points])
        names = np.array([n for _, _, n in points])
        rows = np.flatnonzero(open_)
        where = np.stack([holes.x[rows], holes.y[rows]], axis=-1)
        hole, point = within(where, at, SAME_PLACE)
        net[rows[hole]] = names[point]
    linked = np.flatnonzero((pads.via >= 0) & (pads.net > 0))
    by_pads = np.full(len(holes), UNKNOWN)
    by_pads[pads.via[linked][::-1]] = pads.net[linked][::-1]
    disagree = (net > 0) & (by_pads > 0) & (net != by_pads)
    if disagree.any():
        reader.counts.problem(
            f"Holes with another net than the pads on them, where the hole's statement holds: {int(disagree.sum())}."
        )
    net = np.where((net == UNKNOWN) & (by_pads > 0), by_pads, net)
    return replace(holes, net=np.where(net == UNKNOWN, 0, net))


HoleRow = tuple[float, float, float, bool, int, int]  # x, y, drill, plated, net, pin
PadRow = tuple[int, int, float, float, shapely.Geometry, int, int]  # net, layer, x, y, shape, via, pin


def new_holes(rows: list[HoleRow], last: int) -> Holes:
    """A table of round holes through all layers (0 to last) that no drill layer lists."""
    x, y, drill, plated, net, pin = (list(column) for column in zip(*rows, strict=True)) if rows else ([],) * 6
    count = len(rows)
    return Holes(
        net=np.array(net, dtype=np.int64),
        x=np.array(x, dtype=np.float64),
        y=np.array(y, dtype=np.float64),
        x1=np.array(x, dtype=np.float64),
        y1=np.array(y, dtype=np.float64),
        drill=np.array(drill, dtype=np.float64),
        first=np.zeros(count, dtype=np.int64),
        last=np.full(count, last),
        plated=np.array(plated, dtype=np.bool_),
        antipad=np.full(count, np.nan),
        pin=np.array(pin, dtype=np.int64),
        row=np.full(count, NO_ROW),
        name=np.full(count, -1),
    )


def new_pads(rows: list[PadRow]) -> Pads:
    """A table of pads that no layer draws."""
    net, layer, x, y, shape, via, pin = (list(column) for column in zip(*rows, strict=True)) if rows else ([],) * 7
    shapes = np.empty(len(rows), dtype=object)
    shapes[:] = shape
    none = np.full(len(rows), -1)
    return Pads(
        net=np.array(net, dtype=np.int64),
        layer=np.array(layer, dtype=np.int64),
        x=np.array(x, dtype=np.float64),
        y=np.array(y, dtype=np.float64),
        shape=shapes,
        via=np.array(via, dtype=np.int64),
        pin=np.array(pin, dtype=np.int64),
        row=np.full(len(rows), NO_ROW),
        stack=none,
        hole=none,
    )
