"""Which pad belongs to which pin, where pins are, what nets they have, and pads that only the package states."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.board.geometry import within
from quietcopper.formats.ipc2581.columns import NO_ROW, StepData
from quietcopper.formats.ipc2581.dictionaries import REFERENCES
from quietcopper.formats.ipc2581.holes import SAME_PLACE, HoleRow, Holes, PadRow, Pads, new_holes, new_pads
from quietcopper.formats.ipc2581.padstacks import StackHole, stack_hole, stack_pad
from quietcopper.formats.ipc2581.parts import ON_PAD, PackagePin, PartRows
from quietcopper.formats.ipc2581.placing import placement, shifted
from quietcopper.formats.ipc2581.reader import Reader
from quietcopper.formats.ipc2581.shapes import NoShape

WRITTEN_BY_US = 1e-12  # m; how near to its pad a pin of our own file comes out of its package


@dataclass(frozen=True)
class PinTable:
    """The columns of board.Pins."""

    part: NDArray[np.int64]
    name: list[str]
    net: NDArray[np.int64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    layer: NDArray[np.int64]


def pin_nets(reader: Reader, step: StepData) -> dict[tuple[str, str], int]:
    """Net number by (part, pin) as the logical nets state it; a second statement is a problem."""
    out: dict[tuple[str, str], int] = {}
    twice = 0
    for node, owner in reader.nets:
        if owner is not None and owner is not step:
            continue
        net = reader.features.net(node.attrib["name"])
        for child in node.children:
            if child.tag == "PinRef":
                key = (child.attrib.get("componentRef", ""), child.attrib.get("pin", ""))
                twice += out.setdefault(key, net) != net
            elif child.tag == "SpecRef":
                step.spec_nets.append((child.attrib.get("id", ""), net))
            elif child.tag != "NonstandardAttribute":
                reader.counts.unread(f"{child.tag} in LogicalNet", child.line)
    if twice:
        reader.counts.problem(f"Pins listed in two nets, where the first one holds: {twice}.")
    return out


def link_pins(
    reader: Reader, step: StepData, parts: PartRows, pads: Pads, nets: dict[tuple[str, str], int]
) -> tuple[PinTable, Pads]:
    """Pins with net, place and layer; pads with the row of their pin.

    pads.pin holds the reader's numbers of (part, pin) on entry, rows of the pin table on return.
    """
    rows_of: dict[tuple[str, str], list[int]] = {}
    for row, (part, name) in enumerate(zip(parts.pin_part, parts.pin_name, strict=True)):
        rows_of.setdefault((parts.ref[part], name), []).append(row)
    keys, named = list(step.pins), pads.pin
    _pins_from_pads(reader, keys, pads, parts, rows_of)
    x, y = np.array(parts.pin_x, dtype=float), np.array(parts.pin_y, dtype=float)
    linked = np.full(len(pads), -1, dtype=np.int64)
    for k in np.flatnonzero(named >= 0):
        rows = rows_of.get(keys[named[k]], [])
        if len(rows) > 1:
            rows = [min(rows, key=lambda row: float(np.hypot(x[row] - pads.x[k], y[row] - pads.y[k])))]
        linked[k] = rows[0] if rows else -1
    if not step.links_given:
        linked = _pads_under_pins(parts, pads, linked, x, y, nets)
    pads = replace(pads, pin=linked)
    x, y = _on_their_pads(reader, step, pads, x, y, parts)
    net = np.array([nets.get((parts.ref[p], n), -1) for p, n in zip(parts.pin_part, parts.pin_name, strict=True)])
    if not step.links_given:
        net = _nets_of_pads(reader, pads, net.astype(np.int64))
    table = PinTable(
        np.array(parts.pin_part, dtype=np.int64),
        parts.pin_name,
        np.maximum(net, 0).astype(np.int64),
        x,
        y,
        _layers(step, parts, pads),
    )
    return table, pads


def _pins_from_pads(
    reader: Reader, keys: list[tuple[str, str]], pads: Pads, parts: PartRows, rows_of: dict[tuple[str, str], list[int]]
) -> None:
    """Adds pins that pads name and no package has, for parts that exist."""
    part_of: dict[str, int] = {}
    for i, ref in enumerate(parts.ref):
        part_of.setdefault(ref, i)
    added = lost = 0
    for k in np.flatnonzero(pads.pin >= 0):
        key = keys[pads.pin[k]]
        if key in rows_of:
            continue
        if key[0] not in part_of:
            lost += 1
            continue
        rows_of[key] = [len(parts.pin_name)]
        parts.pin_part.append(part_of[key[0]])
        parts.pin_name.append(key[1])
        parts.pin_x.append(float(pads.x[k]))
        parts.pin_y.append(float(pads.y[k]))
        parts.pin_layer.append(int(pads.layer[k]))
        parts.place_given.append(False)
        parts.pin_source.append(PackagePin(key[1], 0.0, 0.0, False, None, None, ""))
        parts.pin_row.append(NO_ROW)
        added += 1
    if added:
        reader.counts.problem(f"Pins standing on pads but in no package, placed on their pads: {added}.")
    if lost:
        reader.counts.unread("PinRef to a part that is not in the file", 0, "its pad has no pin", lost)


def _pads_under_pins(
    parts: PartRows,
    pads: Pads,
    linked: NDArray[np.int64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    nets: dict[tuple[str, str], int],
) -> NDArray[np.int64]:
    """Links pads that name no pin to a pin without pad that stands on them, unless their nets differ."""
    pins = np.setdiff1d(np.arange(len(x)), linked)
    free = np.flatnonzero(linked < 0)
    if not len(pins) or not len(free):
        return linked
    places = np.stack([x[pins], y[pins]], axis=-1)
    row, near = within(places, np.stack([pads.x[free], pads.y[free]], axis=-1), ON_PAD)
    keys = [(parts.ref[parts.pin_part[p]], parts.pin_name[p]) for p in pins]
    stated = np.array([nets.get(key, 0) for key in keys])
    layer = np.array(parts.pin_layer, dtype=np.int64)[pins]
    out = linked.copy()
    pad = free[near]
    same_layer = (layer[row] == -1) | (layer[row] == pads.layer[pad])
    same_net = (stated[row] == 0) | (pads.net[pad] == 0) | (stated[row] == pads.net[pad])
    out[pad[same_layer & same_net]] = pins[row[same_layer & same_net]]  # nearest last, so that it wins
    return out


def _on_their_pads(
    reader: Reader, step: StepData, pads: Pads, x: NDArray[np.float64], y: NDArray[np.float64], parts: PartRows
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Pins moved to the middle of their pad: by rounding where the package agrees, else the copper holds."""
    rows = np.flatnonzero(pads.pin >= 0)
    if not len(rows):
        return x, y
    pin = pads.pin[rows]
    distance = np.hypot(pads.x[rows] - x[pin], pads.y[rows] - y[pin])
    order = np.lexsort((distance, pin))
    first = order[np.concatenate([[True], np.diff(pin[order]) > 0])]  # nearest pad of each pin
    rows, pin, distance = rows[first], pin[first], distance[first]
    near = distance < (WRITTEN_BY_US if step.links_given else SAME_PLACE)
    inside = shapely.intersects(pads.shape[rows], shapely.points(x[pin], y[pin])) | (distance < ON_PAD)
    x, y = x.copy(), y.copy()
    stated = np.array(parts.place_given, dtype=np.bool_)[pin]
    move = near & ~stated if step.links_given else near | ~inside
    x[pin[move]], y[pin[move]] = pads.x[rows[move]], pads.y[rows[move]]
    off = int((~inside).sum())
    if off and not step.links_given:
        worst = pin[np.argmax(distance)]
        name = f"{parts.ref[parts.pin_part[worst]]}.{parts.pin_name[worst]}"
        reader.counts.problem(
            f"Pins that do not land on a pad of theirs by package, place and turn of their part, moved onto it: {off} "
            f"of {len(pin)} ({100 * off / len(pin):.0f} %); the farthest, {name}, by {distance.max() * 1e3:.2f} mm."
        )
    return x, y


