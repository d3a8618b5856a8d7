"""A signal via whose return current has no good way to change planes with it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from shapely import Point

from quietcopper.changes.base import ChangeError, Rules
from quietcopper.changes.vias import free_via_places
from quietcopper.electrical.choices import barrier_width, clearance_between, supply_as_reference
from quietcopper.electrical.pierced import Pierced, pierced, plane_voltage
from quietcopper.electrical.signals import edge_current, edge_voltage
from quietcopper.electrical.tables import GROUND, SIGNAL, SUPPLY
from quietcopper.electrical.transitions import one_piece
from quietcopper.electrical.unlisted import WHY, are_rails, joint_unknown
from quietcopper.electrical.view import View
from quietcopper.electrical.ways import VIA_RADIUS, Added, Ways, between_layers, new_mounting
from quietcopper.errors import OutOfRange
from quietcopper.fields.returns import resonance
from quietcopper.fields.spectra import knee
from quietcopper.fields.vias import return_inductance
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

NAME = "layer-change-without-return"
QUESTION = (
    "Where a line changes layers and its reference changes with it, is there a way for the return current beside it?"
)
MECHANISM = """The return current must pass from one plane to the other. What it finds, vias, capacitors or only the
planes' own capacitance, takes a voltage between the planes at each edge, which every other via through that pair picks
up and the board's edge radiates."""
FORMULA = """Peak voltage between the two reference planes as the net's edge current passes: through all return vias
within 40 mm, solved together with their mutual inductance, or through the capacitors between the planes' nets with
their mounting, in parallel with the pair's capacitance and the line's own 2·Z0. Where that comes within 12 dB of the
allowance, the plane pairs that the via pierces are solved with all their ties and capacitors (modes and their
resonances included), and the figure is the response of that impedance to the edge, unless it is
three times the first: then a way off these planes is missing from it.
The other line of a differential pair that changes between the same planes within 3 mm is a return via as well."""
ALLOWANCES: Mapping[str, Limit] = {
    "noise_share": Limit(
        0.02,
        "1",
        "one part of a noise budget of some 5 % of the swing (Johnson and Graham; Bogatin; from memory); the split "
        "of the budget is common practice, no source",
        "Share of the net's swing that one layer change may put between two planes.",
    ),
}
SOURCES = (
    "Inductance of a via with its return vias: logarithmic potentials of parallel conductors, exact between two planes",
    "Full-wave rows for a via with and without return: plane voltage goes as acosh(s/2r); a lone via may resonate with "
    "the planes' capacitance",
)
BESIDE = 1e-3  # m; where the proposed return via would stand
# Of the allowance (-12 dB) by the quick figure, from which on the planes are solved. The quick one reads 0 to 9 dB
# higher (it rings without loss), so that the step from one to the other lies below what is shown.
SCREEN = 0.25
AROUND = 3e-3  # m; how far from the signal via free places are looked for
SOUGHT = 8  # findings for which they are
TRIED = 60  # places compared, nearest first
MOST_VIAS = 4
PARTNER = 3e-3  # m; as near the other line of a pair must change layers to carry the return; common practice, no source
LACKS = 3.0  # times the quick figure: planes that are solved to more lack a way that the quick one counts; own choice
HELPS = 0.94  # of the voltage before (0.5 dB): a change that gains less is no proposal
NUDGE = 0.1e-3  # m; within which a chosen place is met


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    changes = view.layer_changes
    signal = np.array(
        [r.kind == SIGNAL and d.swing > 0 for r, d in zip(view.roles, view.drivers, strict=True)], dtype=bool
    )
    mine = np.flatnonzero(signal[changes.net])
    both = mine[(changes.upper_area[mine] >= 0) & (changes.lower_area[mine] >= 0)]
    known = [not joint_unknown(view, int(changes.upper_area[row]), int(changes.lower_area[row])) for row in both]
    yield Coverage(NAME, sum(known), len(mine), "layer changes of signals")
    if len(mine) > len(both):
        yield NotChecked(
            NAME, "layer changes", "no copper carries the return on one of the two layers", len(mine) - len(both)
        )
    if not all(known):
        yield NotChecked(NAME, "layer changes from one net's copper to another's", WHY, known.count(False))
        both = both[known]
    share = view.settings.allowance(f"{NAME}.noise_share", ALLOWANCES["noise_share"].default)
    groups: dict[tuple[int, int, int, int, int], list[int]] = defaultdict(list)
    pieces = 0
    for row in both.tolist():
        if changes.upper_ref[row] == changes.lower_ref[row]:
            # The two faces of one plane: the return passes through the antipad. Two pieces of it: it does not.
            pieces += not one_piece(view.board, int(changes.upper_area[row]), int(changes.lower_area[row]))
        else:
            key = (changes.net, changes.upper, changes.lower, changes.upper_ref, changes.lower_ref)
            groups[tuple(int(c[row]) for c in key)].append(row)  # type: ignore[index]
    if pieces:
        yield NotChecked(
            NAME, "layer changes", "the references are two pieces of one layer that join elsewhere", pieces
        )
    unsolved = 0
    chosen: list[_Worst] = []
    for rows in groups.values():
        net = int(changes.net[rows[0]])
        z0 = view.impedance_of(net, int(changes.upper[rows[0]])) or view.impedance_of(net, int(changes.lower[rows[0]]))
        if z0 is None:
            unsolved += len(rows)
            continue
        priced = [(_peak(view, row, z0, _partner(view, row)), row) for row in rows]
        (peak, ways), worst = max(
            priced, key=lambda p: (round(p[0][0], 9), -float(changes.x[p[1]]), -float(changes.y[p[1]]))
        )
        chosen.append(_Worst(worst, len(rows), peak, ways, z0, share * view.drivers[net].swing))
    chosen.sort(key=lambda w: (-round(w.peak / w.allowed, 9), w.row))
    through = pierced(view, [w.row for w in chosen if w.peak >= SCREEN * w.allowed])
    places = _Places(view)
    for w in chosen:
        yield _finding(view, w, through.get(w.row), places)
    if unsolved:
        yield NotChecked(NAME, "layer changes", "the line's impedance was not solved", unsolved)


