"""Filled copper changed: given to another net, joined over a split, its openings closed, taken away."""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from collections.abc import Sequence

import numpy as np
import shapely
from shapely import Point, Polygon

from quietcopper.board import Board
from quietcopper.board.contacts import AREA, BARREL, PAD, TRACE, Elements, bodies, contacts
from quietcopper.changes import refill
from quietcopper.changes.base import Changed, ChangeError, Rules, layer_of, named, net_of, nets_of, place_mm
from quietcopper.changes.room import SMALLEST, cut_back
from quietcopper.changes.tables import renamed, with_areas, without
from quietcopper.changes.vias import stitch


def area_to_net(
    board: Board, rules: Rules, *, layer: int, net: str, nets: Sequence[str] = (), pitch: float | None = None
) -> Changed:
    """The areas of some nets on a layer become another net's: pieces merged over the splits between them, the net's own
    holes tied in, the former nets' holes cut free, every other opening kept.

    nets : whose areas; all on the layer that are not the net's where none are named
    pitch : stitch the net's areas together at this pitch (m) afterwards, where vias fit
    Splits as wide as a safety barrier are not filled. Pins that were fed by the areas are left to the designer, to be
    routed as wide traces: the notes say which. Raises ChangeError where there is no such area.
    """
    layer_of(board, layer)
    target, areas = net_of(board, net), board.areas
    here = areas.layer == layer
    sources = nets_of(board, nets) if nets else np.unique(areas.net[here & (areas.net != target)]).tolist()
    sources = [n for n in sources if n != target]
    rows = np.flatnonzero(here & np.isin(areas.net, sources))
    label = board.layer_label(layer)
    if not len(rows):
        raise ChangeError(f"{label} has no area of {named(list(nets)) or 'another net'} to give to {net}")
    names = sorted({board.nets[n] or "no net" for n in areas.net[rows]})
    left = _pins_on(board, rows)
    taken = np.flatnonzero(here & np.isin(areas.net, [target, *sources]))
    gap = refill.splits(areas.shape[taken], rules.barrier - 1e-9)
    new = refill.filled(board, layer, taken, gap, [target], rules)
    changed = with_areas(board, taken, [(target, layer, new)])
    notes = [f"The areas of {named(names)} on {label} are {net} now" + (", the splits filled." if gap else ".")]
    if not left:
        notes.append("What they fed is still to be routed as wide traces: the data do not say which pins hang on them.")
    else:
        words = named([f"{name} ({count} pin{'' if count == 1 else 's'})" for name, count in left.items()])
        notes.append(f"Still to be routed as wide traces, and not part of this figure: {words}.")
    if pitch is not None:
        try:
            stitched = stitch(changed, rules, net=net, pitch=pitch)
        except ChangeError as e:
            notes.append(f"Not stitched: {e}.")
        else:
            changed = stitched.board
            notes += stitched.notes
    return Changed(changed, tuple(notes), unrouted=tuple(left))


def _pins_on(board: Board, rows: np.ndarray) -> dict[str, int]:
    """How many pins of each net hang on connected copper that some areas belong to, by name."""
    elements = Elements.of(board)
    a, b = contacts(board, elements)
    body = bodies(elements, a, b)
    fed = np.unique(body[elements.first[AREA] + rows])
    pad = np.flatnonzero((elements.kind == PAD) & np.isin(body, fed))
    pins = np.unique(board.pads.pin[elements.row[pad]])
    pins = pins[pins >= 0]
    mine = pins[np.isin(board.pins.net[pins], np.unique(board.areas.net[rows]))]
    counts: dict[str, int] = defaultdict(int)
    for net in board.pins.net[mine].tolist():
        counts[board.nets[net]] += 1
    return dict(sorted(counts.items()))