def _nets_of_pads(reader: Reader, pads: Pads, net: NDArray[np.int64]) -> NDArray[np.int64]:
    """Net of each pin: the logical net's, else its pad's."""
    rows = np.flatnonzero(pads.pin >= 0)
    by_pad = np.zeros(len(net), dtype=np.int64)
    known = rows[pads.net[rows] > 0]
    by_pad[pads.pin[known][::-1]] = pads.net[known][::-1]
    differ = int(((net > 0) & (by_pad > 0) & (net != by_pad)).sum())
    if differ:
        reader.counts.problem(f"Pins with another net than their pad, where the logical net holds: {differ}.")
    return np.where(net < 0, by_pad, net)


def _layers(step: StepData, parts: PartRows, pads: Pads) -> NDArray[np.int64]:
    """The layer of each pin: that of its pads when they share one, -1 for pads on several, else the package's word."""
    layer = np.array(parts.pin_layer, dtype=np.int64)
    rows = np.flatnonzero(pads.pin >= 0)
    if step.links_given or not len(rows):
        return layer
    low, high = np.full(len(layer), np.iinfo(np.int64).max), np.full(len(layer), -1)
    np.minimum.at(low, pads.pin[rows], pads.layer[rows])
    np.maximum.at(high, pads.pin[rows], pads.layer[rows])
    return np.where(high < 0, layer, np.where(low == high, high, -1))


# ---- pads and holes that only definitions state -------------------------------------------------


