"""A line whose solved impedance misses its target."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping

import numpy as np
import shapely

from quietcopper.electrical.pictures import section_picture
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import View
from quietcopper.electrical.widths import width_for
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

NAME = "impedance-off-target"
QUESTION = "Does a line with a target impedance meet it, as the copper around it really lies?"
MECHANISM = """Where the impedance differs from what the ends are matched to, part of each edge is reflected. A piece
that
is short against the edge reflects less, because its two ends cancel."""
FORMULA = """|Z - Z0| / (Z + Z0) with Z solved on the cross-sections cut from the board (boundary elements, error
estimate
0.2 %), averaged over the length; times 2·delay / rise time where the piece is shorter than half the edge. Fabrication
adds
some 10 %: the allowance is that tolerance's reflection."""
ALLOWANCES: Mapping[str, Limit] = {
    "tolerance": Limit(
        0.10,
        "1",
        "IPC-2141A (from memory): usual tolerance of a controlled impedance",
        "Deviation from the target that is accepted.",
    ),
    "long_share": Limit(
        1 / 6,
        "1",
        "Johnson and Graham, High-Speed Digital Design (from memory): a sixth of the edge's length",
        "A line counts as long from this share of its rise time in delay.",
    ),
}
SOURCES = (
    "Reflection at a step: Pozar, Microwave Engineering, section 2.3 (from memory)",
    "Cross-section solver: fields.section_solver, tested against exact cases",
)


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    board, runs, lines = view.board, view.runs, view.line_table
    tolerance = view.settings.allowance(f"{NAME}.tolerance", ALLOWANCES["tolerance"].default)
    share = view.settings.allowance(f"{NAME}.long_share", ALLOWANCES["long_share"].default)
    by_place: dict[tuple[int, int], list[int]] = defaultdict(list)
    for row, (net, layer) in enumerate(zip(runs.net.tolist(), runs.layer.tolist(), strict=True)):
        if view.roles[net].kind == SIGNAL:
            by_place[net, layer].append(row)
    nets = {net for net, _ in by_place}
    with_target = {net for net in nets if view.target_of(net) is not None}
    solved_nets = set()
    without = []
    for (net, layer), members in by_place.items():
        rows = np.array(members)
        rows = rows[np.isfinite(lines.z0[rows])]
        length = runs.length[rows]
        if not len(rows) or length.sum() == 0:
            continue
        solved_nets.add(net)
        target = view.target_of(net)
        delay = float((lines.delay[rows] * length).sum())
        if target is None:
            if view.drivers[net].swing > 0 and delay > share * view.drivers[net].rise:
                without.append(net)
            continue
        z = float(np.average(lines.z0[rows], weights=length))
        yield _finding(view, net, layer, rows, z, target, delay, tolerance)
    yield Coverage(NAME, len(with_target & solved_nets), len(with_target), "nets with a target")
    if with_target - solved_nets:
        names = ", ".join(sorted(board.nets[n] for n in with_target - solved_nets)[:6])
        yield NotChecked(NAME, names, "no cross-section of these lines could be solved", len(with_target - solved_nets))
    if without:
        yield NotChecked(
            NAME,
            "long lines without a target",
            "neither the file nor the settings name a target impedance (settings: target_ohm)",
            len(set(without)),
        )


def _finding(
    view: View, net: int, layer: int, rows: np.ndarray, z: float, target: float, delay: float, tolerance: float
) -> Finding:
    board, runs, lines = view.board, view.runs, view.line_table
    rise, name = view.drivers[net].rise, board.nets[net]
    length = float(runs.length[rows].sum())
    shorter = min(1.0, 2 * delay / rise) if rise > 0 else 1.0
    reflection = abs(z - target) / (z + target) * shorter
    allowance = Allowance(tolerance / (2 + tolerance), "1", ALLOWANCES["tolerance"].source, f"{NAME}.tolerance")
    longest = int(rows[np.argmax(runs.length[rows])])
    at = shapely.line_interpolate_point(runs.line[longest], 0.5, normalized=True)
    width = float(np.median(runs.width[rows]))
    remedies = []
    wider = width_for(lines.sections[lines.section[longest]], target, view.settings.min_width)
    if wider is not None:
        verb = "widen" if wider > width else "narrow"
        change = Proposal(
            f"{verb} {name} on {board.layer_label(layer)} to {engineering(wider, 'm')} for {target:g} Ω",
            "set-width",
            {"net": name, "layer": layer, "width": wider},
        )
        remedies.append(Remedy(change, None, "not solved"))
    return Finding(
        check=NAME,
        subject=(name, board.layers[layer].name),
        title=f"{name} is {z:.1f} Ω instead of {target:g} Ω",
        message=f"{name} on {board.layer_label(layer)} is {z:.1f} Ω over {engineering(length, 'm')} "
        f"against a target of "
        f"{target:g} Ω: {engineering(reflection, '1')} of each edge is reflected.",
        place=Place((at.x, at.y), shapely.union_all(runs.line[rows]), (layer,), (name,)),
        predicted=reflection,
        allowance=allowance,
        cause=CauseHint(
            f"impedance:{board.layers[layer].name}:{target:g}",
            f"Lines on {board.layer_label(layer)} miss their {target:g} Ω",
            remedies[0].change if remedies else None,
        ),
        remedies=tuple(remedies),
        evidence={
            "impedance": {
                "found_ohm": z,
                "target_ohm": target,
                "tolerance_percent": tolerance * 100,
                "name": f"{name} on {board.layer_label(layer)}",
            },
            "width_mm": width * 1e3,
            "length_mm": length * 1e3,
            "delay_ps": delay * 1e12,
            "rise_ps": rise * 1e12,
            "section": section_picture(lines.sections[lines.section[longest]], (name,)),
        },
    )
