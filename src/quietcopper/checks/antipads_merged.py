"""Antipads of a row of holes that have merged into one slot of a plane."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import shapely

from quietcopper.board.model import Floats, Ints
from quietcopper.electrical.openings import clearances
from quietcopper.electrical.signals import edge_voltage
from quietcopper.electrical.tables import GROUND, SIGNAL, SUPPLY
from quietcopper.electrical.view import View
from quietcopper.electrical.ways import SLENDER
from quietcopper.fields.returns import slot_inductance
from quietcopper.findings import (
    Allowance,
    CauseHint,
    Coverage,
    Finding,
    Limit,
    Place,
    Proposal,
    Remedy,
)
from quietcopper.units import MM, engineering

NAME = "antipads-merged"
QUESTION = "Have the openings round neighbouring holes merged into a slot of a plane, with fast lines that end in it?"
MECHANISM = """Between holes whose antipads touch no copper is left: a row of them is a slot. The return current of a
line that ends at one of the holes cannot pass between them to the ground pin or via on the other side; it goes round
the slot's end, and all lines in the row share that inductance."""
FORMULA = """Inductance of the slot at the hole's place along it, in its slender form (10 % of the aperture's solution
from 8 slot widths on, up to 13 % low at 3), as if the return had to pass to the other side: an upper bound where ground
stands on the line's own side. Peak voltage that the line's edge takes across it, with the line's 2·Z0 in parallel."""
ALLOWANCES: Mapping[str, Limit] = {
    "noise_share": Limit(
        0.02,
        "1",
        "one part of a noise budget of some 5 % of the swing (Johnson and Graham; Bogatin; from memory); the split "
        "of the budget is common practice, no source",
        "Share of a line's swing that the return may drop round a merged slot.",
    ),
    "smallest_mm": Limit(4.0, "mm", "common practice, no source", "Shorter slots are passed over."),
}
SOURCES = (
    "Aperture problem of a slot under a trace, solved in full for the validation of the slender form",
    "Merged antipads of a connector's row as a slot: Johnson and Graham, High-Speed Digital Design, chapter 5 (from "
    "memory)",
)
ONCE = "a pin or hole of the row left out, so that copper passes once in its middle"
AROUND = 0.5e-3  # m round a slot, where its openings are made smaller
ANTIPADS = 0.5  # share of an opening that its holes' own antipads fill, at least; else it is another opening


@dataclass(frozen=True, eq=False)
class _Slot:
    """An opening made of antipads. area : row in board.areas; holes : rows in board.vias; length, gap : m, of the
    smallest box round it, gap as its mean width; along : unit vector of its length; middle : m"""

    area: int
    shape: shapely.Polygon
    holes: Ints
    length: float
    gap: float
    along: Floats
    middle: Floats


def look(view: View) -> Iterator[Finding | Coverage]:
    allow = {key: view.settings.allowance(f"{NAME}.{key}", limit.default) for key, limit in ALLOWANCES.items()}
    planes = [row for row, net in enumerate(view.board.areas.net.tolist()) if view.roles[net].kind in (GROUND, SUPPLY)]
    for row in planes:
        for slot in _slots(view, row, allow["smallest_mm"] * MM):
            finding = _judge(view, slot, allow["noise_share"])
            if finding is not None:
                yield finding
    yield Coverage(NAME, len(planes), len(planes), "ground and supply areas")


def _slots(view: View, area: int, smallest: float) -> list[_Slot]:
    board, vias = view.board, view.board.vias
    layer = int(board.areas.layer[area])
    rings = shapely.get_rings(board.areas.shape[area])[1:]
    bounds = shapely.bounds(rings).reshape(-1, 4)
    long = np.hypot(bounds[:, 2] - bounds[:, 0], bounds[:, 3] - bounds[:, 1]) >= smallest
    openings = shapely.polygons(rings[long])
    passes = np.flatnonzero(
        vias.plated & (vias.first <= layer) & (vias.last >= layer) & (vias.net != board.areas.net[area])
    )
    if not len(openings) or not len(passes):
        return []
    points = shapely.points(vias.x[passes], vias.y[passes])
    opening, hole = shapely.STRtree(points).query(openings, predicate="contains")
    out = []
    for i in np.flatnonzero(np.bincount(opening, minlength=len(openings)) > 1).tolist():
        holes = passes[hole[opening == i]].astype(np.int32)
        shape = openings[i]
        clear = clearances(board, holes, layer)
        discs = shapely.union_all(
            shapely.buffer(shapely.points(vias.x[holes], vias.y[holes]), np.where(np.isfinite(clear), clear, 0.0))
        )
        if shapely.area(shapely.intersection(discs, shape)) < ANTIPADS * shape.area:
            continue
        corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))
        sides = np.diff(corners[:3], axis=0)
        size = np.hypot(*sides.T)
        length = float(size.max())
        gap = shape.area / length
        if length < max(smallest, SLENDER * gap):
            continue
        along = sides[int(np.argmax(size))] / length
        out.append(_Slot(area, shape, holes, length, gap, along, corners[:4].mean(axis=0)))
    return sorted(out, key=lambda s: s.shape.bounds)