@dataclass(frozen=True)
class _Worst:
    """The dearest of a net's like layer changes: row in view.layer_changes, how many there are, the quick figure for
    its voltage (V), the ways of its return, line impedance (ohm), what is allowed (V)."""

    row: int
    count: int
    peak: float
    ways: Ways
    z0: float
    allowed: float


class _Places:
    """Where return vias really fit, looked up for the first few findings that need them."""

    def __init__(self, view: View) -> None:
        self.view, self.left = view, SOUGHT
        settings = view.settings
        self.rules = Rules(settings.min_spacing, settings.min_width, barrier_width(view))

    def best(self, row: int, refs: list[int], net: str, wanted: float) -> list[tuple[float, float]] | None:
        """Free places for at most MOST_VIAS vias of a net, each where it lowers the return's inductance most, until it
        is `wanted` times what it was; None where it is not looked up, empty where nothing fits."""
        if self.left == 0 or not net:
            return None
        self.left -= 1
        view, changes = self.view, self.view.layer_changes
        x, y = float(changes.x[row]), float(changes.y[row])
        radius = float(view.board.vias.drill[changes.via[row]]) / 2
        try:
            free, size = free_via_places(view.board, self.rules, net, (x, y), AROUND, refs)
        except ChangeError:
            return []
        areas = int(changes.upper_area[row]), int(changes.lower_area[row])
        known = between_layers(view, *areas, x, y, radius)
        placed = [(at[0] - x, at[1] - y) for at in (way.at for way in known.ways)]
        height = view.board.distance(*sorted(refs))

        def inductance(extra: list[tuple[float, float]]) -> float:
            try:
                return return_inductance(height, radius, [*placed, *((a - x, b - y) for a, b in extra)], radius)
            except OutOfRange:
                return np.inf

        start = known.inductance
        out: list[tuple[float, float]] = []
        while len(out) < MOST_VIAS:
            apart = [p for p in free if all(np.hypot(p[0] - a, p[1] - b) >= size.pad + 2e-4 for a, b in out)]
            if not apart:
                break
            tried = [(round(inductance([*out, p]), 15), i) for i, p in enumerate(apart[:TRIED])]
            figure, i = min(tried)
            if not np.isfinite(figure):
                break
            out.append(apart[i])
            if figure <= wanted * start:
                break
        return out


def _peak(view: View, row: int, z0: float, added: Added | None = None) -> tuple[float, Ways]:
    """Peak voltage between the two planes at one edge, V, and the ways that the return has."""
    changes = view.layer_changes
    net, areas = int(changes.net[row]), (int(changes.upper_area[row]), int(changes.lower_area[row]))
    radius = float(view.board.vias.drill[changes.via[row]]) / 2
    ways = between_layers(view, *areas, float(changes.x[row]), float(changes.y[row]), radius, added)
    return edge_voltage(view, net, z0, ways.inductance, ways.capacitance), ways