def pads_from_packages(
    reader: Reader, step: StepData, parts: PartRows, pins: PinTable, pads: Pads, holes: Holes, layer_count: int
) -> tuple[Pads, Holes]:
    """Adds the pads (and holes) of parts none of whose pins has a pad on the layers, from their package."""
    padded = np.zeros(len(parts.ref), dtype=np.bool_)
    padded[pins.part[pads.pin[pads.pin >= 0]]] = True
    new: list[PadRow] = []
    drilled: list[HoleRow] = []
    bare: set[int] = set()
    for row, source in enumerate(parts.pin_source):
        part = parts.pin_part[row]
        if padded[part] or (source.shape is None and not source.stack):
            continue
        bare.add(part)
        shape, hole = _package_pad(reader, step, source)
        net, x, y, via = int(pins.net[row]), float(pins.x[row]), float(pins.y[row]), -1
        if hole is not None:
            via = len(holes) + len(drilled)
            drilled.append((x, y, hole.diameter, hole.plated, net, row))
            pins.layer[row] = -1
        if shape is not None:
            layer = int(pins.layer[row])
            placed = parts.places[part].shape(shape)
            new += [(net, k, x, y, placed, via, row) for k in (range(layer_count) if layer < 0 else (layer,))]
    if not new and not drilled:
        return pads, holes
    reader.counts.problem(
        f"Parts whose pins have no pads on any layer: {len(bare)}; taken from their packages: {len(new)} pads and "
        f"{len(drilled)} holes."
    )
    pads = pads.join(new_pads(new))
    return pads, holes.join(new_holes(drilled, layer_count - 1))


def _package_pad(
    reader: Reader, step: StepData, source: PackagePin
) -> tuple[shapely.Geometry | None, StackHole | None]:
    """The copper of a package's pin round the package's origin, and its hole; None where there is none."""
    assert reader.cad_unit is not None
    unit, dictionaries = reader.cad_unit, reader.dictionaries
    try:
        if source.shape is not None and source.shape.tag in REFERENCES:
            shape = dictionaries.referred(source.shape)
        elif source.shape is not None:
            shape = dictionaries.shape(source.shape, unit)
        else:
            shape = stack_pad(step.stacks, dictionaries, unit, source.stack, "")
        place = placement(source.xform, None, unit)
        shape = place.shape(shape) if place else shape
        shape = shifted(shape, source.x, source.y)
        hole = stack_hole(step.stacks, dictionaries, unit, source.stack) if source.stack else None
    except NoShape as error:
        reader.counts.unread(f"pin of a package: {error}", 0, "its pad is missing")
        return None, None
    if hole is not None and not hole.plated:
        return None, hole  # a bare hole: what surrounds it is no copper pad
    return shape, hole


def holes_from_stacks(
    reader: Reader, step: StepData, pads: Pads, holes: Holes, layers: tuple[str, ...]
) -> tuple[Pads, Holes]:
    """Adds holes that only a pad's stack states, and that stack's pads on layers where none is drawn."""
    assert reader.cad_unit is not None
    unit, dictionaries, names = reader.cad_unit, reader.dictionaries, reader.features.stacks.list()
    via = pads.via.copy()
    made: dict[tuple[int, int], int] = {}
    drilled: list[HoleRow] = []
    example: list[int] = []  # a pad of each new hole
    for k in np.flatnonzero((pads.stack >= 0) & (pads.via < 0)):
        hole = stack_hole(step.stacks, dictionaries, unit, names[pads.stack[k]])
        if hole is None:
            continue
        place = (round(pads.x[k] / SAME_PLACE), round(pads.y[k] / SAME_PLACE))
        if place not in made:
            made[place] = len(holes) + len(drilled)
            x, y, net = float(pads.x[k]), float(pads.y[k]), int(pads.net[k])
            drilled.append((x, y, hole.diameter, hole.plated, net, -1))
            example.append(int(k))
        via[k] = made[place]
    if not drilled:
        return pads, holes
    reader.counts.problem(
        f"Holes that stand in no drill layer, taken from the padstacks of pads, through all layers: {len(drilled)}."
    )
    drawn = {(int(v), int(layer)) for v, layer in zip(via, pads.layer, strict=True) if v >= 0}
    new: list[PadRow] = []
    for i, of_pad in enumerate(example):
        for layer, layer_name in enumerate(layers):
            if (len(holes) + i, layer) in drawn:
                continue
            try:
                shape = stack_pad(step.stacks, dictionaries, unit, names[pads.stack[of_pad]], layer_name)
            except NoShape:
                continue  # this stack has no pad on this layer
            x, y = float(pads.x[of_pad]), float(pads.y[of_pad])
            placed = shifted(shape, x, y)
            new.append((int(pads.net[of_pad]), layer, x, y, placed, len(holes) + i, -1))
    pads = replace(pads, via=via)
    pads = pads.join(new_pads(new))
    return pads, holes.join(new_holes(drilled, len(layers) - 1))
