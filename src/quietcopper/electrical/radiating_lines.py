"""What the checks of radiating lines share: coverage, places, causes and what would help at the driver."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from shapely import Point
from shapely.geometry.base import BaseGeometry

from quietcopper.electrical.choices import (
    Choice,
    ground_in_regions,
    led_at_edge,
    openings_in_plane,
    supply_as_reference,
)
from quietcopper.electrical.emission import FieldEstimate
from quietcopper.electrical.radiators import GapShare, Radiators
from quietcopper.electrical.signals import slowest_edge
from quietcopper.electrical.tables import GROUND, SUPPLY
from quietcopper.electrical.view import View
from quietcopper.findings import Allowance, CauseHint, Coverage, Finding, NotChecked, Place, Proposal, Remedy
from quietcopper.units import engineering

SERIES = 33.0  # ohm, of a resistor proposed at the driver; common practice, no source
WATCHED = -6.0  # dB; what lies lower passes and needs no remedy
THINNER = 0.5  # of the distance to the reference that is proposed
THINNEST = 63e-6  # m, a ply of 1080 as fabricators list it; thinner ones are not proposed
MUCH_THINNER = 0.8  # of the distance; less of a change does too little to be proposed


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
        why = "most of their length has no copper area beside it, so neither loop nor return is known"
        yield NotChecked(check, "signal lines", why, len(bare))


def place_of(
    radiators: Radiators, net: int, excess: float
) -> tuple[BaseGeometry, tuple[float, float], tuple[int, ...]]:  # fmt: skip
    """A net's runs with a reference as one shape, the middle of the longest, and their layers. What passes by its
    excess (dB) is drawn nowhere: there the place alone."""
    runs = radiators.view.runs
    rows, at = radiators.place_of(net)
    shape = shapely.union_all(runs.line[rows]) if excess >= WATCHED else Point(at)
    return shape, at, tuple(sorted(set(runs.layer[rows].tolist())))


def cause_by_height(radiators: Radiators, net: int) -> Choice:
    """The distance of a layer's lines from their reference, as the choice behind what they radiate.

    The layer and reference on which most of the net runs; the change is half that distance, as far as it can be made.
    """
    main = radiators.main_layers.get(net)
    board = radiators.view.board
    if main is None:
        return Choice(f"sent:{board.nets[net]}", f"What {board.nets[net]} sends", ("", "", {}))
    layer, reference = main
    upper, lower = sorted((layer, reference))
    distance = board.distance(upper, lower)
    label = board.layer_label(layer)
    title = f"Lines on {label} lie {engineering(distance, 'm')} from their return on layer {reference + 1}"
    thinner = max(distance * THINNER, THINNEST)
    possible = thinner < MUCH_THINNER * distance
    text = f"bring layers {upper + 1} and {lower + 1} to {engineering(thinner, 'm')} apart" if possible else ""
    if len(board.layers) == 2:  # the whole board would be that thin
        text = "ground beside these lines on their own layer, or four layers"
        possible = False
    kind = "set-dielectric" if possible and lower == upper + 1 else ""
    arguments = {"upper": upper, "lower": lower, "thickness": thinner} if kind else {}
    names = f"{board.layers[layer].name}:{board.layers[reference].name}"
    return Choice(f"height:{names}", title, (text, kind, arguments))


def cause_by_way(view: View, net: int, length: float) -> Choice:
    """A net's own way over `length` (m) of outer layers: what it radiates there is its own choice, and of its voltage
    also what the distance of its reference does not change."""
    name = view.board.nets[net]
    title = f"{name} runs {engineering(length, 'm')} on an outer layer, where its field is open"
    return Choice(f"way:{name}", title, (f"run {name} between two planes, or shorter", "", {}))


def cause_beyond_edge(view: View, net: int) -> Choice:
    """A net that is led beyond the edge of its reference, on the layer where most of it is."""
    runs = view.runs
    rows = np.flatnonzero((runs.net == net) & (runs.reference < 0))
    return led_at_edge(view, net, int(np.argmax(np.bincount(runs.layer[rows], weights=runs.length[rows]))))


def cause_of_gap(view: View, row: int) -> Choice | None:
    """The choice behind a gap (row of view.gaps), as the checks of gaps say it; None for any other."""
    board, gaps = view.board, view.gaps
    before, after = int(gaps.before[row]), int(gaps.after[row])
    if before < 0 or after < 0:
        return None
    if before == after:
        same = (gaps.before == before) & (gaps.after == after)
        return openings_in_plane(view, row, len(np.unique(gaps.net[same])))
    nets = [int(board.areas.net[a]) for a in (before, after)]
    if any(view.roles[net].kind == SUPPLY for net in nets):
        return supply_as_reference(view, int(gaps.reference[row]))
    group = view.pieces.group[view.copper.piece_of_area]
    if all(view.roles[net].kind == GROUND for net in nets) and group[before] != group[after]:
        return ground_in_regions(view, before, after)
    return None


def leading_gap(view: View, open_gaps: Sequence[GapShare], plane: float) -> int | None:
    """The gap (row of view.gaps) that is the choice behind what a line drives by its return: a split if it crosses one,
    else the opening with most inductance where that exceeds the plane's own, `plane` (H); None for none."""
    gaps = view.gaps
    split = next((g.row for g in open_gaps if gaps.before[g.row] != gaps.after[g.row]), None)
    if split is not None or not open_gaps:
        return split
    most = max(open_gaps, key=lambda g: (g.inductance, -g.row))
    return most.row if most.inductance > plane else None


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


