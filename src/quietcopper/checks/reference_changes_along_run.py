"""A line that runs on past the end of its reference and goes on over copper of another layer."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import shapely

from quietcopper.electrical.choices import supply_as_reference
from quietcopper.electrical.pierced import between_areas, plane_voltage
from quietcopper.electrical.signals import edge_current, edge_voltage
from quietcopper.electrical.tables import GROUND, SIGNAL, SUPPLY
from quietcopper.electrical.unlisted import WHY, joint_unknown
from quietcopper.electrical.view import View
from quietcopper.electrical.ways import VIA_RADIUS, Added, Ways, between_layers, crossing_at, new_mounting
from quietcopper.fields.returns import resonance, series_reflection
from quietcopper.findings import (
    Allowance,
    CauseHint,
    Coverage,
    Finding,
    Limit,
    NotChecked,
    Place,
    Proposal,
    Remedy,
)
from quietcopper.units import engineering

NAME = "reference-changes-along-run"
QUESTION = "Does a line pass the end of its reference and go on over copper of another layer, without leaving its own?"
MECHANISM = """Where the copper under a line ends and the next lies a layer further, the return current must pass from
one to the other there. What it finds, vias, capacitors or only the capacitance of the two, takes a voltage between them
at each edge, as at a via that has no return beside it."""
FORMULA = """Peak voltage between the two references as the net's edge current passes at the place where the first one
ends: the pair that the two form solved with its ties, capacitors and resonances, in parallel with the line's own 2·Z0.
Where they face each other nowhere near that place, by formula: all vias and capacitors that join them within 40 mm in
parallel, with the capacitance between the two; the finding says so, and up to which frequency it holds. Copper of
another net on the same layer is trace-over-gap's."""
ALLOWANCES: Mapping[str, Limit] = {
    "noise_share": Limit(
        0.02,
        "1",
        "one part of a noise budget of some 5 % of the swing (Johnson and Graham; Bogatin; from memory); the split "
        "of the budget is common practice, no source",
        "Share of the net's swing that one change of reference may put between two planes.",
    ),
    "shortest_mm": Limit(3.0, "mm", "common practice, no source", "Shorter lengths over the other layer do not count."),
}
SOURCES = (
    "Inductance of returns in parallel: logarithmic potentials of parallel conductors, exact between two planes",
    "Archambeault, PCB Design for Real-World EMI Control: returns that change reference (from memory)",
)
BESIDE = 1e-3  # m; where a proposed via would stand
OUT = 10.0  # heights; a line that comes back to its first reference, but stays this far beyond it, has changed


@dataclass(frozen=True)
class _Change:
    """A row of view.gaps, the area (row) on the other layer, where the first one ends (m), the length beyond it (m)."""

    row: int
    area: int
    at: tuple[float, float]
    length: float


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    runs = view.runs
    driven = np.array([r.kind == SIGNAL and d.swing > 0 for r, d in zip(view.roles, view.drivers, strict=True)])
    routed = np.unique(runs.net[driven[runs.net]])
    referred = np.unique(runs.net[(runs.reference >= 0) & driven[runs.net]])
    yield Coverage(NAME, len(referred), len(routed), "signal nets")
    shortest = view.settings.allowance(f"{NAME}.shortest_mm", ALLOWANCES["shortest_mm"].default) * 1e-3
    share = view.settings.allowance(f"{NAME}.noise_share", ALLOWANCES["noise_share"].default)
    groups: dict[tuple[int, int, int, int], list[_Change]] = defaultdict(list)
    unknown = unsolved = 0
    for change in _changes(view, driven):
        gaps, other = view.gaps, int(view.board.areas.layer[change.area])
        if change.length < shortest:
            continue
        if joint_unknown(view, int(gaps.before[change.row]), change.area):
            unknown += 1
            continue
        key = int(gaps.net[change.row]), int(gaps.layer[change.row]), int(gaps.reference[change.row]), other
        groups[key].append(change)
    for (net, layer, _, _), changes in groups.items():
        z0 = view.impedance_of(net, layer)
        if z0 is None:
            unsolved += len(changes)
            continue
        priced = [(_price(view, change, z0), change) for change in changes]
        (peak, ways), worst = max(priced, key=lambda p: (round(p[0][0], 9), -p[1].at[0], -p[1].at[1]))
        solved = _solved(view, worst, ways, z0)
        peaks = peak if solved is None else solved, peak
        yield _finding(view, worst, len(changes), peaks, ways, z0, share * view.drivers[net].swing)
    if unknown:
        yield NotChecked(NAME, "changes from one net's copper to another's", WHY, unknown)
    if unsolved:
        yield NotChecked(NAME, "changes of reference", "the line's impedance was not solved", unsolved)


