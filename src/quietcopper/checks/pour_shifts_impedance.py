"""Pour beside a line that lowers the line's impedance."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np
import shapely

from quietcopper.electrical.pictures import driven_alone, section_picture
from quietcopper.electrical.section_parts import part_lines
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import View
from quietcopper.fields.section import CrossSection
from quietcopper.fields.section_solver import Solution, solve_many
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

NAME = "pour-shifts-impedance"
QUESTION = "Does pour on a line's own layer lie so close that it lowers the line's impedance?"
MECHANISM = """Copper beside a line takes part of its field, so capacitance rises and impedance falls, often where
nobody
looks because the width is right. The step reflects, and a line that passes in and out of the pour reflects at each
end."""
FORMULA = """The section as cut from the board solved twice, with the copper on the line's own layer and without it: the
reflection |Z1 - Z2| / (Z1 + Z2) of the step between the two, times 2·delay / rise time where the stretch is shorter
than half the edge. Only lines with a target, or longer than a sixth of their edge."""
ALLOWANCES: Mapping[str, Limit] = {
    "shift": Limit(
        0.05,
        "1",
        "half of the usual 10 % tolerance of a controlled impedance (IPC-2141A, from memory); the "
        "half is common practice, "
        "no source",
        "Share by which pour may shift a line's impedance.",
    ),
    "long_share": Limit(
        1 / 6,
        "1",
        "Johnson and Graham, High-Speed Digital Design (from memory): a sixth of the edge's length",
        "A line counts as long from this share of its rise time in delay.",
    ),
}
SOURCES = (
    "Coplanar lines over a plane: Ghione and Naldi, IEEE Trans. MTT 1987; solved here by boundary elements",
    "Reflection at a step: Pozar, Microwave Engineering, section 2.3 (from memory)",
)


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    runs, lines = view.runs, view.line_table
    parts = lines.parts
    share = view.settings.allowance(f"{NAME}.long_share", ALLOWANCES["long_share"].default)
    shift = view.settings.allowance(f"{NAME}.shift", ALLOWANCES["shift"].default)
    solved = np.flatnonzero(np.isfinite(parts.z0))
    nets, layers = runs.net[parts.run], runs.layer[parts.run]
    delay = np.zeros(len(view.roles))
    np.add.at(delay, nets[solved], parts.delay[solved] * parts.length[solved])
    fast = [driver.kind in ("clock", "data") for driver in view.drivers]  # nobody listens to the edges of slow lines
    counts = {
        net
        for net in np.unique(nets[solved]).tolist()
        if view.roles[net].kind == SIGNAL
        and view.drivers[net].swing > 0
        and (view.target_of(net) is not None or (fast[net] and delay[net] > share * view.drivers[net].rise))
    }
    yield Coverage(NAME, len(counts), len(counts), "long lines and lines with a target")
    with_pour = sorted(
        {
            int(parts.section[row])
            for row in solved
            if int(nets[row]) in counts and _coplanar(lines.sections[parts.section[row]])
        }
    )
    bare = solve_many([_without(lines.sections[i]) for i in with_pour], cache=view.sections)
    z_bare = {i: s.impedance() for i, s in zip(with_pour, bare, strict=True) if isinstance(s, Solution)}
    if len(z_bare) < len(with_pour):
        yield NotChecked(
            NAME, "sections", "without the pour they lie outside what the solver covers", len(with_pour) - len(z_bare)
        )
    groups: dict[tuple[int, int], list[int]] = defaultdict(list)
    for row in solved:
        if int(nets[row]) in counts and int(parts.section[row]) in z_bare:
            groups[int(nets[row]), int(layers[row])].append(int(row))
    for (net, layer), rows in sorted(groups.items()):
        yield _finding(view, net, layer, np.array(rows), z_bare, shift)


def _coplanar(section: CrossSection) -> list[int]:
    """Which grounds of a section lie on the line's own layer."""
    y = section.lines[0].y
    return [i for i, s in enumerate(section.grounds) if abs(s.y - y) < 1e-7]


