"""Parts and pins: from pin attributes on pads (TO.P), from a netlist's records, and from component layers.

Source of the component attributes: Gerber Layer Format Specification 2024.05, section 5.6.15 on component layers; the
rotation counts counter-clockwise as seen from the top, on the bottom side too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely import STRtree

from quietcopper.board import Parts, Pins
from quietcopper.board.model import Bools, Floats, Ints, Shapes
from quietcopper.board.naming import natural
from quietcopper.formats.counts import Counts
from quietcopper.formats.gerber.graphics import FLASH, GerberImage
from quietcopper.formats.gerber_set.drills import Holes
from quietcopper.formats.ipcd356 import SAME, TestPoints

PinKey = tuple[str, str]  # part, pin


@dataclass(frozen=True, eq=False)
class PadRows:
    """Pads of all layers. net : index of the set's nets; key : index of pin keys, -1 for none; hole : row of its hole,
    -1 for none; surface : belongs to no hole by its function."""

    net: Ints
    layer: Ints
    x: Floats
    y: Floats
    shape: Shapes
    key: Ints
    surface: Bools
    hole: Ints

    def __len__(self) -> int:
        return len(self.x)


@dataclass(frozen=True)
class Placed:
    """A part as a component layer states it. rotation in rad; None where not stated."""

    x: float
    y: float
    side: int
    rotation: float | None = None
    value: str = ""
    package: str = ""


def netlist_places(points: TestPoints, pads: PadRows, holes: Holes, count: int) -> tuple[Ints, Ints]:
    """The pad and the hole that each record is about, -1 for none, shape (records,) each. points : shifted already."""
    pad, hole = np.full(len(points), -1, dtype=np.int32), np.full(len(points), -1, dtype=np.int32)
    places = points.places
    drilled = np.flatnonzero(np.isfinite(points.drill))
    if len(holes) and len(drilled):
        answer = cKDTree(holes.middle).query(places[drilled], distance_upper_bound=SAME)
        distance, at = (np.asarray(column) for column in answer)
        hit = np.isfinite(distance)
        hole[drilled[hit]] = at[hit]
    layer_of = np.clip(points.access - 1, 0, count - 1)
    rest = np.flatnonzero(hole < 0)
    for layer in np.unique(layer_of[rest]) if len(pads) else ():
        here = np.flatnonzero(pads.layer == layer)
        rows = rest[layer_of[rest] == layer]
        if not len(here) or not len(rows):
            continue
        record, found = STRtree(pads.shape[here]).query(
            shapely.points(places[rows]), predicate="dwithin", distance=SAME
        )
        middle = np.hypot(pads.x[here[found]] - places[rows[record], 0], pads.y[here[found]] - places[rows[record], 1])
        order = np.lexsort((here[found], middle, record))
        record, first = np.unique(record[order], return_index=True)
        pad[rows[record]] = here[found[order][first]]
    return pad, hole


def pins_from_netlist(points: TestPoints, pad: Ints, hole: Ints, pads: PadRows, keys: dict[PinKey, int]) -> Ints:
    """Pin key of every pad, with what the records add; keys grows. Pads that have a key keep it."""
    out = pads.key.copy()
    of_hole: dict[int, list[int]] = {}
    for row, h in enumerate(pads.hole.tolist()):
        if h >= 0:
            of_hole.setdefault(h, []).append(row)
    for record in np.flatnonzero(points.ref != "").tolist():
        ref, pin = str(points.ref[record]), str(points.pin[record])
        if not pin or ref.upper() in ("NA", "N/A"):
            continue
        rows = [int(pad[record])] if pad[record] >= 0 else of_hole.get(int(hole[record]), [])
        rows = [row for row in rows if out[row] < 0]
        if rows:
            out[rows] = keys.setdefault((ref, pin), len(keys))
    return out


def component_layers(images: Sequence[tuple[GerberImage, int]], counts: Counts) -> dict[str, Placed]:
    """Parts by their reference. images : component layer files with their side, 0 top or 1 bottom."""
    out: dict[str, Placed] = {}
    for image, side in images:
        o = image.objects
        rows = np.flatnonzero((o.kind == FLASH) & (image.component > 0))
        order = rows[np.argsort(image.pin[rows] > 0, kind="stable")]  # a part's own flash before those of its pins
        for row in order.tolist():
            ref = image.components[image.component[row]]
            if ref in out:
                continue
            said = image.attribute_sets[o.attributes[row]].on_object
            turn = _number((said.get(".CRot") or ("",))[0])
            rotation = None if turn is None else math.radians(turn)
            value, package = ((said.get(name) or ("",))[0] for name in (".CVal", ".CPkg"))
            package = package or (said.get(".CFtp") or ("",))[0]
            out[ref] = Placed(float(o.x0[row]), float(o.y0[row]), side, rotation, value, package)
        other = len(o) - len(rows)
        if other:
            counts.unread(f"outlines in {image.path}", 0, "what a part covers is not reviewed", other)
    return out


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if abs(value) <= 1e6 else None


def parts_and_pins(
    pads: PadRows, keys: dict[PinKey, int], placed: dict[str, Placed], count: int, counts: Counts
) -> tuple[Parts, Pins, Ints]:
    """Parts, pins and the pin of every pad (-1 for none).

    Pads of one pin name are one pin where they hang together: by a hole, or by touching on a layer. A part that no
    component layer places lies at the mean of its pins, on the side of its surface pads.
    """
    names = list(keys)
    found = {names[key][0] for key in pads.key.tolist() if key >= 0}
    for ref in sorted({ref for ref, _ in names} - found - set(placed), key=natural):
        counts.unread(f"part {ref}", 0, "it is named, but no pad of it is left and no component layer places it")
    refs = sorted(found | set(placed), key=natural)
    part_of = {ref: i for i, ref in enumerate(refs)}
    pin_of_pad = np.full(len(pads), -1, dtype=np.int32)
    rows_of: dict[int, list[int]] = {}
    for row, key in enumerate(pads.key.tolist()):
        if key >= 0:
            rows_of.setdefault(key, []).append(row)
    rows: list[tuple[int, str, int, float, float, int]] = []
    area = shapely.area(pads.shape)
    for key in sorted(rows_of, key=lambda k: (part_of[names[k][0]], natural(names[k][1]))):
        groups = _together(rows_of[key], pads)
        groups.sort(key=lambda g: min((round(pads.x[r], 7), round(pads.y[r], 7), int(pads.layer[r])) for r in g))
        for group in groups:
            best = max(group, key=lambda r: (round(float(area[r]) * 1e15), -int(pads.layer[r]), -r))
            layer = -1 if pads.hole[best] >= 0 else int(pads.layer[best])
            pin_of_pad[group] = len(rows)
            rows.append((part_of[names[key][0]], names[key][1], 0, float(pads.x[best]), float(pads.y[best]), layer))
    pins = Pins.from_rows(rows)
    return _parts(refs, pins, placed, count, counts), pins, pin_of_pad


def _together(rows: list[int], pads: PadRows) -> list[list[int]]:
    """Pads of one pin name in groups that share a hole or touch."""
    if len(rows) == 1:
        return [rows]
    index = np.array(rows)
    hole, layer, shape = pads.hole[index], pads.layer[index], pads.shape[index]
    if hole[0] >= 0 and (hole == hole[0]).all():
        return [rows]
    one, two = STRtree(shape).query(shape, predicate="intersects")
    same = layer[one] == layer[two]
    drilled = np.flatnonzero(hole >= 0)
    _, first, which = np.unique(hole[drilled], return_index=True, return_inverse=True)
    one = np.concatenate([one[same], drilled])
    two = np.concatenate([two[same], drilled[first][which.ravel()]])
    graph = coo_array((np.ones(len(one), dtype=np.int8), (one, two)), shape=(len(rows), len(rows)))
    count, label = connected_components(graph, directed=False)
    return [index[label == group].tolist() for group in range(count)]


def _parts(refs: list[str], pins: Pins, placed: dict[str, Placed], count: int, counts: Counts) -> Parts:
    out: list[tuple[str, str, str, int, float, float, float]] = []
    unplaced = 0
    for i, ref in enumerate(refs):
        at = placed.get(ref)
        own = np.flatnonzero(pins.part == i)
        layers = pins.layer[own]
        if at is None:
            unplaced += 1
            bottom = int((layers == count - 1).sum()) > int((layers == 0).sum()) if count > 1 else False
            at = Placed(float(pins.x[own].mean()), float(pins.y[own].mean()), int(bottom))
        out.append((ref, at.value, at.package, at.side, at.x, at.y, at.rotation or 0.0))
    if unplaced:
        why = "no component layer states them; rotation is not known"
        counts.assume("places of parts", "mean of their pins", "", why, unplaced)
    return Parts.from_rows(out)
