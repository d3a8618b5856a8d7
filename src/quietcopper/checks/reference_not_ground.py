"""A routed layer whose nearest copper is a supply, not ground."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping

import numpy as np
import shapely

from quietcopper.electrical.choices import supply_as_reference
from quietcopper.electrical.signals import edge_voltage
from quietcopper.electrical.tables import GROUND, SIGNAL, SUPPLY
from quietcopper.electrical.unlisted import WHY, joint_unknown
from quietcopper.electrical.view import View
from quietcopper.electrical.ways import Ways, between_layers
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

NAME = "reference-not-ground"
QUESTION = "Do signals of a layer return in supply copper instead of ground?"
MECHANISM = """Drivers and receivers are tied to ground; a return current in a supply area must come back to ground at
both ends of the line, through decoupling capacitors and the planes' capacitance. What that takes is noise on the supply
and a voltage between the planes."""
FORMULA = """Peak voltage of the net's edge current across what joins the supply area to the ground that faces it near
the line's end: capacitors within 40 mm with mounting and the way to them, in parallel, with the planes' capacitance and
the line's 2·Z0. The line of the layer with the highest figure stands for all."""
ALLOWANCES: Mapping[str, Limit] = {
    "noise_share": Limit(
        0.02,
        "1",
        "one part of a noise budget of some 5 % of the swing (Johnson and Graham; Bogatin; from memory); the split "
        "of the budget is common practice, no source",
        "Share of the net's swing that its return may put between supply and ground.",
    ),
    "shortest_mm": Limit(
        5.0, "mm", "common practice, no source", "Nets with less length over the supply are passed over."
    ),
}
SOURCES = (
    "Archambeault, PCB Design for Real-World EMI Control: returns that change reference (from memory)",
    "Mounting inductance: two vias between planes, (mu0·h/pi)·acosh(s/2r), exact",
)


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    board, runs = view.board, view.runs
    signal = np.array(
        [r.kind == SIGNAL and d.swing > 0 for r, d in zip(view.roles, view.drivers, strict=True)], dtype=bool
    )
    supply = np.array([role.kind == SUPPLY for role in view.roles], dtype=bool)
    referred = np.flatnonzero(signal[runs.net] & (runs.reference >= 0))
    routed = np.unique(runs.net[signal[runs.net]])
    yield Coverage(NAME, len(np.unique(runs.net[referred])), len(routed), "signal nets")
    if not len(referred):
        return
    over = referred[supply[board.areas.net[runs.reference[referred]]]]
    shortest = view.settings.allowance(f"{NAME}.shortest_mm", ALLOWANCES["shortest_mm"].default) * 1e-3
    groups: dict[tuple[int, int], dict[int, list[int]]] = defaultdict(lambda: defaultdict(list))
    for run in over:
        groups[int(runs.layer[run]), int(runs.reference[run])][int(runs.net[run])].append(int(run))
    share = view.settings.allowance(f"{NAME}.noise_share", ALLOWANCES["noise_share"].default)
    for (layer, area), nets in groups.items():
        long = {net: rows for net, rows in nets.items() if float(runs.length[rows].sum()) >= shortest}
        if long:
            yield from _price(view, layer, area, long, share)


def _price(
    view: View, layer: int, area: int, nets: dict[int, list[int]], share: float
) -> Iterator[Finding | NotChecked]:
    board, runs = view.board, view.runs
    supply, reference = board.nets[board.areas.net[area]], int(board.areas.layer[area])
    grounds = [a for a in sorted(view.facing_of(area)) if view.roles[board.areas.net[a]].kind == GROUND]
    if not grounds:
        yield NotChecked(
            NAME,
            f"{len(nets)} nets over {supply}",
            "no ground area faces that supply, so its way back is not known",
            len(nets),
        )
        return
    ground = max(grounds, key=lambda a: (view.capacitance_between(area, a), -a))
    if joint_unknown(view, area, ground):
        yield NotChecked(NAME, f"{len(nets)} nets over {supply}", WHY, len(nets))
        return
    worst: tuple[float, int, Ways, float] | None = None
    unsolved = 0
    for net, rows in sorted(nets.items()):
        z0 = view.impedance_of(net, layer)
        if z0 is None:
            unsolved += 1
            continue
        driver = view.drivers[net]
        longest = max(rows, key=lambda r: (round(float(runs.length[r]), 9), -r))
        x, y = runs.line[longest].coords[0][:2]
        radius = float(runs.reference_gap[longest]) + float(runs.width[longest]) / 4
        ways = between_layers(view, area, ground, float(x), float(y), radius)
        peak = edge_voltage(view, net, z0, ways.inductance, ways.capacitance)
        ratio = peak / (share * driver.swing)
        if worst is None or ratio > worst[0]:
            worst = (ratio, net, ways, peak)
    if unsolved:
        yield NotChecked(NAME, f"nets over {supply}", "their impedance was not solved", unsolved)
    if worst is None:
        return
    _, net, ways, peak = worst
    name, label = board.nets[net], board.layer_label(layer)
    rows = [row for group in nets.values() for row in group]
    longest = max(nets[net], key=lambda r: (round(float(runs.length[r]), 9), -r))
    at = shapely.line_interpolate_point(runs.line[longest], 0.5, normalized=True)
    length = float(runs.length[rows].sum())
    allowance = Allowance(share * view.drivers[net].swing, "V", ALLOWANCES["noise_share"].source, f"{NAME}.noise_share")
    choice = supply_as_reference(view, reference)
    change = Proposal(*choice.change)
    many = "1 net" if len(nets) == 1 else f"{len(nets)} nets"
    s = "s" if len(nets) == 1 else ""
    yield Finding(
        check=NAME,
        subject=(board.layers[layer].name, board.layers[reference].name, supply),
        title=f"{many} on {label} return{s} in {supply} instead of ground",
        message=f"{many} run{s} {engineering(length, 'm')} on {label} over {supply}; the worst, {name}, "
        f"gets back to ground by "
        f"{ways.words} and puts {engineering(peak, 'V')} on the supply at each edge.",
        place=Place(
            (at.x, at.y), shapely.union_all(runs.line[rows]), (layer, reference), tuple(board.nets[n] for n in nets)
        ),
        predicted=peak,
        allowance=allowance,
        cause=CauseHint(choice.key, choice.title, change),
        remedies=(Remedy(change, None, "not solved"),),
        evidence={
            "nets": len(nets),
            "length_mm": length * 1e3,
            "worst_net": name,
            "return_inductance_nh": ways.inductance * 1e9 if np.isfinite(ways.inductance) else "nothing joins them",
            "plane_capacitance_pf": ways.capacitance * 1e12,
            "plane_distance_mm": board.distance(*sorted((reference, int(board.areas.layer[ground])))) * 1e3,
        },
    )
