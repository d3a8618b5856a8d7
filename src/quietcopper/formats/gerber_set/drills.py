"""All holes of a set: from its drill files, and from Gerber files that are drill layers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Self

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely import STRtree

from quietcopper.board.model import Bools, Floats, Ints, Shapes, Traces
from quietcopper.formats.counts import Counts
from quietcopper.formats.excellon import DrillFile
from quietcopper.formats.gerber.graphics import FLASH, GerberImage
from quietcopper.formats.gerber_set.roles import Role, span_by_name
from quietcopper.formats.ipcd356 import SAME as SAME_RECORD
from quietcopper.formats.ipcd356 import TestPoints

UNKNOWN = -1  # of Holes.plated
GRID = 1e-6  # m; holes nearer than this are the same hole
AT_MIDDLE = 15e-6  # m; a pad whose middle is this near to a hole's is its pad: drill files round to 2.5 µm and more
RIM = 1.02  # a pad with less than this of its hole's area has no copper round it

Indices = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Holes:
    """Holes, one row each. first, last : copper layers from 0; plated : 1, 0 or UNKNOWN; via : its tool says so."""

    x: Floats
    y: Floats
    x1: Floats
    y1: Floats
    drill: Floats
    first: Ints
    last: Ints
    plated: Ints
    via: Bools

    def __len__(self) -> int:
        return len(self.x)

    @property
    def middle(self) -> NDArray[np.float64]:
        """Shape (n, 2)."""
        return np.stack([(self.x + self.x1) / 2, (self.y + self.y1) / 2], axis=-1)

    def take(self, index: NDArray[Any]) -> Self:
        return type(self)(**{f.name: getattr(self, f.name)[index] for f in fields(self)})

    @classmethod
    def join(cls, parts: Sequence[Holes]) -> Holes:
        return cls(**{f.name: np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(cls)})


def no_holes() -> Holes:
    none, whole = np.empty(0), np.empty(0, dtype=np.int32)
    return Holes(none, none, none, none, none, whole, whole, whole, np.empty(0, dtype=np.bool_))


def file_holes(
    drill: DrillFile,
    role: Role,
    name: str,
    layer_names: Mapping[str, int],
    count: int,
    sizes: TestPoints | None,
    counts: Counts,
) -> Holes:
    """The holes of one drill file. layer_names : number from 1 by lower-case name; count : copper layers;
    sizes : records of a netlist, which know holes whose tool has no diameter."""
    hits = drill.hits
    if not len(hits):
        return no_holes()
    tool = hits.tool
    diameter = np.array([t.diameter for t in drill.tools])[tool]
    diameter = _from_netlist(drill, diameter, sizes, counts)
    stated = drill.plated if drill.plated is not None else role.plated
    by_tool = [t.plated if t.plated is not None else stated for t in drill.tools]
    plated = np.array([UNKNOWN if p is None else int(p) for p in by_tool], dtype=np.int32)[tool]
    via = np.array([any("via" in f.lower() for f in t.function) for t in drill.tools], dtype=np.bool_)[tool]
    span = _span(drill.span or role.span or span_by_name(name, layer_names, count), count, name, counts)
    keep = ~np.isnan(diameter) & (diameter > 0)
    # a way of several pieces that nobody plates is the board's edge or an opening, which the profile shows
    ways, size = np.unique(hits.way[hits.way >= 0], return_counts=True)
    contour = np.isin(hits.way, ways[size > 1]) & (plated != 1)
    if contour.any():
        counts.unread(f"routed contours in {name}", 0, "the profile shows the board's edge", len(ways[size > 1]))
    keep &= ~contour
    lost = int((np.isnan(diameter) & ~contour).sum())
    if lost:
        counts.unread(f"holes and slots in {name}", 0, "no file states their diameter", lost)
    holes = Holes(
        hits.x0, hits.y0, hits.x1, hits.y1, diameter,
        np.full(len(hits), span[0] - 1, dtype=np.int32), np.full(len(hits), span[1] - 1, dtype=np.int32), plated, via,
    )  # fmt: skip
    return holes.take(np.flatnonzero(keep))


def _from_netlist(drill: DrillFile, diameter: Floats, sizes: TestPoints | None, counts: Counts) -> Floats:
    open_ = np.flatnonzero(np.isnan(diameter))
    if not len(open_) or sizes is None:
        return diameter
    known = np.flatnonzero(sizes.drill > 0)
    if not len(known):
        return diameter
    h = drill.hits
    middle = np.stack([(h.x0 + h.x1)[open_] / 2, (h.y0 + h.y1)[open_] / 2], axis=-1)
    answer = cKDTree(sizes.places[known]).query(middle, distance_upper_bound=SAME_RECORD)
    distance, at = (np.asarray(column) for column in answer)
    hit = np.isfinite(distance)
    out = diameter.copy()
    out[open_[hit]] = sizes.drill[known[at[hit]]]
    if hit.any():
        why = "their tools have none; as the netlist states it at the same place"
        counts.assume(f"diameters in {drill.path}", int(hit.sum()), "slots", why, int(hit.sum()))
    return out


def _span(stated: tuple[int, int] | None, count: int, name: str, counts: Counts) -> tuple[int, int]:
    if stated is None:
        return 1, count
    if stated[1] > count:
        counts.problem(f"{name} joins layers {stated[0]} to {stated[1]}, and the set has {count}.")
    first, last = max(min(stated[0], count), 1), max(min(stated[1], count), 1)
    return first, last


def image_holes(image: GerberImage, role: Role, count: int, counts: Counts) -> Holes:
    """The holes of a Gerber file that is a drill layer: flashes of round apertures, and strokes with them as slots."""
    o = image.objects
    width = np.array([a.width for a in image.apertures] or [math.nan])[np.maximum(o.aperture, 0)]
    rows = np.flatnonzero((o.kind == FLASH) & (o.aperture >= 0) | image.lines)
    rows = rows[(width[rows] > 0) & o.dark[rows] & (o.turn[rows] == 0)]
    left = len(o) - len(rows)
    if left:
        counts.unread(f"objects of {image.path}", 0, "no round hole and no straight slot", left)
    span = _span(role.span, count, image.path, counts)
    plated = UNKNOWN if role.plated is None else int(role.plated)
    functions = np.array([any("via" in f.lower() for f in fields_) for fields_ in image.functions], dtype=np.bool_)
    size = len(rows)
    return Holes(
        o.x0[rows], o.y0[rows], o.x1[rows], o.y1[rows], width[rows],
        np.full(size, span[0] - 1, dtype=np.int32), np.full(size, span[1] - 1, dtype=np.int32),
        np.full(size, plated, dtype=np.int32), functions[image.function[rows]],
    )  # fmt: skip


def once(holes: Holes, counts: Counts) -> Holes:
    """Each hole once, in the order of place, so that the order of files and rows does not matter."""
    if not len(holes):
        return holes
    grid = np.round(np.stack([holes.x, holes.y, holes.x1, holes.y1, holes.drill], axis=-1) / GRID).astype(np.int64)
    key = np.column_stack([grid, holes.first, holes.last, -holes.plated])
    _, first = np.unique(key, axis=0, return_index=True)
    kept = holes.take(first)
    # the same hole plated and unplated, or of unknown plating, in two files: the one that says more holds
    place = key[first][:, :7]
    again = np.zeros(len(kept), dtype=np.bool_)
    again[1:] = (place[1:] == place[:-1]).all(axis=1)
    if len(holes) > len(kept) - int(again.sum()):
        twice = len(holes) - len(kept) + int(again.sum())
        counts.problem(f"Holes standing in the set twice at the same place, each taken once: {twice}.")
    return kept.take(np.flatnonzero(~again))


def settle_plating(holes: Holes, pads: Shapes, areas: Shapes, traces: Traces, counts: Counts) -> Holes:
    """Holes of which no file says whether they are plated: those with copper round them are. The tables are those of
    all layers."""
    rows = np.flatnonzero(holes.plated == UNKNOWN)
    if not len(rows):
        return holes
    points = shapely.points(holes.middle[rows])
    round_it = np.zeros(len(rows), dtype=np.bool_)  # whether there is copper round it
    size = np.pi / 4 * holes.drill[rows] ** 2 + holes.drill[rows] * np.hypot(
        holes.x1[rows] - holes.x[rows], holes.y1[rows] - holes.y[rows]
    )
    if len(pads):
        hole, pad = STRtree(pads).query(points, predicate="within")
        round_it[hole[shapely.area(pads[pad]) > RIM * size[hole]]] = True
    if len(areas):
        hole, _ = STRtree(areas).query(points[~round_it], predicate="within")
        round_it[np.flatnonzero(~round_it)[hole]] = True
    wide = np.flatnonzero(traces.width > holes.drill[rows].min())
    if len(wide) and not round_it.all():
        lines = traces.take(wide).lines
        hole, line = STRtree(lines).query(points, predicate="dwithin", distance=1e-6)
        round_it[hole[traces.width[wide[line]] > holes.drill[rows[hole]]]] = True
    plated = holes.plated.copy()
    plated[rows] = round_it
    counts.assume(
        "plated holes", f"{int(round_it.sum())} of {len(rows)}", "",
        "no file says which are plated; those with copper round them", len(rows),
    )  # fmt: skip
    return replace(holes, plated=plated)


def pads_of_holes(x: Floats, y: Floats, layer: Ints, shape: Shapes, surface: Bools, holes: Holes) -> NDArray[np.int64]:
    """The hole of each pad, -1 for none: the one at its middle, or one without any pad at its middle that it contains.

    surface : pads that belong to no hole by their function; they are taken last. Shape (pads,).
    """
    out = np.full(len(x), -1)
    if not len(x) or not len(holes):
        return out
    middle = holes.middle
    tree = cKDTree(np.stack([x, y], axis=-1))
    plain = _nearest(tree, middle, layer, surface, holes)
    for pad, hole in plain:
        out[pad] = hole
    # holes that have no pad on a layer yet: a pad whose copper they lie in
    for each in np.unique(layer):
        pads = np.flatnonzero((layer == each) & (out < 0))
        has = np.zeros(len(holes), dtype=np.bool_)
        has[out[(layer == each) & (out >= 0)]] = True
        bare = np.flatnonzero(~has & (holes.first <= each) & (holes.last >= each) & (holes.plated == 1))
        if not len(pads) or not len(bare):
            continue
        hole, pad = STRtree(shape[pads]).query(shapely.points(middle[bare]), predicate="within")
        order = np.lexsort((np.hypot(x[pads[pad]] - middle[bare[hole], 0], y[pads[pad]] - middle[bare[hole], 1]), pad))
        pad, hole = pad[order], hole[order]
        first = np.unique(pad, return_index=True)[1]
        # a surface pad with a via inside keeps to itself
        own = ~surface[pads[pad[first]]]
        out[pads[pad[first][own]]] = bare[hole[first][own]]
    return out


def _nearest(
    tree: cKDTree, middle: NDArray[np.float64], layer: Ints, surface: Bools, holes: Holes
) -> list[tuple[int, int]]:
    """Pairs (pad, hole) at one place; where a layer has several pads there, surface pads only if nothing else is."""
    pairs: list[tuple[int, int]] = []
    balls: Any = tree.query_ball_point(middle, AT_MIDDLE, return_sorted=True)
    for hole, found in enumerate(balls):
        here = [p for p in found if holes.first[hole] <= layer[p] <= holes.last[hole]]
        solid = {int(layer[p]) for p in here if not surface[p]}
        pairs += [(p, hole) for p in here if not surface[p] or int(layer[p]) not in solid]
    return pairs