def join_areas(board: Board, rules: Rules, *, layer: int, nets: Sequence[str]) -> Changed:
    """The areas of one net, or of two, on a layer become one piece: the gap between them is filled on that layer.

    Two nets become one net, the first of `nets`, with all their copper and pins.
    Raises ChangeError where there is nothing to join, or where the pieces look like the sides of a safety barrier:
    nowhere on the board nearer to each other than `rules.barrier`.
    """
    layer_of(board, layer)
    rows = nets_of(board, nets)
    label, areas = board.layer_label(layer), board.areas
    if not 1 <= len(rows) <= 2:
        raise ChangeError(f"found {len(rows)} nets to join on {label}, expected one or two")
    taken = np.flatnonzero((areas.layer == layer) & np.isin(areas.net, rows))
    missing = [board.nets[n] for n in rows if n not in areas.net[taken]]
    if missing:
        raise ChangeError(f"{label} has no area of {named(missing)}")
    if len(taken) < 2:
        raise ChangeError(f"{board.nets[rows[0]]} is one piece on {label}, so there is nothing to join")
    apart = _clearance(board, taken, rows)
    if apart >= rules.barrier:
        raise ChangeError(
            f"the pieces are {apart * 1e3:.3g} mm apart on every layer, which looks like a safety barrier; nothing may "
            "bridge it until the designer has said that it is none"
        )
    gap = refill.splits(areas.shape[taken], rules.barrier - 1e-9)
    if gap == 0:
        raise ChangeError(f"the pieces on {label} are {rules.barrier * 1e3:g} mm apart or more")
    new = refill.filled(board, layer, taken, gap, rows, rules)
    changed = with_areas(board, taken, [(rows[0], layer, new)])
    notes = []
    if len(rows) == 2:
        keep, go = board.nets[rows[0]], board.nets[rows[1]]
        idle = _between(board, *rows)
        changed = renamed(changed, rows[1], changed.net_index[keep])
        notes.append(f"{go} is part of {keep} now, on all layers and at all pins.")
        if idle:
            notes.append(f"{named(idle)} joined the two and {'has' if len(idle) == 1 else 'have'} no use any more.")
    return Changed(changed, tuple(notes))


def _clearance(board: Board, taken: np.ndarray, nets: Sequence[int]) -> float:
    """Smallest distance on any layer between the areas of two nets; of one net between pieces that nothing else joins
    (0 where something does), m."""
    areas = board.areas
    elements = Elements.of(board)
    a, b = contacts(board, elements)
    body = bodies(elements, a, b)[elements.first[AREA] :][: len(areas)]
    side = areas.net if len(nets) == 2 else body
    sides = np.unique(side[taken])
    if len(sides) < 2:
        return 0.0
    smallest = np.inf
    for layer in range(len(board.layers)):
        groups = [areas.shape[(areas.layer == layer) & np.isin(areas.net, nets) & (side == s)] for s in sides]
        present = [shapely.union_all(g) for g in groups if len(g)]
        for i, one in enumerate(present):
            for other in present[i + 1 :]:
                smallest = min(smallest, float(shapely.distance(one, other)))
    return smallest


def _between(board: Board, a: int, b: int) -> list[str]:
    """Two-pin parts with a pin on either net."""
    pins = board.pins
    out = []
    for part in np.unique(pins.part[pins.net == a]):
        nets = pins.net[pins.part == part]
        if len(nets) == 2 and set(nets.tolist()) == {a, b}:
            out.append(str(board.parts.ref[part]))
    return sorted(out)


def close_openings(
    board: Board, rules: Rules, *, layer: int, net: str, box: tuple[float, float, float, float] | None = None
) -> Changed:
    """Openings inside a net's areas on a layer filled, up to the spacing from what stands in them.

    box : only there (x0, y0, x1, y1; m)
    Raises ChangeError where the areas have no openings.
    """
    layer_of(board, layer)
    row, areas = net_of(board, net), board.areas
    taken = np.flatnonzero((areas.layer == layer) & (areas.net == row))
    whole = [Polygon(p.exterior) for r in taken for p in shapely.get_parts(areas.shape[r]).tolist()]
    if not any(len(p.interiors) for r in taken for p in shapely.get_parts(areas.shape[r]).tolist()):
        raise ChangeError(f"{net} on {board.layer_label(layer)} has no opening to close")
    old = shapely.union_all(areas.shape[taken])
    there = refill.on_layer(board, layer, but=taken)
    foreign = (there.net != row) | (there.net == 0)
    blocked = shapely.union_all(refill.grow(there.shape[foreign], rules.spacing))
    inside = (
        shapely.union_all(whole) if box is None else shapely.intersection(shapely.union_all(whole), shapely.box(*box))
    )
    new = shapely.union(old, shapely.difference(inside, blocked))
    if new.area - old.area < SMALLEST:
        raise ChangeError(f"nothing of the openings in {net} on {board.layer_label(layer)} can be filled there")
    note = f"What stands in the openings keeps {rules.spacing * 1e3:g} mm."
    return Changed(with_areas(board, taken, [(row, layer, new)]), (note,))


