"""Ground and supply planes that face each other at a large distance."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping

import numpy as np

from quietcopper.electrical.tables import GROUND, SUPPLY
from quietcopper.electrical.view import View
from quietcopper.fields.vias import pair_inductance
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
from quietcopper.units import EPS0, engineering

NAME = "planes-far-apart"
QUESTION = "Do ground and supply planes face each other closely enough to pass current between capacitors and pins?"
MECHANISM = """A plane pair's inductance grows with its spacing: with a thick dielectric a capacitor a centimetre away
is no
better than one behind a long trace, and the pair stores less charge and rings at higher impedance."""
FORMULA = """Inductance of the pair between a pin and a capacitor 10 mm apart, (mu0·d/pi)·acosh(s/2r) with r = 0.15 mm:
exact for two vias in an infinite pair. Capacitance per area eps0·er/d is given beside it."""
ALLOWANCES: Mapping[str, Limit] = {
    "inductance_nh": Limit(
        0.5,
        "nH",
        "Bogatin, Signal and Power Integrity; Archambeault (from memory): mounted inductance of a fast capacitor",
        "Inductance that the planes may add between a pin and a capacitor 10 mm away.",
    ),
    "smallest_mm2": Limit(50.0, "mm²", "common practice, no source", "Smaller facing areas are passed over."),
}
SOURCES = (
    "Two vias in a plane pair: exact two-wire line; the figure per square is mu0·d, 32 pH per mil",
    "Novak; Archambeault, PCB Design for Real-World EMI Control: spacings of 0.1 to 0.2 mm for fast "
    "supplies (from memory)",
)
THICKNESS_STEP = 10e-6  # m, of the proposed distance
DISTANCE, RADIUS = 10e-3, 0.15e-3  # m, of the reference case in FORMULA


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    board, facing = view.board, view.facing
    smallest = view.settings.allowance(f"{NAME}.smallest_mm2", ALLOWANCES["smallest_mm2"].default) * 1e-6
    allowed = view.settings.allowance(f"{NAME}.inductance_nh", ALLOWANCES["inductance_nh"].default) * 1e-9
    supplies = {net for net, role in enumerate(view.roles) if role.kind == SUPPLY}
    groups: dict[tuple[int, int], list[int]] = defaultdict(list)
    met: set[int] = set()
    for row in range(len(facing)):
        a, b = int(facing.upper[row]), int(facing.lower[row])
        both = int(board.areas.net[a]), int(board.areas.net[b])
        kinds = {view.roles[net].kind for net in both}
        if kinds != {GROUND, SUPPLY}:
            continue
        met |= supplies & set(both)
        if facing.area[row] < smallest:
            continue
        groups[int(board.areas.layer[a]), int(board.areas.layer[b])].append(row)
    with_areas = {net for net in supplies if net in set(board.areas.net.tolist())}
    yield Coverage(NAME, len(met & with_areas), len(with_areas), "supplies with filled copper")
    if with_areas - met:
        names = ", ".join(sorted(board.nets[net] for net in with_areas - met)[:6])
        yield NotChecked(NAME, names, "no ground area faces this supply's copper", len(with_areas - met))
    for upper, lower in _nearest_grounds(view, groups):
        rows = groups[upper, lower]
        distance = float(facing.distance[rows[0]])
        nets = sorted(
            {
                board.nets[board.areas.net[a]]
                for row in rows
                for a in (facing.upper[row], facing.lower[row])
                if view.roles[board.areas.net[a]].kind == SUPPLY
            }
        )
        inductance = float(pair_inductance(distance, DISTANCE, RADIUS))
        allowance = Allowance(allowed, "H", ALLOWANCES["inductance_nh"].source, f"{NAME}.inductance_nh")
        largest = max(rows, key=lambda row: (round(float(facing.area[row]), 12), -row))
        at = facing.shape(largest).representative_point()
        area = float(facing.area[rows].sum())
        thinner = math.floor(distance * allowed / inductance / THICKNESS_STEP) * THICKNESS_STEP
        change: Proposal | None = Proposal(
            f"bring layers {upper + 1} and {lower + 1} to {engineering(thinner, 'm')} apart",
            "set-dielectric",
            {"upper": upper, "lower": lower, "thickness": thinner},
        )
        after: float | None = allowance.excess_db(float(pair_inductance(thinner, DISTANCE, RADIUS)))
        if thinner >= distance:  # near enough as it is
            change = None
        elif len(board.layers) == 2:  # the whole board would be that thin
            change, after = Proposal("a capacitor beside each pin that needs one, or four layers"), None
        per_area = EPS0 * float(np.mean(facing.er[rows])) / distance
        yield Finding(
            check=NAME,
            subject=(board.layers[upper].name, board.layers[lower].name),
            title=f"Ground and {', '.join(nets[:4])} are {engineering(distance, 'm')} apart",
            message=f"Layers {upper + 1} and {lower + 1} face each other over {area * 1e4:.3g} cm² "
            f"at {engineering(distance, 'm')}: "
            f"{engineering(inductance, 'H')} between a pin and a capacitor 10 mm away, {per_area * 1e8:.3g} pF/cm².",
            place=Place((at.x, at.y), facing.shape(largest), (upper, lower), tuple(nets)),
            predicted=inductance,
            allowance=allowance,
            cause=CauseHint(
                f"spacing:{board.layers[upper].name}:{board.layers[lower].name}",
                f"Ground and supply on layers {upper + 1} and {lower + 1} are {engineering(distance, 'm')} apart",
                change,
            ),
            remedies=(Remedy(change, after, "estimate" if after is not None else "not solved"),) if change else (),
            evidence={
                "distance_mm": distance * 1e3,
                "facing_area_mm2": area * 1e6,
                "capacitance_pf": float(facing.capacitance[rows].sum()) * 1e12,
            },
        )


def _nearest_grounds(view: View, groups: dict[tuple[int, int], list[int]]) -> list[tuple[int, int]]:
    """For each layer of supply copper the ground layer that counts: the nearest one that faces at least half of what
    the best one faces."""
    board, facing = view.board, view.facing
    by_supply: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for pair, rows in groups.items():
        upper_net = int(board.areas.net[facing.upper[rows[0]]])
        by_supply[pair[0] if view.roles[upper_net].kind == SUPPLY else pair[1]].append(pair)
    chosen = []
    for pairs in by_supply.values():
        area = {pair: float(facing.area[groups[pair]].sum()) for pair in pairs}
        wide = [pair for pair in pairs if area[pair] >= max(area.values()) / 2]
        chosen.append(min(wide, key=lambda pair: (float(facing.distance[groups[pair][0]]), -area[pair], pair)))
    return sorted(set(chosen))