def hint_of(choice: Choice, alone: Choice | None = None) -> CauseHint:
    """A choice as the cause of a finding; alone : that of the net itself, where no other net shows the choice."""
    change = Proposal(*choice.change) if choice.change[0] else None
    return CauseHint(choice.key, choice.title, change, hint_of(alone) if alone is not None else None)


def radiation_finding(
    radiators: Radiators,
    net: int,
    estimate: FieldEstimate,
    mechanisms: Sequence[str],
    *,
    check: str,
    title: str,
    message: str,
    place: Place,
    cause: CauseHint,
    evidence: Mapping[str, Any],
) -> Finding:
    """What the three checks of radiating lines say in the same way: the estimate against its limit, the edit that
    removes the cause and what helps at the driver, the spectrum, and the range of what was assumed."""
    view = radiators.view
    shown = view.pictures and estimate.excess_db >= WATCHED
    own: tuple[Remedy, ...] = ()
    if cause.change is not None and cause.alone is None:
        own = (Remedy(cause.change, None, "not solved"),)
    return Finding(
        check=check,
        subject=(view.board.nets[net],),
        title=title,
        message=message,
        place=place,
        predicted=estimate.field,
        allowance=Allowance(estimate.limit, "V/m", estimate.source, "review.standard"),
        cause=cause,
        remedies=(*own, *remedies_at_driver(radiators, net, estimate.excess_db, *mechanisms)),
        evidence={
            **evidence,
            "rise_ps": view.drivers[net].rise * 1e12,
            "worst_frequency_hz": estimate.frequency,
            **({"spectrum": estimate.chart()} if shown else {}),
        },
        range_db=estimate.range_db,
    )


def remedies_at_driver(radiators: Radiators, net: int, excess: float, *mechanisms: str) -> Iterator[Remedy]:
    """What helps at the driver, with the excess after by the same formulas, where it brings at least 1 dB."""
    if excess < WATCHED or not radiators.view.pictures:
        return
    name, driver = radiators.view.board.nets[net], radiators.view.drivers[net]
    slower = replace(driver, rise=2 * driver.rise)
    resistor = Proposal(
        f"{SERIES:g} ohm more in series at the driver of {name}", "series-resistor", {"nets": [name], "ohm": SERIES}
    )
    edge = Proposal(
        f"an edge of {engineering(slower.rise, 's')} in {name}, twice as slow, set at its driver",
        "slower-edge",
        {"nets": [name], "rise": slower.rise},
    )
    tried = (
        (resistor, replace(driver, source=driver.source + SERIES)),
        *([(edge, slower)] if slower.rise <= slowest_edge(driver) else []),
    )
    for change, other in tried:
        after = radiators.with_driver(net, other, *mechanisms)
        if after is not None and after < excess - 1:
            yield Remedy(change, after)