def _partner(view: View, row: int) -> Added | None:
    """The other line of a differential pair as the way back of a layer change, where it changes between the same
    planes beside it: it carries the opposite current, and between the two planes only what the pair's turn leaves."""
    changes = view.layer_changes
    other = view.partner_of.get(int(changes.net[row]))
    if other is None:
        return None
    alike = np.flatnonzero(
        (changes.net == other)
        & (changes.upper_area == changes.upper_area[row])
        & (changes.lower_area == changes.lower_area[row])
    )
    away = np.hypot(changes.x[alike] - changes.x[row], changes.y[alike] - changes.y[row])
    if not len(away) or away.min() > PARTNER:
        return None
    radius = float(view.board.vias.drill[changes.via[alike[int(np.argmin(away))]]]) / 2
    return Added(float(away.min()), radius)


def _finding(view: View, worst: _Worst, through: Pierced | None, places: _Places) -> Finding:
    row, count, ways, z0, allowed = worst.row, worst.count, worst.ways, worst.z0, worst.allowed
    solved = worst.peak if through is None else plane_voltage(view, int(view.layer_changes.net[row]), through, z0)
    # The quick figure rings without loss. Where it is lower by far it knows of a way off these two planes; the solved
    # planes know nothing of a pair's other line.
    partner = _partner(view, row)
    peak = worst.peak if solved > (LACKS if partner is None else 1.0) * worst.peak else solved
    board, changes = view.board, view.layer_changes
    net = int(changes.net[row])
    driver, name = view.drivers[net], board.nets[net]
    upper, lower = int(changes.upper[row]), int(changes.lower[row])
    refs = int(changes.upper_ref[row]), int(changes.lower_ref[row])
    ref_nets = [board.nets[board.areas.net[a]] for a in (changes.upper_area[row], changes.lower_area[row])]
    x, y = float(changes.x[row]), float(changes.y[row])
    near = view.near(x, y)
    allowance = Allowance(allowed, "V", ALLOWANCES["noise_share"].source, f"{NAME}.noise_share")
    spacing = board.distance(*sorted(refs))
    radius = float(board.vias.drill[changes.via[row]]) / 2
    same = ref_nets[0] == ref_nets[1]
    bridgeable = same or _may_be_joined(view, int(changes.upper_area[row]), int(changes.lower_area[row]))
    if same:
        change = Proposal(
            f"a {ref_nets[0]} via within 1 mm of the signal via",
            "add-via" if ref_nets[0] else "",
            {"net": ref_nets[0], "at": (x, y), "within": BESIDE, "layers": sorted(refs)},
        )
        added = Added(BESIDE, radius)
    else:
        change = Proposal(
            f"a capacitor from {ref_nets[0]} to {ref_nets[1]} within 2 mm",
            "bridge-gap" if all(ref_nets) else "",
            {"nets": ref_nets, "at": (x, y), "within": 2 * BESIDE},
        )
        added = Added(2 * BESIDE, VIA_RADIUS, new_mounting(view, refs[1]))
    quick, _ = _peak(view, row, z0, added)
    after = peak * min(quick / worst.peak, 1.0)
    bridgeable = bridgeable and after < HELPS * peak
    if same and peak > allowed:
        change = _placed_vias(change, places.best(row, sorted(refs), ref_nets[0], allowed / peak))
    evidence: dict[str, object] = {
        "edge_current_ma": edge_current(driver, z0) * 1e3,
        "rise_ps": driver.rise * 1e12,
        "plane_distance_mm": spacing * 1e3,
        "plane_capacitance_pf": ways.capacitance * 1e12,
        "voltage_from": "what lies near, lumped"
        if through is None or peak != solved
        else "the planes, solved with all that joins them",
        "transition": {"upper": upper, "lower": lower, "upper_reference": refs[0], "lower_reference": refs[1]},
    }
    nearest = ways.nearest
    if np.isfinite(ways.inductance):
        evidence["return_inductance_nh"] = ways.inductance * 1e9
        if ways.capacitance > 0:
            ring = float(resonance(ways.inductance, ways.capacitance))
            evidence["planes_ring_mhz"] = ring / 1e6
            evidence["rings_below_knee"] = ring < float(knee(driver.rise))
    if nearest is not None:
        evidence["reach"] = {
            "from_mm": [x * 1e3, y * 1e3],
            "to_mm": [nearest.at[0] * 1e3, nearest.at[1] * 1e3],
            "distance_mm": nearest.distance * 1e3,
            "what": nearest.what,
        }
    if through is not None:
        level, at = through.per_volt(z0, float(knee(driver.rise)))
        evidence["plane_voltage_per_volt"] = level
        evidence["worst_frequency_hz"] = at
        first = through.first_peak()
        if first is not None:
            evidence["first_resonance_hz"] = first
            evidence["rings_below_knee"] = first < float(knee(driver.rise))
        evidence["spectrum"] = {
            "frequency_hz": through.frequency.tolist(),
            "level_ohm": [float(f"{v:.4g}") for v in np.abs(through.impedance)],
        }
        if len(through.pairs) > 1:
            evidence["plane_pairs_pierced"] = len(through.pairs)
    cause = _cause(view, row, ref_nets, change if bridgeable else None)
    way = ways.words if partner is None else f"the pair's other line {partner.distance * 1e3:.1f} mm away"
    rest = f" ({count} such vias; this is the worst)" if count > 1 else ""
    planes = " to ".join(
        f"{ref or 'netless copper'} on {board.layers[layer].name}" for ref, layer in zip(ref_nets, refs, strict=True)
    )
    return Finding(
        check=NAME,
        subject=(name, board.layers[upper].name, board.layers[lower].name),
        title=f"{name} changes layers with no good return{f' near {near}' if near else ''}",
        message=f"{name} goes from {board.layer_label(upper)} to {board.layer_label(lower)}{rest}; "
        f"its return must pass "
        f"from {planes} by {way} and puts {engineering(peak, 'V')} between the planes at each edge.",
        place=Place((x, y), Point(x, y), (upper, lower), (name,)),
        predicted=peak,
        allowance=allowance,
        cause=cause,
        remedies=_remedies(cause, Remedy(change, allowance.excess_db(after)) if bridgeable else None),
        evidence=evidence,
    )


