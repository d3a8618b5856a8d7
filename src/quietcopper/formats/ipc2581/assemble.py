"""From what was collected to a Board: which step, which rows, which numbers."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from quietcopper import board as model
from quietcopper.board.model import Table
from quietcopper.errors import ReadError
from quietcopper.formats.ipc2581.columns import NO_ROW, StepData
from quietcopper.formats.ipc2581.contradictions import off_their_copper, on_the_board
from quietcopper.formats.ipc2581.copper import plane_nets, polygons_of, read_areas
from quietcopper.formats.ipc2581.holes import Holes, Pads, hole_nets, link_pads, read_holes
from quietcopper.formats.ipc2581.parts import PartRows, read_parts
from quietcopper.formats.ipc2581.pins import PinTable, holes_from_stacks, link_pins, pads_from_packages, pin_nets
from quietcopper.formats.ipc2581.reader import Reader
from quietcopper.formats.ipc2581.specs import impedance_target
from quietcopper.formats.ipc2581.stackup import Stackup, read_stackup

AnyTable = TypeVar("AnyTable", bound=Table)
MANY_COPIES = 10_000  # a panel with more boards than this is a slip of the file, worth a sentence


def assemble(reader: Reader) -> model.Board:
    """The board of one step of the file. Raises ReadError for a file without a layout."""
    step = _board_step(reader)
    stackup = read_stackup(reader, step)
    layer_of = _layer_numbers(reader, stackup)
    count = len(stackup.layers)
    negative = [i for i, name in enumerate(stackup.names) if reader.layers[name].negative]
    outline = _outline(reader, step)
    nets_of_pins = pin_nets(reader, step)

    pads = _pads(reader, step, layer_of)
    holes = read_holes(reader, step, layer_of, count)
    if step.links_given:
        pads = replace(pads, via=_stated_holes(pads, holes))
    else:
        pads = link_pads(pads, holes)
        pads, holes = holes_from_stacks(reader, step, pads, holes, stackup.names)
    parts = read_parts(reader, step, {name: i for i, name in enumerate(stackup.names)}, count)
    pins, pads = link_pins(reader, step, parts, pads, nets_of_pins)
    drawn = len(pads)
    if not step.links_given:
        pads, holes = pads_from_packages(reader, step, parts, pins, pads, holes, count)
    if step.links_given:
        holes = replace(holes, net=np.maximum(holes.net, 0))
    else:
        holes = hole_nets(holes, pads, step.net_points, reader)
    holes = replace(holes, pin=_hole_pins(step, holes, pads, len(pins.part)))
    names = reader.features.nets.list()
    areas = read_areas(step, layer_of, negative, outline, reader.counts)
    areas = plane_nets(areas, holes, names, list(stackup.names), reader.counts)
    traces = _traces(step, layer_of)
    trace_row = step.traces.ints_of("row")
    off_their_copper(reader.counts, parts, pads, drawn, traces, areas)
    traces, trace_row, areas, pads = on_the_board(reader.counts, outline, traces, trace_row, areas, pads)

    traces = traces.take(_order(trace_row))
    areas = areas.take(_order(areas.row))
    pads, holes, pins = _in_order(parts, pads, holes, pins, step.links_given)
    used: list[NDArray[Any]] = [traces.net, areas.net, pads.net, holes.net, pins.net]
    nets, net_of = _nets(reader, step, names, used)
    return model.Board(
        name=step.name,
        source=reader.label,
        layers=stackup.layers,
        dielectrics=stackup.dielectrics,
        nets=nets,
        outline=outline,
        traces=traces.replace(net=net_of[traces.net]),
        vias=_vias(holes, net_of),
        pads=_table(model.Pads, net_of[pads.net], pads.layer, pads.x, pads.y, pads.shape, pads.via, pads.pin),
        areas=_table(model.Areas, net_of[areas.net], areas.layer, areas.shape),
        parts=_table(model.Parts, parts.ref, parts.value, parts.package, parts.side, parts.x, parts.y, parts.rotation),
        pins=_table(model.Pins, pins.part, pins.name, net_of[pins.net], pins.x, pins.y, pins.layer),
        mask_top=stackup.mask_top,
        mask_bottom=stackup.mask_bottom,
        net_classes=_net_classes(reader, step),
        impedances=_impedances(reader, step, names),
        assumptions=tuple(reader.counts.assumptions),
        unread=reader.counts.rows(),
        problems=reader.counts.problems,
    )


def _board_step(reader: Reader) -> StepData:
    """The step to review: one board, not the panel it is repeated on; the one with the most copper."""
    if not reader.steps:
        found = (
            f"a file for {reader.mode.lower()} purposes without a layout" if reader.mode else "a file without a layout"
        )
        raise ReadError(
            reader.label,
            found=found,
            expected="a <Step> in <CadData>",
            remedy="export the layout, not only the parts list",
        )
    parts = [sum(bool(node.attrib.get("refDes")) for node in step.components) for step in reader.steps]
    best = max(
        range(len(reader.steps)), key=lambda i: (not reader.steps[i].repeats, reader.steps[i].weight, parts[i], -i)
    )
    if reader.steps[best].weight == 0:  # only a step that repeats others has copper of its own
        best = max(range(len(reader.steps)), key=lambda i: (reader.steps[i].weight, parts[i], -i))
    chosen = reader.steps[best]
    if chosen.weight == 0 and not len(chosen.holes) and not chosen.components:
        only_parts = "a file for parts lists only, without a layout"
        found = only_parts if reader.mode == "BOM" else _nothing_found(reader)
        raise ReadError(
            reader.label,
            chosen.line,
            found=found,
            expected="a <Step> with features",
            remedy="export the layout as well",
        )
    for step in reader.steps:
        for repeat in step.repeats:
            reader.counts.unread(
                f"copies of {repeat.step} on panel {step.name}", repeat.line, "one board is reviewed", repeat.copies
            )
            if repeat.copies > MANY_COPIES:
                reader.counts.problem(
                    f"{step.name} repeats {repeat.step} {repeat.copies:,} times; one board of it is reviewed."
                )
        if step is not chosen and not step.repeats and step.weight:
            reader.counts.unread(f"step {step.name}", step.line, f"{chosen.name} is reviewed", step.weight)
    return chosen


def _nothing_found(reader: Reader) -> str:
    """Words for a layout without copper, with what was not read of it."""
    lost = ", ".join(f"{u.what} ({u.count})" for u in reader.counts.rows()[:4])
    return f"a layout without any copper{f', and not read: {lost}' if lost else ''}"


def _layer_numbers(reader: Reader, stackup: Stackup) -> NDArray[np.int64]:
    """Copper layer index by the reader's number of a layer name, -1 for others."""
    index = {name: i for i, name in enumerate(stackup.names)}
    _tell_missing_layers(reader, stackup)
    return np.array([index.get(name, -1) for name in reader.features.layers.list()], dtype=np.int64)