def _changes(view: View, driven: np.ndarray) -> Iterator[_Change]:
    """Where lines leave the copper of their main reference layer for good, or far enough, with other copper beyond."""
    gaps, runs, areas = view.gaps, view.runs, view.board.areas
    heights = [view.board.distance(*sorted(pair)) for pair in zip(gaps.layer, gaps.reference, strict=True)]
    beyond = (gaps.after < 0) | (np.isfinite(gaps.slot) & (gaps.slot > OUT * np.array(heights)))
    beyond &= driven[gaps.net] & ((gaps.after < 0) | (gaps.length >= 6 * gaps.slot))
    for row in np.flatnonzero(beyond).tolist():
        line = gaps.line[row]
        mine = np.flatnonzero((runs.net == gaps.net[row]) & (runs.layer == gaps.layer[row]) & (runs.reference >= 0))
        mine = mine[areas.layer[runs.reference[mine]] != gaps.reference[row]]
        middle = shapely.line_interpolate_point(runs.line[mine], 0.5, normalized=True)
        mine = mine[shapely.dwithin(line, middle, 1e-6)]
        if not len(mine):
            continue
        length: dict[int, float] = defaultdict(float)
        for run in mine.tolist():
            length[int(runs.reference[run])] += float(runs.length[run])
        area = max(length, key=lambda a: (round(length[a], 9), -a))
        x, y = shapely.get_coordinates(line)[0].tolist()
        yield _Change(row, area, (x, y), length[area])


def _price(view: View, change: _Change, z0: float, added: Added | None = None) -> tuple[float, Ways]:
    """Peak voltage between the two references at one edge, V, and the ways that the return has."""
    crossing = crossing_at(view, change.row)
    radius = crossing.height + crossing.width / 4
    ways = between_layers(view, int(view.gaps.before[change.row]), change.area, *change.at, radius, added)
    return edge_voltage(view, int(view.gaps.net[change.row]), z0, ways.inductance, ways.capacitance), ways


def _solved(view: View, change: _Change, ways: Ways, z0: float) -> float | None:
    """Peak voltage, V, from the pair that the two references form; None where it forms none there. The return leaves
    the first reference along its edge, half a height inside at the most."""
    if not all(way.direct for way in ways.ways):
        return None
    gaps = view.gaps
    net, first = int(gaps.net[change.row]), int(gaps.before[change.row])
    crossing = crossing_at(view, change.row)
    radius = crossing.height + crossing.width / 4
    inside = shapely.shortest_line(
        shapely.Point(change.at), shapely.buffer(view.board.areas.shape[first], -radius, quad_segs=2)
    )
    if inside is None or inside.is_empty or inside.length > 4 * radius:
        return None
    x, y = shapely.get_coordinates(inside)[-1].tolist()
    way = between_areas(view, first, change.area, (x, y, radius), net)
    return None if way is None else plane_voltage(view, net, way, z0)


