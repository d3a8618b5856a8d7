"""A line whose return current must pass a neck of the copper under it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from quietcopper.board.model import Ints
from quietcopper.electrical.emission import FieldEstimate, worst_field
from quietcopper.electrical.neck_loops import neck_inductance
from quietcopper.electrical.reference_necks import Narrow, narrow_places
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.returns import plane_inductance
from quietcopper.findings import Allowance, CauseHint, Coverage, Finding, Limit, NotChecked, Place, Proposal, Remedy
from quietcopper.units import engineering

NAME = "pour-neck"
QUESTION = "Does the copper that carries a line's return narrow to a neck under it?"
MECHANISM = """In a neck the whole return current flows close together, and the copper's own inductance rises as the
neck narrows: the voltage along it drives the two wide parts against each other, and the cables that hang on them."""
FORMULA = """Voltage along the neck per current of the line, solved as a sheet on its real shape (7 %), for
the line that is worst by formula: the net inductance of a plane as wide as the neck, at the line's place across it
(exact for a thin line over a long, isolated, thin plane), summed in steps of 1 mm. Where the shape lies outside the
solver the finding says that the formula stands. Times the line's current at each frequency; an attached cable is taken
as a resonant antenna of 37 ohm, the field as 60·I/r. An upper bound for ranking: other planes lower it.
Openings up to 3 mm across are not counted, and lines near the outer edge are left to trace-off-plane."""
ALLOWANCES: Mapping[str, Limit] = {
    "widest_mm": Limit(5.0, "mm", "common practice, no source", "Wider copper is not taken for a neck."),
    "shortest_mm": Limit(3.0, "mm", "common practice, no source", "Shorter necks are passed over."),
}
SOURCES = (
    "Leone, IEEE Trans. EMC 43(4), 2001, 667-671: net inductance of a finite plane (solved again by conformal mapping)",
    "Return current on the plane's real shape: fields.return_sheet, held to the exact net inductance to 3 %",
    "Ott, Electromagnetic Compatibility Engineering: common-mode current on cables, 60·I/r at resonance (from memory)",
    "CISPR 32 and 47 CFR 15.109: the limits",
)
EDGE = 5.0  # heights from the outer edge within which trace-off-plane looks
TOGETHER = 2.5e-3  # m; samples nearer than this belong to one neck


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    runs = view.runs
    signal = np.array([r.kind == SIGNAL and d.swing > 0 for r, d in zip(view.roles, view.drivers, strict=True)])
    widest = view.settings.allowance(f"{NAME}.widest_mm", ALLOWANCES["widest_mm"].default) * 1e-3
    shortest = view.settings.allowance(f"{NAME}.shortest_mm", ALLOWANCES["shortest_mm"].default) * 1e-3
    routed = np.unique(runs.net[signal[runs.net]])
    rows = np.flatnonzero(signal[runs.net] & (runs.reference >= 0)).astype(np.int32)
    yield Coverage(NAME, len(np.unique(runs.net[rows])), len(routed), "signal nets")
    found = narrow_places(view, rows, widest)
    near = np.minimum(found.left, found.right) < EDGE * runs.reference_gap[found.run]
    inside = np.flatnonzero(~(found.outer & near))
    unsolved = 0
    for area in np.unique(found.area[inside]).tolist():
        mine = inside[found.area[inside] == area]
        for neck in _necks(found, mine):
            told = _price(view, found, neck, area, widest, shortest)
            if isinstance(told, Finding):
                yield told
            else:
                unsolved += told
    if unsolved:
        yield NotChecked(
            NAME, "lines over a neck", "their impedance was not solved, so their current is not known", unsolved
        )


def _necks(found: Narrow, rows: Ints) -> list[Ints]:
    """The samples of one area taken apart by place."""
    points = np.stack([found.x[rows], found.y[rows]], -1)
    pairs = cKDTree(points).query_pairs(TOGETHER, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(rows), len(rows)))
    label = connected_components(links, directed=False)[1]
    return [rows[label == i] for i in range(int(label.max(initial=-1)) + 1)]


def _price(view: View, found: Narrow, rows: Ints, area: int, widest: float, shortest: float) -> Finding | int:
    """The finding of one neck by the line that is worst over it; else the number of lines that were not solved."""
    runs, board = view.runs, view.board
    by_net: dict[int, list[int]] = defaultdict(list)
    for row in rows.tolist():
        by_net[int(runs.net[found.run[row]])].append(row)
    worst: tuple[FieldEstimate, int, Ints, float] | None = None
    unsolved = 0
    for net, members in sorted(by_net.items()):
        index = np.array(members, dtype=np.int32)
        if found.step[index].sum() < max(shortest, float(found.width[index].min())):
            continue  # what is shorter than it is wide, the current passes spread
        z0 = view.impedance_of(net, int(runs.layer[found.run[index[0]]]))
        if z0 is None:
            unsolved += 1
            continue
        inductance = _inductance(view, found, index, found.width[index])
        estimate = worst_field(view, net, z0, lambda f, own=inductance: 2 * np.pi * f * own)  # type: ignore[misc]
        if estimate is not None and (worst is None or estimate.excess_db > worst[0].excess_db + 1e-6):
            worst = estimate, net, index, inductance
    if worst is None:
        return unsolved
    estimate, net, index, formula = worst
    inductance, solved = formula, True
    try:
        inductance = neck_inductance(view, found, index, area)
    except OutOfRange:
        solved = False
    z0 = view.impedance_of(net, int(runs.layer[found.run[index[0]]]))
    again = worst_field(view, net, z0, lambda f: 2 * np.pi * f * inductance) if z0 is not None else None
    estimate = again or estimate
    least = int(index[np.argmin(np.round(found.width[index], 9))])
    width, length = float(found.width[least]), float(found.step[index].sum())
    x, y = float(found.x[least]), float(found.y[least])
    across = np.array([-found.along_y[least], found.along_x[least]])
    ends = [np.array([x, y]) + found.left[least] * across, np.array([x, y]) - found.right[least] * across]
    layer, own = int(board.areas.layer[area]), int(runs.layer[found.run[least]])
    name, plane = board.nets[net], board.nets[board.areas.net[area]] or "netless copper"
    label = board.layer_label(layer)
    wide = _inductance(view, found, index, np.maximum(found.width[index], widest))
    allowance = Allowance(estimate.limit, "V/m", estimate.source, "review.standard")
    text = f"widen {plane} on {label} there to {engineering(widest, 'm')} and more"
    many = len(by_net)
    return Finding(
        check=NAME,
        subject=(plane, board.layers[layer].name, view.near(x, y)),
        title=f"{plane} on {label} narrows to {engineering(width, 'm', 2)} under {name}",
        message=f"{plane} on {label} narrows to {engineering(width, 'm', 2)} over {engineering(length, 'm', 2)} under "
        f"{name}{f' and {many - 1} more' if many > 1 else ''}: {engineering(inductance, 'H')} of plane in the return"
        f"{'' if solved else ' (by the formula for a long plane as wide, good for necks longer than wide)'}, "
        f"at most {estimate.words} with a cable attached.",
        place=Place((x, y), shapely.LineString(ends), (own, layer), (name,)),
        predicted=estimate.field,
        allowance=allowance,
        cause=CauseHint(
            f"necks:{board.layers[layer].name}:{plane}", f"{plane} on {label} narrows to necks under lines"
        ),
        remedies=(Remedy(Proposal(text), allowance.excess_db(estimate.field * wide / formula)),),
        evidence={
            "neck_width_mm": width * 1e3,
            "neck_length_mm": length * 1e3,
            "lines_over_it": many,
            "plane_inductance_nh": inductance * 1e9,
            "plane_inductance_formula_nh": formula * 1e9,
            "plane_inductance_from": "the neck's shape" if solved else "the formula for a long plane",
            "worst_frequency_hz": estimate.frequency,
            "spectrum": estimate.chart(),
        },
        range_db=estimate.range_db,
    )


def _inductance(view: View, found: Narrow, index: Ints, width: np.ndarray) -> float:
    """Net inductance of the copper under a line's samples, were it `width` (n,) wide, H."""
    offset = (found.left[index] - found.right[index]) / 2
    height = view.runs.reference_gap[found.run[index]]
    return float((plane_inductance(width, offset, height) * found.step[index]).sum())