def _judge(view: View, slot: _Slot, share: float) -> Finding | None:
    """The worst of the lines that end in a slot; None where no driven line does."""
    board, runs = view.board, view.runs
    priced = []
    for hole in slot.holes.tolist():
        net = int(board.vias.net[hole])
        driver = view.drivers[net]
        if view.roles[net].kind != SIGNAL or driver.swing <= 0:
            continue
        mine = np.flatnonzero((runs.net == net) & (runs.reference == slot.area))
        if not len(mine):
            continue
        at = shapely.Point(board.vias.x[hole], board.vias.y[hole])
        run = int(mine[np.lexsort((mine, np.round(shapely.distance(runs.line[mine], at), 9)))[0]])
        z0 = view.impedance_of(net, int(runs.layer[run]))
        if z0 is None:
            continue
        offset = float((np.array([at.x, at.y]) - slot.middle) @ slot.along)
        figures = (slot.gap, float(runs.reference_gap[run]), float(runs.width[run]))
        whole = _inductance(slot.length, offset, *figures)
        half = _inductance(slot.length / 2, abs(offset) - slot.length / 4, *figures)
        volts = [edge_voltage(view, net, z0, inductance, 0.0) for inductance in (whole, half)]
        priced.append((volts[0] / driver.swing, volts, whole, hole, net))
    if not priced:
        return None
    _, volts, inductance, hole, net = max(priced, key=lambda p: (round(p[0], 9), -p[3]))
    allowance = Allowance(share * view.drivers[net].swing, "V", ALLOWANCES["noise_share"].source, f"{NAME}.noise_share")
    layer, plane = int(board.areas.layer[slot.area]), board.nets[board.areas.net[slot.area]]
    label, near = board.layer_label(layer), view.near(*slot.middle.tolist())
    lines = sorted({board.nets[row[4]] for row in priced})
    x0, y0, x1, y1 = slot.shape.bounds
    box = (x0 - AROUND, y0 - AROUND, x1 + AROUND, y1 + AROUND)
    spacing = engineering(view.settings.min_spacing, "m")
    change = Proposal(
        f"smaller openings in {label} round these holes, {spacing} from their pads, so that copper stays between them",
        "close-openings",
        {"layer": layer, "net": plane, "box": box},
    )
    everywhere = Proposal(
        f"smaller openings in {label} round holes in rows, so that copper stays between them", of_places=True
    )
    return Finding(
        check=NAME,
        subject=(board.layers[layer].name, plane, near),
        title=f"Antipads of {len(slot.holes)} holes form a slot in {plane} on {label}{f' near {near}' if near else ''}",
        message=f"The openings of {len(slot.holes)} holes in {plane} on {label} have merged into a slot "
        f"{engineering(slot.length, 'm')} long and {engineering(slot.gap, 'm')} wide; {board.nets[net]}, which ends in "
        f"it, takes up to {engineering(volts[0], 'V')} round it at each edge.",
        place=Place((float(board.vias.x[hole]), float(board.vias.y[hole])), slot.shape, (layer,), tuple(lines)),
        predicted=volts[0],
        allowance=allowance,
        cause=CauseHint(
            f"antipads:{board.layers[layer].name}", f"Antipads in {label} have merged into slots", everywhere
        ),
        remedies=(Remedy(change, None, "not solved"), Remedy(Proposal(ONCE), allowance.excess_db(volts[1]))),
        evidence={
            "slot_mm": slot.length / MM,
            "slot_width_mm": slot.gap / MM,
            "holes_in_it": len(slot.holes),
            "driven_lines_that_end_in_it": len(lines),
            "inductance_nh": inductance * 1e9,
            "rise_ps": view.drivers[net].rise * 1e12,
        },
    )


def _inductance(length: float, offset: float, gap: float, height: float, width: float) -> float:
    """Of a slot at a place along it, H; a shorter one than the formula takes counts as the shortest it takes."""
    length = max(length, SLENDER * gap)
    edge = 0.499 * length
    return float(slot_inductance(length, gap, height, width, float(np.clip(offset, -edge, edge))))