def _may_be_joined(view: View, a: int, b: int) -> bool:
    """Whether a capacitor between two areas (rows) is a remedy: not between the copper of signals, and not between two
    grounds that keep their distance like the sides of a safety barrier."""
    nets = [int(view.board.areas.net[area]) for area in (a, b)]
    if not are_rails(view, nets):
        return False
    grounds = all(view.roles[net].kind == GROUND for net in nets)
    return not grounds or clearance_between(view, a, b) < barrier_width(view)


def _placed_vias(change: Proposal, places: list[tuple[float, float]] | None) -> Proposal:
    """The proposal of one via beside the line's own, put where vias really fit and do most."""
    if places is None:
        return change
    if not places:
        return Proposal(f"{change.text}; no place within {engineering(AROUND, 'm')} is free on all layers")
    net, layers = change.arguments["net"], change.arguments["layers"]
    vias = [{"net": net, "at": at, "within": NUDGE, "layers": layers} for at in places]
    if len(vias) == 1:
        x, y = places[0]
        return Proposal(
            f"a {net} via at {x * 1e3:.2f}, {y * 1e3:.2f} mm, the free place that does most", "add-via", vias[0]
        )
    text = f"{len(vias)} {net} vias in the free places round the signal via that do most"
    return Proposal(text, "several", {"changes": [{"kind": "add-via", "arguments": via} for via in vias]})


def _cause(view: View, row: int, ref_nets: list[str], change: Proposal | None) -> CauseHint:
    """Between two planes of one net the line's own vias lack company; next to supply copper the supply is the
    choice."""
    changes, board = view.layer_changes, view.board
    name = board.nets[changes.net[row]]
    for area, layer in ((changes.lower_area, changes.lower_ref), (changes.upper_area, changes.upper_ref)):
        if view.roles[board.areas.net[area[row]]].kind == SUPPLY:
            choice = supply_as_reference(view, int(layer[row]))
            return CauseHint(choice.key, choice.title, Proposal(*choice.change))
    if ref_nets[0] == ref_nets[1]:
        own = CauseHint(
            f"layer change:{ref_nets[0]}:{name}", f"{name} changes layers without {ref_nets[0]} vias beside it", change
        )
        ref = _part_beside(view, row)
        if not ref:
            return own
        title = f"Lines change layers beside {ref} without {ref_nets[0]} vias beside them"
        return CauseHint(f"layer change:{ref_nets[0]}:{ref}", title, alone=own)
    pair = sorted(net or "netless copper" for net in ref_nets)
    title = f"Lines change between {pair[0]} and {pair[1]} as their reference, with too little that joins the two"
    return CauseHint(f"layer change:{'|'.join(pair)}", title)


def _part_beside(view: View, row: int) -> str:
    """The part of the net's own pin that is nearest to a change of layers, '' for none."""
    board, changes = view.board, view.layer_changes
    pins = np.flatnonzero((board.pins.net == changes.net[row]) & (board.pins.part >= 0))
    if not len(pins):
        return ""
    away = np.hypot(board.pins.x[pins] - changes.x[row], board.pins.y[pins] - changes.y[row])
    nearest = pins[np.lexsort((pins, np.round(away, 7)))[0]]
    return str(board.parts.ref[board.pins.part[nearest]])


def _remedies(cause: CauseHint, beside: Remedy | None) -> tuple[Remedy, ...]:
    """The cause's own change first, which takes the change of reference away, then what would help at this via."""
    here = () if beside is None else (beside,)
    if cause.change is None or (beside is not None and cause.change == beside.change):
        return here
    return Remedy(cause.change, None, "not solved"), *here
