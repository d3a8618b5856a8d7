"""What the checks of radiating lines share: coverage, places, causes and what would help at the driver."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import shapely
from shapely import Point
from shapely.geometry.base import BaseGeometry

from quietcopper.electrical.choices import Choice, ground_in_regions, supply_as_reference
from quietcopper.electrical.radiators import Radiators
from quietcopper.electrical.tables import GROUND, SUPPLY
from quietcopper.electrical.view import View
from quietcopper.findings import Coverage, NotChecked
from quietcopper.units import engineering

SERIES = 33.0  # ohm, of a resistor proposed at the driver; common practice, no source
WATCHED = -6.0  # dB; what lies lower passes and needs no remedy
THINNER = 0.5  # of the distance to the reference that is proposed


def lines_over(check: str, radiators: Radiators) -> Iterator[Coverage | NotChecked]:
    """What of the driven lines was priced."""
    view = radiators.view
    yield Coverage(check, len(radiators.by_net), len(radiators.driven), "driven signal lines")
    if radiators.unpriced:
        why = "their impedance was not solved, so their current is not known"
        yield NotChecked(check, "signal lines", why, len(radiators.unpriced))
    if radiators.wanted:
        names = ", ".join(sorted(view.board.nets[net] for net in radiators.wanted)[:4])
        yield NotChecked(check, names, "radio lines: their carrier is wanted", len(radiators.wanted))
    bare = [net for net, line in radiators.by_net.items() if line.bare > max(line.length + line.hidden, 1e-3)]
    if bare:
        why = "most of them has no copper area beside it, so neither loop nor return is known"
        yield NotChecked(check, "signal lines", why, len(bare))


def place_of(view: View, net: int) -> tuple[BaseGeometry, tuple[float, float], tuple[int, ...]]:
    """A net's runs with a reference as one shape, the middle of the longest, and their layers."""
    runs = view.runs
    rows = np.flatnonzero(runs.net == net)
    with_copper = rows[runs.reference[rows] >= 0]
    rows = with_copper if len(with_copper) else rows
    longest = rows[np.lexsort((runs.start[rows], runs.trace[rows], -np.round(runs.length[rows], 9)))[0]]
    at = shapely.line_interpolate_point(runs.line[longest], 0.5, normalized=True)
    return shapely.union_all(runs.line[rows]), (at.x, at.y), tuple(sorted({int(k) for k in runs.layer[rows]}))


def cause_by_height(view: View, net: int, height: float) -> Choice:
    """The distance of a layer's lines from their reference, as the choice behind what they radiate.

    The layer and reference on which most of the net runs; the change is half that distance.
    """
    board, runs = view.board, view.runs
    rows = np.flatnonzero((runs.net == net) & (runs.reference >= 0))
    if not len(rows):
        return Choice(f"sent:{board.nets[net]}", f"What {board.nets[net]} sends", ("", "", {}))
    pairs = np.stack([runs.layer[rows], board.areas.layer[runs.reference[rows]]], -1)
    kinds, which = np.unique(pairs, axis=0, return_inverse=True)
    layer, reference = kinds[int(np.argmax(np.bincount(which.ravel(), weights=runs.length[rows])))].tolist()
    upper, lower = sorted((layer, reference))
    distance = board.distance(upper, lower)
    label = board.layer_label(layer)
    title = f"Lines on {label} lie {engineering(distance, 'm')} from their return on layer {reference + 1}"
    thinner = distance * THINNER
    text = f"bring layers {upper + 1} and {lower + 1} to {engineering(thinner, 'm')} apart"
    kind = "set-dielectric" if lower == upper + 1 else ""
    arguments = {"upper": upper, "lower": lower, "thickness": thinner} if kind else {}
    names = f"{board.layers[layer].name}:{board.layers[reference].name}"
    return Choice(f"height:{names}", title, (text, kind, arguments))


def cause_by_voltage(view: View, net: int, length: float) -> Choice:
    """A net's own voltage over its trace, which the distance of its reference does not change."""
    name = view.board.nets[net]
    title = f"{name}'s voltage reaches past the board from {engineering(length, 'm')} of trace on an outer layer"
    return Choice(f"voltage:{name}", title, (f"run {name} between two planes, or shorter", "", {}))


def cause_of_gap(view: View, row: int) -> Choice | None:
    """The choice behind a gap (row of view.gaps), as the checks of gaps say it; None for any other."""
    board, gaps = view.board, view.gaps
    before, after = int(gaps.before[row]), int(gaps.after[row])
    if before == after or before < 0 or after < 0:
        return None
    nets = [int(board.areas.net[a]) for a in (before, after)]
    if any(view.roles[net].kind == SUPPLY for net in nets):
        return supply_as_reference(view, int(gaps.reference[row]))
    group = view.pieces.group[view.copper.piece_of_area]
    if all(view.roles[net].kind == GROUND for net in nets) and group[before] != group[after]:
        return ground_in_regions(view, before, after)
    return None


def cause_of_changes(
    view: View, radiators: Radiators, net: int
) -> tuple[Choice, tuple[float, float], BaseGeometry, tuple[int, ...], str]:
    """The choice behind a net's changes between planes that nothing ties, where the first is, and the planes."""
    changes, board = view.layer_changes, view.board
    row = radiators.untied_changes(net)[0]
    at = float(changes.x[row]), float(changes.y[row])
    refs = int(changes.upper_ref[row]), int(changes.lower_ref[row])
    nets = [int(board.areas.net[a]) for a in (changes.upper_area[row], changes.lower_area[row])]
    names = [board.nets[n] or "netless copper" for n in nets]
    planes = " and ".join(f"{name} on layer {layer + 1}" for name, layer in zip(names, refs, strict=True))
    for n, layer in reversed(list(zip(nets, refs, strict=True))):
        if view.roles[n].kind == SUPPLY:
            return supply_as_reference(view, layer), at, Point(at), refs, planes
    key = f"layer change:{'|'.join(sorted(names))}"
    title = f"Lines change between {names[0]} and {names[1]} as their reference, with too little that joins the two"
    return Choice(key, title, ("", "", {})), at, Point(at), refs, planes


def remedies_at_driver(
    radiators: Radiators, net: int, excess: float, *mechanisms: str
) -> list[tuple[str, float]]:  # fmt: skip
    """What helps at the driver: (in words, excess after by the same formulas, dB), where it brings at least 1 dB."""
    if excess < WATCHED:
        return []
    driver = radiators.view.drivers[net]
    slower = replace(driver, rise=2 * driver.rise)
    resisted = replace(driver, source=driver.source + SERIES)
    smaller = replace(driver, swing=driver.swing / 2)
    tried = (
        (f"an edge of {engineering(slower.rise, 's')}, twice as slow", slower),
        (f"{SERIES:g} ohm more in series at the driver", resisted),
        ("half the swing", smaller),
    )
    priced = [(text, radiators.with_driver(net, other, *mechanisms)) for text, other in tried]
    return [(text, after) for text, after in priced if after is not None and after < excess - 1]
