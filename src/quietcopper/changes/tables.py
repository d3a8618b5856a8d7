"""Rows added to and taken from a board's tables, with the references between the tables kept right."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from quietcopper.board import Board
from quietcopper.board.model import Bools, Ints, Table
from quietcopper.build.drawing import circle

T = TypeVar("T", bound=Table)


def added(table: T, rows: Sequence[tuple[Any, ...]]) -> T:
    """The table with rows (tuples in the order of its columns) at its end."""
    if not rows:
        return table
    more = type(table).from_rows(list(rows))
    names = [f.name for f in dataclasses.fields(table)]
    return type(table)(**{n: [*getattr(table, n), *getattr(more, n)] for n in names})


def without(
    board: Board,
    *,
    traces: Bools | None = None,
    vias: Bools | None = None,
    pads: Bools | None = None,
    areas: Bools | None = None,
) -> Board:
    """The board without the rows marked True; pads of a hole that goes go with it."""
    changed: dict[str, Table] = {}
    if traces is not None:
        changed["traces"] = board.traces.take(~traces)
    if areas is not None:
        changed["areas"] = board.areas.take(~areas)
    gone = np.zeros(len(board.pads), dtype=bool) if pads is None else pads.copy()
    if vias is not None:
        own = board.pads.via >= 0
        gone[own] |= vias[board.pads.via[own]]
        changed["vias"] = board.vias.take(~vias)
    if gone.any() or vias is not None:
        kept = board.pads.take(~gone)
        if vias is not None:
            place = np.where(vias, -1, np.cumsum(~vias) - 1)
            kept = kept.replace(via=np.append(place, -1)[kept.via])
        changed["pads"] = kept
    return dataclasses.replace(board, **changed)  # type: ignore[arg-type]


@dataclasses.dataclass(frozen=True)
class ViaSize:
    """Finished hole and pad diameter, m."""

    drill: float
    pad: float


def with_vias(board: Board, net: int, places: Sequence[tuple[float, float]], size: ViaSize) -> Board:
    """The board with through vias of a net, each with a round pad on every layer. Other copper is left as it is."""
    last, first_row = len(board.layers) - 1, len(board.vias)
    vias = [(net, x, y, x, y, size.drill, 0, last, True, np.nan, -1) for x, y in places]
    pads = [
        (net, layer, x, y, circle(x, y, size.pad), first_row + i, -1)
        for i, (x, y) in enumerate(places)
        for layer in range(last + 1)
    ]
    return dataclasses.replace(board, vias=added(board.vias, vias), pads=added(board.pads, pads))


def with_areas(board: Board, gone: NDArray[Any], new: Sequence[tuple[int, int, shapely.Geometry]]) -> Board:
    """The board with some area rows (indices) exchanged for new shapes (net, layer, polygon or several)."""
    kept = np.ones(len(board.areas), dtype=bool)
    kept[gone] = False
    rows = [
        (net, layer, part)
        for net, layer, shape in new
        for part in shapely.get_parts(shape).tolist()
        if isinstance(part, Polygon) and part.area > 0
    ]
    return dataclasses.replace(board, areas=added(board.areas.take(kept), rows))


def renamed(board: Board, old: int, new: int) -> Board:
    """The board with net `old` made one with net `new`; the old name goes."""
    index = np.arange(len(board.nets), dtype=np.int32)
    index[old] = new
    index -= (index > old).astype(np.int32)
    name = board.nets[old]

    def moved(net: Ints) -> Ints:
        return index[net]

    tables = {t: getattr(board, t) for t in ("traces", "vias", "pads", "areas", "pins")}
    return dataclasses.replace(
        board,
        nets=tuple(n for n in board.nets if n != name),
        net_classes={n: c for n, c in board.net_classes.items() if n != name},
        impedances={n: z for n, z in board.impedances.items() if n != name},
        **{t: table.replace(net=moved(table.net)) for t, table in tables.items()},
    )