def _without(section: CrossSection) -> CrossSection:
    own = set(_coplanar(section))
    return replace(section, grounds=tuple(s for i, s in enumerate(section.grounds) if i not in own))


def _worst_part(
    rows: np.ndarray, bare: np.ndarray, z0: np.ndarray, length: np.ndarray, delay: np.ndarray, rise: float
) -> tuple[np.ndarray, np.ndarray]:
    """Of all stretches beside pour those that together reflect most, and their impedance without it: the most shifted
    ones, as many as outweigh by their length that they lower the mean."""
    order = np.lexsort((rows, -np.round(np.abs(bare - z0), 6)))
    whole = np.cumsum(length[order])
    with_pour, without = (np.cumsum((z * length)[order]) / whole for z in (z0, bare))
    shorter = np.minimum(1.0, 2 * np.cumsum((delay * length)[order]) / rise)
    reflection = np.abs(with_pour - without) / (with_pour + without) * shorter
    kept = order[: int(np.argmax(np.round(reflection, 9))) + 1]
    return rows[kept], bare[kept]


def _finding(view: View, net: int, layer: int, rows: np.ndarray, z_bare: dict[int, float], shift: float) -> Finding:
    board, sections, parts = view.board, view.line_table.sections, view.line_table.parts
    name, rise = board.nets[net], view.drivers[net].rise
    bare = np.array([z_bare[int(parts.section[row])] for row in rows])
    rows, bare = _worst_part(rows, bare, parts.z0[rows], parts.length[rows], parts.delay[rows], rise)
    length = parts.length[rows]
    z_with, z_without = float(np.average(parts.z0[rows], weights=length)), float(np.average(bare, weights=length))
    delay = float((parts.delay[rows] * length).sum())
    shorter = min(1.0, 2 * delay / rise)
    reflection = abs(z_with - z_without) / (z_with + z_without) * shorter
    where = part_lines(view, rows)
    worst = int(np.argmax(np.round(np.abs(bare - parts.z0[rows]) * length, 12)))
    at = shapely.line_interpolate_point(where[worst], 0.5, normalized=True)
    section = sections[int(parts.section[rows[worst]])]
    strip = section.lines[0]
    gap = min(
        abs(section.grounds[i].x - strip.x) - (section.grounds[i].width + strip.width) / 2 for i in _coplanar(section)
    )
    allowance = Allowance(shift / (2 + shift), "1", ALLOWANCES["shift"].source, f"{NAME}.shift")
    height = min(s.thickness for s in section.sheets) if section.sheets else strip.width
    away = 3 * height
    change = Proposal(
        f"keep pour at least {engineering(max(away, gap), 'm')} from {name} on {board.layer_label(layer)}",
        "set-pour-gap",
        {"net": name, "layer": layer, "gap": max(away, gap)},
    )
    return Finding(
        check=NAME,
        subject=(name, board.layers[layer].name),
        title=f"Pour beside {name} lowers it from {z_without:.1f} to {z_with:.1f} Ω",
        message=f"Copper {engineering(gap, 'm')} beside {name} on {board.layer_label(layer)} takes its impedance from "
        f"{z_without:.1f} to {z_with:.1f} Ω over {engineering(float(length.sum()), 'm')}: "
        f"{engineering(reflection, '1')} of "
        "each edge is reflected.",
        place=Place((at.x, at.y), shapely.union_all(where), (layer,), (name,)),
        predicted=reflection,
        allowance=allowance,
        cause=CauseHint(
            f"pour beside lines:{board.layers[layer].name}",
            f"Pour on {board.layer_label(layer)} lies close beside long lines",
            Proposal(f"wider clearance of the pour on {board.layer_label(layer)}", of_places=True),
        ),
        remedies=(Remedy(change, None, "not solved"),),
        evidence={
            "impedance": {"found_ohm": z_with, "target_ohm": z_without, "name": "with pour, against without"},
            "pour_gap_mm": gap * 1e3,
            "length_mm": float(length.sum()) * 1e3,
            "section": section_picture(
                section, (name,), driven_alone(section) if allowance.excess_db(reflection) > 0 else None
            ),
        },
    )