def _tell_missing_layers(reader: Reader, stackup: Stackup) -> None:
    """A drill layer called 1-18 on a board of two layers: the others are not in the file."""
    purpose = f": it was written for {reader.mode.lower()}" if reader.mode else ""
    for info in reader.layers.values():
        match = re.search(r"(\d+)\s*[-_]\s*(\d+)\s*$", info.name) if info.kind == "holes" else None
        if match and 64 >= int(match[2]) > len(stackup.layers):
            reader.counts.problem(
                f"Drill layer {info.name} goes through {match[2]} layers, and the file has {len(stackup.layers)} of "
                f"them{purpose}. References on the missing layers cannot be seen."
            )


def _outline(reader: Reader, step: StepData) -> Polygon | MultiPolygon:
    if len(step.outlines) == 1:
        return step.outlines[0]
    if step.outlines:
        pieces, _ = polygons_of(np.array(step.outlines, dtype=object))
        together = MultiPolygon(list(pieces))
        return together if together.is_valid else shapely.union_all(pieces)
    t = step.traces
    ends = [np.array([*t.x0, *t.x1]), np.array([*t.y0, *t.y1])]
    coords = step.areas.floats_of("coords").reshape(-1, 2)
    x = np.concatenate([ends[0], coords[:, 0], step.pads.floats_of("x"), step.holes.floats_of("x")])
    y = np.concatenate([ends[1], coords[:, 1], step.pads.floats_of("y"), step.holes.floats_of("y")])
    if not len(x):
        return Polygon()
    reader.counts.assume(
        "board outline",
        f"{np.ptp(x) * 1e3:.1f} x {np.ptp(y) * 1e3:.1f}",
        "mm",
        "the file has no profile; box round the copper",
    )
    return shapely.box(x.min() - 1e-4, y.min() - 1e-4, x.max() + 1e-4, y.max() + 1e-4)


def _pads(reader: Reader, step: StepData, layer_of: NDArray[np.int64]) -> Pads:
    p = step.pads
    x, y = p.floats_of("x"), p.floats_of("y")
    return Pads(
        net=p.ints_of("net"),
        layer=layer_of[p.ints_of("layer")] if len(p) else np.empty(0, dtype=np.int64),
        x=x,
        y=y,
        shape=step.templates.place(p.ints_of("shape"), x, y),
        via=np.full(len(p), -1),
        pin=p.ints_of("pin"),
        row=p.ints_of("row"),
        stack=p.ints_of("stack"),
        hole=p.ints_of("hole"),
    )