def remove_copper(board: Board, rules: Rules, *, layer: int, at: Sequence[tuple[float, float]]) -> Changed:
    """The area at each place (m) on a layer taken away, with everything that hangs on it where no pin does.

    Raises ChangeError where a place has no area, or its area holds pins or leads on to other layers.
    """
    layer_of(board, layer)
    elements = Elements.of(board)
    a, b = contacts(board, elements)
    body = bodies(elements, a, b)
    gone: set[int] = set()
    areas = board.areas
    here = np.flatnonzero(areas.layer == layer)
    for place in at:
        hit = here[shapely.intersects(areas.shape[here], Point(place))]
        if not len(hit):
            raise ChangeError(f"{board.layer_label(layer)} has no area at {place_mm(*place)}")
        gone.update(np.unique(body[elements.first[AREA] + hit]).tolist())
    mine = np.isin(body, sorted(gone))
    pads = elements.row[mine & (elements.kind == PAD)]
    if (board.pads.pin[pads] >= 0).any():
        raise ChangeError(f"the copper at {place_mm(*at[0])} on {board.layer_label(layer)} holds pins of parts")

    def marked(kind: int, count: int) -> np.ndarray:
        out = np.zeros(count, dtype=bool)
        out[elements.row[mine & (elements.kind == kind)]] = True
        return out

    changed = without(
        board,
        traces=marked(TRACE, len(board.traces)),
        pads=marked(PAD, len(board.pads)),
        vias=marked(BARREL, len(board.vias)),
        areas=marked(AREA, len(board.areas)),
    )
    return Changed(changed)


def set_pour_gap(board: Board, rules: Rules, *, net: str, layer: int, gap: float) -> Changed:
    """Areas of other nets kept `gap` (m) from a net's traces on a layer. Scraps that nothing ties any more go.

    Raises ChangeError where no area is nearer than that.
    """
    layer_of(board, layer)
    row, areas, traces = net_of(board, net), board.areas, board.traces
    if gap < rules.spacing:
        raise ChangeError(f"a gap of {gap * 1e3:g} mm is less than the spacing of {rules.spacing * 1e3:g} mm")
    mine = (traces.net == row) & (traces.layer == layer)
    if not mine.any():
        raise ChangeError(f"{net} has no trace on {board.layer_label(layer)}")
    blocked = shapely.union_all(refill.grow(traces.shapes[mine], gap))
    near = np.flatnonzero((areas.layer == layer) & (areas.net != row))
    near = near[shapely.intersects(areas.shape[near], blocked.buffer(-1e-6))]
    if not len(near):
        raise ChangeError(f"no area lies within {gap * 1e3:g} mm of {net} on {board.layer_label(layer)}")
    changed, lost = cut_back(board, row, layer, np.array([blocked], dtype=object))
    notes = (f"{lost} scrap{'' if lost == 1 else 's'} of pour that nothing tied any more left out.",) if lost else ()
    return Changed(changed, notes)


def set_dielectric(
    board: Board,
    rules: Rules,
    *,
    upper: int,
    lower: int,
    thickness: float | None = None,
    er: float | None = None,
    tan_d: float | None = None,
    material: str | None = None,
) -> Changed:
    """Another dielectric between two layers: thickness (m) from copper to copper, permittivity, loss tangent.

    material : its name, which says nothing of its figures

    Between layers that are not neighbours all sheets between them are scaled alike.
    """
    layer_of(board, upper)
    layer_of(board, lower)
    if upper >= lower:
        raise ChangeError(f"layer {upper + 1} does not lie above layer {lower + 1}")
    if thickness is None and er is None and tan_d is None:
        raise ChangeError("a dielectric needs a thickness, an er or a tan_d to be changed")
    sheets = list(board.dielectrics)
    factor = 1.0
    if thickness is not None:
        copper = sum(layer.thickness for layer in board.layers[upper + 1 : lower])
        if thickness <= copper:
            raise ChangeError(
                f"{thickness * 1e3:g} mm is less than the copper between layers {upper + 1} and {lower + 1}"
            )
        factor = (thickness - copper) / sum(sheet.thickness for sheet in sheets[upper:lower])
    for i in range(upper, lower):
        sheet = sheets[i]
        sheets[i] = dataclasses.replace(
            sheet,
            thickness=sheet.thickness * factor,
            er=sheet.er if er is None else er,
            tan_d=sheet.tan_d if tan_d is None else tan_d,
            material=sheet.material if material is None else material,
        )
    changed = dataclasses.replace(board, dielectrics=tuple(sheets))
    notes = []
    if abs(changed.thickness - board.thickness) > 1e-6:
        notes.append(
            f"The board is {changed.thickness * 1e3:.3g} mm thick instead of {board.thickness * 1e3:.3g} mm, unless "
            "another dielectric takes up the difference."
        )
    return Changed(changed, tuple(notes))