def _finding(
    view: View, change: _Change, count: int, peaks: tuple[float, float], ways: Ways, z0: float, allowed: float
) -> Finding:
    """peaks : voltage as it counts and by the formula, V: the same where the pair was not solved"""
    peak, formula = peaks
    board, gaps = view.board, view.gaps
    row, first = change.row, int(gaps.before[change.row])
    net, layer, reference = int(gaps.net[row]), int(gaps.layer[row]), int(gaps.reference[row])
    other = int(board.areas.layer[change.area])
    nets = [int(board.areas.net[area]) for area in (first, change.area)]
    names = [board.nets[n] for n in nets]
    name, driver = board.nets[net], view.drivers[net]
    allowance = Allowance(allowed, "V", ALLOWANCES["noise_share"].source, f"{NAME}.noise_share")
    said = " to ".join(
        f"{n or 'netless copper'} on {board.layer_label(i)}" for n, i in zip(names, (reference, other), strict=True)
    )
    remedy = _beside(view, change, z0, peak, allowance, nets, (reference, other))
    evidence: dict[str, object] = {
        "edge_current_ma": edge_current(driver, z0) * 1e3,
        "rise_ps": driver.rise * 1e12,
        "line_impedance_ohm": z0,
        "length_beyond_mm": change.length * 1e3,
        "plane_distance_mm": board.distance(*sorted((reference, other))) * 1e3,
        "plane_capacitance_pf": ways.capacitance * 1e12,
        "voltage_from": "the pair of both, solved" if peak != formula else "the formula",
        "voltage_by_formula_v": formula,
    }
    if np.isfinite(ways.inductance):
        evidence["return_inductance_nh"] = ways.inductance * 1e9
        evidence["reflection"] = float(series_reflection(ways.inductance, z0, driver.rise))
    nearest = ways.nearest
    if nearest is not None:
        evidence["reach"] = {
            "from_mm": [v * 1e3 for v in change.at],
            "to_mm": [v * 1e3 for v in nearest.at],
            "distance_mm": nearest.distance * 1e3,
            "what": nearest.what,
        }
    cause = _cause(view, nets, (reference, other), names)
    remedies = [Remedy(cause.change, None, "not solved")] if cause.change is not None else []
    rest = f", {count} times; this is the worst" if count > 1 else ""
    return Finding(
        check=NAME,
        subject=(name, board.layers[layer].name, board.layers[reference].name, board.layers[other].name),
        title=f"{name} runs on from over {said}",
        message=f"{name} on {board.layer_label(layer)} passes from over {said}{rest}; its return gets across by "
        f"{ways.words} and puts {engineering(peak, 'V')} between the two at each edge{_range(ways, peak == formula)}.",
        place=Place(change.at, gaps.line[row], (layer, reference, other), (name,)),
        predicted=peak,
        allowance=allowance,
        cause=cause,
        remedies=(*remedies, *([remedy] if remedy is not None else [])),
        evidence=evidence,
    )


def _range(ways: Ways, by_formula: bool) -> str:
    """Where a figure comes from the formula: that, and below which frequency that holds."""
    if not by_formula:
        return ""
    if not np.isfinite(ways.inductance) or ways.capacitance == 0:
        return " (by formula: the two face each other nowhere near)"
    limit = float(resonance(ways.inductance, ways.capacitance))
    return f" (by formula, which holds below their first resonance, {engineering(limit, 'Hz')} or less)"


def _cause(view: View, nets: list[int], layers: tuple[int, int], names: list[str]) -> CauseHint:
    for net, layer in zip(nets, layers, strict=True):
        if view.roles[net].kind == SUPPLY:
            choice = supply_as_reference(view, layer)
            return CauseHint(choice.key, choice.title, Proposal(*choice.change))
    label = view.board.layer_label(layers[0])
    title = f"{names[0] or 'Netless copper'} on {label} ends, and lines run on over {view.board.layer_label(layers[1])}"
    return CauseHint(f"ends under lines:{view.board.layers[layers[0]].name}:{names[0]}", title)


def _beside(
    view: View,
    change: _Change,
    z0: float,
    peak: float,
    allowance: Allowance,
    nets: list[int],
    layers: tuple[int, int],
) -> Remedy | None:
    """What would join the two at the place: a via of one net, a capacitor from a supply to another rail. Two grounds
    may be the sides of a safety barrier: nothing is proposed between them."""
    names = [view.board.nets[net] for net in nets]
    kinds = {view.roles[net].kind for net in nets}
    if nets[0] == nets[1] and names[0]:
        where = {"net": names[0], "at": change.at, "within": 2 * BESIDE, "layers": sorted(layers)}
        proposal = Proposal(
            f"a {names[0]} via where the copper on {view.board.layer_label(layers[0])} ends", "add-via", where
        )
        added = Added(BESIDE, VIA_RADIUS)
    elif kinds == {SUPPLY, GROUND} or kinds == {SUPPLY}:
        proposal = Proposal(
            f"a capacitor from {names[0]} to {names[1]} within {engineering(2 * BESIDE, 'm')}",
            "bridge-gap" if all(names) else "",
            {"nets": names, "at": change.at, "within": 2 * BESIDE},
        )
        added = Added(2 * BESIDE, VIA_RADIUS, new_mounting(view, layers[1]))
    else:
        return None
    # by the formula before and after: the share that is left
    before, after = _price(view, change, z0)[0], _price(view, change, z0, added)[0]
    return Remedy(proposal, allowance.excess_db(peak * min(after / before, 1.0)))