def _stated_holes(pads: Pads, holes: Holes) -> NDArray[np.int64]:
    """Rows of the holes that our own writer names beside pads."""
    row_of = {int(name): row for row, name in reversed(list(enumerate(holes.name)))}
    return np.array([row_of.get(int(name), -1) if name >= 0 else -1 for name in pads.hole], dtype=np.int64)


def _hole_pins(step: StepData, holes: Holes, pads: Pads, pin_count: int) -> NDArray[np.int64]:
    """The pin of each hole: as our own writer states it, else that of the first pad on it that has one."""
    if step.links_given:
        return np.where(holes.pin < pin_count, holes.pin, -1)
    out = holes.pin.copy()
    rows = np.flatnonzero((pads.via >= 0) & (pads.pin >= 0))[::-1]
    out[pads.via[rows]] = pads.pin[rows]
    return out


def _traces(step: StepData, layer_of: NDArray[np.int64]) -> model.Traces:
    t = step.traces
    layer = layer_of[t.ints_of("layer")] if len(t) else np.empty(0)
    places = [t.floats_of(name) for name in ("x0", "y0", "x1", "y1", "xc", "yc")]
    return _table(model.Traces, t.ints_of("net"), layer, *places, t.ints_of("turn"), t.floats_of("width"))


def _order(row: NDArray[np.int64]) -> NDArray[np.int64]:
    """Rows in the order that our own writer stated; rows without a statement stay behind them."""
    return np.argsort(np.where(row == NO_ROW, np.iinfo(np.int64).max, row), kind="stable")


def _renumbered(order: NDArray[np.int64], links: NDArray[np.int64]) -> NDArray[np.int64]:
    """Row numbers after a table was put in order; -1 stays."""
    place = np.append(np.argsort(order), -1)
    return place[links]


def _in_order(parts: PartRows, pads: Pads, holes: Holes, pins: PinTable, given: bool) -> tuple[Pads, Holes, PinTable]:
    """Tables in the order that our own writer stated, links renumbered. given : it stated the links as well."""
    pin_order, hole_order = _order(np.array(parts.pin_row, dtype=np.int64)), _order(holes.row)
    holes = holes.take(hole_order)
    if not given:  # our own writer states rows of the final table
        holes = replace(holes, pin=_renumbered(pin_order, holes.pin))
    pads = pads.take(_order(pads.row))
    pads = replace(pads, via=_renumbered(hole_order, pads.via), pin=_renumbered(pin_order, pads.pin))
    pins = PinTable(
        pins.part[pin_order],
        [pins.name[i] for i in pin_order],
        pins.net[pin_order],
        pins.x[pin_order],
        pins.y[pin_order],
        pins.layer[pin_order],
    )
    return pads, holes, pins


def _nets(
    reader: Reader, step: StepData, names: list[str], used: list[NDArray[Any]]
) -> tuple[tuple[str, ...], NDArray[np.int64]]:
    """Net names of the board, the logical nets first and in their order; and their index by the reader's number."""
    stated = [reader.features.net(node.attrib["name"]) for node, owner in reader.nets if owner in (None, step)]
    rest = np.unique(np.concatenate([np.asarray(column, dtype=np.int64) for column in used])).tolist()
    order = list(dict.fromkeys([0, *stated, *rest]))
    index = np.zeros(len(names), dtype=np.int64)
    index[order] = np.arange(len(order))
    return tuple(names[number] for number in order), index


def _vias(holes: Holes, net_of: NDArray[np.int64]) -> model.Vias:
    h = holes
    ends = (h.x, h.y, h.x1, h.y1)
    return _table(model.Vias, net_of[h.net], *ends, h.drill, h.first, h.last, h.plated, h.antipad, h.pin)


def _table(kind: type[AnyTable], *columns: Any) -> AnyTable:
    """A board's table from columns of any integer width; the table converts them."""
    return kind(*columns)


def _net_classes(reader: Reader, step: StepData) -> dict[str, str]:
    out = {}
    for node, owner in reader.nets:
        word = node.attrib.get("netClass", "").strip().lower()
        if word and owner in (None, step):
            out[node.attrib["name"]] = word
    return out


def _impedances(reader: Reader, step: StepData, names: list[str]) -> dict[str, float]:
    """Targets that a Spec states for a net's lines; a pair's differential target has no place in the board model."""
    out: dict[str, float] = {}
    for spec, net in step.spec_nets:
        target = impedance_target(reader.specs[spec]) if spec in reader.specs else None
        if target is None or net == 0:
            continue
        if target.coupled:
            reader.counts.unread(
                "differential impedance target", reader.specs[spec].line, f"{target.ohm:g} ohm for net {names[net]}"
            )
        elif out.setdefault(names[net], target.ohm) != target.ohm:
            reader.counts.problem(f"Net {names[net]} has two impedance targets; {out[names[net]]:g} ohm holds.")
    return out
