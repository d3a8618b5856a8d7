"""Areas: mended, cut by what is drawn clear, and planes drawn as their negative."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry

from quietcopper.formats.ipc2581.columns import NO_ROW, StepData
from quietcopper.formats.ipc2581.counts import Counts
from quietcopper.formats.ipc2581.holes import Holes, Rows

PLANE = -2  # net of a negative plane's copper until its holes say which


@dataclass(frozen=True)
class Areas(Rows):
    """The columns of board.Areas, with the row that the file gives."""

    net: NDArray[np.int64]
    layer: NDArray[np.int64]
    shape: NDArray[np.object_]
    row: NDArray[np.int64]


def _no_areas() -> Areas:
    none = np.empty(0, dtype=np.int64)
    return Areas(none, none, np.empty(0, dtype=object), none)


def polygons_of(shapes: NDArray[np.object_]) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """The polygons inside geometries of any kind, and which one each came from."""
    parts, index = shapely.get_parts(shapes, return_index=True)
    while (shapely.get_type_id(parts) > 3).any():  # collections hold multi-polygons
        parts, inner = shapely.get_parts(parts, return_index=True)
        index = index[inner]
    keep = (shapely.get_type_id(parts) == 3) & (shapely.area(parts) > 0)
    return parts[keep], index[keep]


def mended(
    shapes: NDArray[np.object_], lines: NDArray[np.int64], counts: Counts
) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Valid polygons, one connected piece each, and which shape each came from; what was mended is a problem."""
    shapes = shapes.copy()
    bad = np.flatnonzero(~shapely.is_valid(shapes))
    if len(bad):
        shapes[bad] = shapely.make_valid(shapes[bad])
        first = int(lines[bad[0]])
        counts.problem(f"Contours that cross or touch themselves, mended: {len(bad)} (the first at line {first}).")
    parts, index = polygons_of(shapes)
    lost = np.setdiff1d(np.arange(len(shapes)), index)
    if len(lost):
        counts.unread("Contour without area", int(lines[lost[0]]), "", len(lost))
    return parts, index


def read_areas(
    step: StepData, layer_of: NDArray[np.int64], negative: list[int], outline: Geometry, counts: Counts
) -> Areas:
    """All areas of a step. negative : copper layers that are drawn as their negative, outline minus drawing."""
    a = step.areas
    shapes, index = mended(a.polygons(), a.ints_of("line"), counts)
    layer = layer_of[a.ints_of("layer")[index]] if len(a) else np.empty(0, dtype=np.int64)
    clear = a.ints_of("clear")[index].astype(bool) if len(a) else np.empty(0, dtype=np.bool_)
    row = a.ints_of("row")[index] if len(a) else np.empty(0, dtype=np.int64)
    areas = Areas(a.ints_of("net")[index] if len(a) else np.empty(0, dtype=np.int64), layer, shapes, row)
    cut_layers = sorted({*negative, *layer[clear].tolist()} - {-1})
    if not cut_layers:
        return areas
    whole = areas.take(np.flatnonzero(~np.isin(layer, cut_layers)))
    for cut_layer in cut_layers:
        rows = np.flatnonzero(layer == cut_layer)
        base = _plane(outline, cut_layer) if cut_layer in negative else _no_areas()
        whole = whole.join(_cut_in_order(base, areas.take(rows), clear[rows]))
    return whole


def _plane(outline: Geometry, layer: int) -> Areas:
    pieces, _ = polygons_of(np.array([outline], dtype=object))
    count = len(pieces)
    return Areas(np.full(count, PLANE), np.full(count, layer), pieces, np.full(count, NO_ROW))


def _cut_in_order(base: Areas, drawn: Areas, clear: NDArray[np.bool_]) -> Areas:
    """One layer's copper when each clear shape removes what was drawn before it."""
    done = base
    starts = np.flatnonzero(np.diff(clear.astype(int), prepend=2))  # runs of equal polarity
    for run in np.split(np.arange(len(drawn)), starts[1:]) if len(drawn) else ():
        if not clear[run[0]]:
            done = done.join(drawn.take(run))
            continue
        knife = shapely.union_all(drawn.shape[run])
        hit = np.flatnonzero(shapely.intersects(done.shape, knife))
        if not len(hit):
            continue
        left, index = polygons_of(shapely.difference(done.shape[hit], knife))
        kept = done.take(np.setdiff1d(np.arange(len(done)), hit))
        done = kept.join(replace(done.take(hit[index]), shape=left))
    return done


def plane_nets(areas: Areas, holes: Holes, names: list[str], layers: list[str], counts: Counts) -> Areas:
    """Gives negative planes the net of the holes that touch their copper; the file cannot state it."""
    net = areas.net.copy()
    found: dict[tuple[int, int], list[int]] = {}
    for i in np.flatnonzero(net == PLANE):
        near = (holes.first <= areas.layer[i]) & (holes.last >= areas.layer[i]) & (holes.net > 0) & holes.plated
        rows = np.flatnonzero(near)
        shapely.prepare(areas.shape[i])
        touching = holes.net[rows[shapely.contains_xy(areas.shape[i], holes.x[rows], holes.y[rows])]]
        nets, counted = np.unique(touching, return_counts=True)
        net[i] = nets[np.argmax(counted)] if len(nets) else 0
        votes = found.setdefault((int(areas.layer[i]), int(net[i])), [0, 0, 0])
        votes[0] += int(counted.max()) if len(nets) else 0
        votes[1] += len(touching)
        votes[2] += 1
    for (layer, number), (agreed, all_, pieces) in found.items():
        why = f"drawn as a negative without a net; {agreed} of {all_} plated holes in its copper have this net"
        counts.assume(f"net of the plane on layer {layers[layer]}", names[number] or "no net", "", why, pieces)
    return replace(areas, net=net)
