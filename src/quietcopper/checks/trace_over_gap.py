"""A trace that crosses a gap in the copper that carries its return current."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely

from quietcopper.electrical.choices import (
    barrier_width,
    clearance_between,
    ground_in_regions,
    openings_in_plane,
    supply_as_reference,
)
from quietcopper.electrical.crossings import Solved
from quietcopper.electrical.return_maps import map_at_gap
from quietcopper.electrical.signals import edge_current, edge_voltage
from quietcopper.electrical.tables import GROUND, SIGNAL, SUPPLY
from quietcopper.electrical.unlisted import WHY, are_rails, joint_unknown
from quietcopper.electrical.view import View
from quietcopper.electrical.ways import REACH, Ways, capacitor_beside, crossing_at, gap_inductance, gap_resistance
from quietcopper.errors import OutOfRange
from quietcopper.fields.returns import printed_slot_rule, series_reflection
from quietcopper.fields.spectra import knee
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

NAME = "trace-over-gap"
QUESTION = "Does a trace cross a gap in the copper that carries its return current?"
MECHANISM = """At a gap the return current leaves the trace: it goes round the opening, through the nearest capacitor or
via that bridges it, or through the planes' own capacitance. The voltage this takes stands across the gap, couples all
lines that cross it, and drives the two pieces against each other as an antenna."""
FORMULA = """Peak voltage of the net's edge current (swing / (source + Z0), rising in the net's rise time) across what
bridges the gap: for a slot or opening its excess inductance, solved on its shape as an aperture with all lines that
cross it, for a notch together with what lies beyond the edge; between two areas all vias and capacitors within 40 mm in
parallel, the planes' series capacitance with the gap's own, and the line's own 2·Z0. The detour's resistance at the
knee of the edge follows from Wheeler's rule (20 %), between two areas as copper squares of the way, not of what bridges
it. Clock and data lines that cross the same gap add theirs: by the
solved mutual inductance over an opening, else less with distance (logarithmic potential)."""
ALLOWANCES: Mapping[str, Limit] = {
    "noise_share": Limit(
        0.05,
        "1",
        "Johnson and Graham, High-Speed Digital Design; Bogatin, Signal and Power Integrity (from "
        "memory): noise budgets "
        "give one kind of noise some 5 % of the swing",
        "Share of the net's swing that may stand across one gap.",
    ),
}
SOURCES = (
    "Excess inductance of an opening: flux through it as charge on a plate of its shape (fields.slots), held to a "
    "stream function on the copper (fields.return_sheet) and to full-wave rows",
    "Wheeler, Proc. IRE 30(9), 1942: loss from inductance as walls are drawn back (from memory); rim of thick copper: "
    "Holloway and Kuester, IEEE Trans. MTT 43(12), 1995 (from memory)",
    "Johnson and Graham, High-Speed Digital Design: printed rule 5·D·ln(D/W), as a cross-check only (from memory)",
    "Edge into a line: Pozar, Microwave Engineering (from memory)",
)


FAST_KINDS = ("clock", "data")  # lines taken to switch together
BRIDGE_REACH = 2e-3  # m, how far from the crossing a proposed capacitor may stand
MAPS = 3  # findings that get a map of the return current
QUIET = 0.1  # of the allowance: what a slow line must take by itself to be a finding


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    gaps = view.gaps
    signal = np.array([role.kind == SIGNAL for role in view.roles])
    driven = np.array([driver.swing > 0 for driver in view.drivers])
    routed = np.unique(view.runs.net[signal[view.runs.net]])
    referred = np.unique(view.runs.net[(view.runs.reference >= 0) & signal[view.runs.net]])
    yield Coverage(NAME, len(referred), len(routed), "signal nets")
    if len(routed) > len(referred):
        yield NotChecked(
            NAME,
            "signal nets without any reference",
            "no filled copper lies above or below them, so there is no gap to cross",
            len(routed) - len(referred),
        )
    # A trace that runs for long just outside an edge is no crossing: trace-off-plane prices it.
    across = ~np.isfinite(gaps.slot) | (gaps.length < 6 * gaps.slot)
    crossing = np.flatnonzero(signal[gaps.net] & driven[gaps.net] & (gaps.after >= 0) & across)
    known = [not joint_unknown(view, int(gaps.before[row]), int(gaps.after[row])) for row in crossing]
    if not all(known):
        yield NotChecked(NAME, "crossings from one net's copper to another's", WHY, known.count(False))
        crossing = crossing[known]
    prices: dict[int, _Price] = {}
    unsolved = 0
    for row in crossing.tolist():
        try:
            prices[row] = _price(view, row)
        except OutOfRange:
            unsolved += 1
    if unsolved:
        yield NotChecked(
            NAME, "crossings", "the impedance or the opening lies outside what the solvers cover", unsolved
        )
    # One finding a net and gap: the worst crossing; the others are counted in it.
    groups: dict[tuple[tuple[int, ...], int], list[int]] = defaultdict(list)
    for row in prices:
        groups[_opening(view, row), int(gaps.net[row])].append(row)
    worst = {
        key: max(rows, key=lambda row: (round(prices[row].own, 9), -float(gaps.x[row]), -float(gaps.y[row])))
        for key, rows in groups.items()
    }
    beside: dict[tuple[int, ...], list[int]] = defaultdict(list)
    crossers: dict[str, set[int]] = defaultdict(set)
    for (opening, net), row in worst.items():
        beside[opening].append(row)
        crossers[_cause_key(view, row)].add(net)
    share = view.settings.allowance(f"{NAME}.noise_share", ALLOWANCES["noise_share"].default)
    found: list[tuple[Finding, int]] = []
    for (opening, net), row in worst.items():
        cause = _cause(view, row, crossers[_cause_key(view, row)])
        parts = _together(view, row, beside[opening], prices)
        bridged = _bridged(view, row, beside[opening], prices) if view.pictures else None
        if view.drivers[net].kind not in FAST_KINDS and prices[row].own < QUIET * share * view.drivers[net].swing:
            continue  # a quiet line: a victim of the others at most, and named with none of its own
        count = len(groups[opening, net])
        finding = _finding(view, row, count, prices[row], parts, bridged, cause, share * view.drivers[net].swing)
        found.append((finding, row))
    unbridged = sum("excess_resistance_ohm" not in finding.evidence for finding, _ in found)
    if unbridged:
        yield NotChecked(
            NAME,
            "inductance and resistance of the way round gaps",
            "nothing joins the two pieces, so that the return has no way on copper, only their capacitance",
            unbridged,
        )
    found.sort(key=lambda f: (-round(f[0].excess_db, 6), f[0].subject))
    for i, (finding, row) in enumerate(found):
        drawn = view.pictures and i < MAPS and finding.excess_db >= 0
        yield _with_map(view, finding, row, prices[row]) if drawn else finding


def _with_map(view: View, finding: Finding, row: int, price: _Price) -> Finding:
    """The finding with a map of the return current at the knee of the net's edge, where it can be drawn."""
    nearest = price.ways.nearest if price.ways is not None else None
    if price.ways is not None and nearest is None:
        return finding
    bridge = nearest.at if nearest is not None else None
    try:
        drawn = map_at_gap(view, row, float(knee(view.drivers[view.gaps.net[row]].rise)), bridge)
    except OutOfRange:
        return finding
    solved = view.crossings.of(row)
    way: dict[str, Any] = drawn.way()
    if solved is not None and isinstance(solved.opening, shapely.Polygon):
        outline = shapely.get_coordinates(shapely.simplify(solved.opening.exterior, 20e-6))
        way["opening_mm"] = [[round(float(x) * 1e3, 4), round(float(y) * 1e3, 4)] for x, y in outline]
    return replace(finding, evidence={**finding.evidence, "mode": drawn.drawing(), "return_path": way})


@dataclass(frozen=True)
class _Price:
    """Ways over the gap (None for an opening in one area), inductance (H), the line's own peak voltage (V), its Z0
    (ohm), how far the return is forced aside (m, inf where nothing bridges) and how wide it starts (m)."""

    ways: Ways | None
    inductance: float
    own: float
    z0: float
    reach: float
    radius: float


def _opening(view: View, row: int) -> tuple[int, ...]:
    """Which gap it is: the two areas on either side, the same one twice for openings in it."""
    gaps = view.gaps
    return tuple(sorted((int(gaps.before[row]), int(gaps.after[row]))))


def _together(view: View, row: int, rows: list[int], prices: dict[int, _Price]) -> list[tuple[str, float]]:
    """Voltage over the gap at one line's crossing, by the line that causes it (V), its own first, then largest first.

    A clock or data line that crosses at distance d puts the share ln(s/d)/ln(s/r) of its own voltage here as well: what
    the logarithmic potential of a plane's current leaves, s the way that the return is forced aside, r the radius it
    starts from; all of it where nothing bridges the gap. The lines' own impedances lie in parallel across the gap: over
    a gap that takes little, many lines together reach the mean of what each does alone, not the sum.
    """
    gaps, board, me = view.gaps, view.board, prices[row]
    solved = view.crossings.of(row) if me.ways is None else None
    if solved is not None:
        return _through_opening(view, row, solved, prices)
    # What the gap takes per volt, from the line's own voltage = current / (gap + 1/2Z0); 0 for an open gap.
    gap = max(edge_current(view.drivers[gaps.net[row]], me.z0) / me.own - 1 / (2 * me.z0), 0.0)
    crossing = [(row, 1.0)]
    for other in rows:
        if other == row or view.drivers[gaps.net[other]].kind not in FAST_KINDS:
            continue
        d = max(float(np.hypot(gaps.x[other] - gaps.x[row], gaps.y[other] - gaps.y[row])), me.radius)
        share = 1.0
        if np.isfinite(me.reach) and me.reach > me.radius:
            share = max(0.0, float(np.log(me.reach / d) / np.log(me.reach / me.radius)))
        if share > 0:
            crossing.append((other, share))
    loads = [share / (2 * prices[line].z0) for line, share in crossing]
    parts = [
        (board.nets[gaps.net[line]], share * prices[line].own * (gap + 1 / (2 * prices[line].z0)) / (gap + sum(loads)))
        for line, share in crossing
    ]
    # No driver puts more over a gap than its current over its own 2·Z0, whatever the others do.
    most = max(
        edge_current(view.drivers[gaps.net[line]], prices[line].z0) * 2 * prices[line].z0 for line, _ in crossing
    )
    scale = min(1.0, most / sum(voltage for _, voltage in parts))
    parts = [(name, voltage * scale) for name, voltage in parts]
    return [parts[0], *sorted(parts[1:], key=lambda part: (-round(part[1], 9), part[0]))]


def _through_opening(view: View, row: int, solved: Solved, prices: dict[int, _Price]) -> list[tuple[str, float]]:
    """As `_together`, from the inductances that the lines over one opening share: of another net its largest share."""
    gaps, board = view.gaps, view.board
    mine = int(gaps.net[row])
    others: dict[int, float] = {}
    for line in solved.rows:
        net = int(gaps.net[line])
        if net == mine or line not in prices or view.drivers[net].kind not in FAST_KINDS:
            continue
        own = solved.between(line, line)
        share = min(abs(solved.between(row, line)) / own, 1.0) if own > 0 else 0.0
        others[net] = max(others.get(net, 0.0), share * prices[line].own)
    parts = [(board.nets[net], v) for net, v in others.items() if v > 1e-3 * prices[row].own]
    crossing = [line for line in solved.rows if line in prices]
    most = max(edge_current(view.drivers[gaps.net[line]], prices[line].z0) * 2 * prices[line].z0 for line in crossing)
    scale = min(1.0, most / (prices[row].own + sum(v for _, v in parts)))
    parts = [(name, v * scale) for name, v in parts]
    own_part = (board.nets[mine], prices[row].own * scale)
    return [own_part, *sorted(parts, key=lambda part: (-round(part[1], 9), part[0]))]


def _gap_key(view: View, row: int) -> str:
    """Names the gap: the layer and the two areas' nets, or the layer and net of the opening."""
    board, gaps = view.board, view.gaps
    names = sorted({board.nets[board.areas.net[gaps.before[row]]], board.nets[board.areas.net[gaps.after[row]]]})
    return f"gap:{board.layers[gaps.reference[row]].name}:{'|'.join(name or 'no net' for name in names)}"


def _cause(view: View, row: int, crossers: set[int]) -> CauseHint:
    """Openings are a choice a layer and net, splits of ground one a layer; a gap next to supply copper is there because
    the layer is supply."""
    board, gaps = view.board, view.gaps
    reference = int(gaps.reference[row])
    label = board.layer_label(reference)
    nets = [int(board.areas.net[a]) for a in (gaps.before[row], gaps.after[row])]
    names = sorted({board.nets[net] or "netless copper" for net in nets})
    who = "1 line crosses" if len(crossers) == 1 else f"{len(crossers)} lines cross"
    if gaps.before[row] == gaps.after[row]:
        opening = openings_in_plane(view, row, len(crossers))
        return CauseHint(opening.key, opening.title, Proposal(*opening.change))
    if any(view.roles[net].kind == SUPPLY for net in nets):
        choice = supply_as_reference(view, reference)
        return CauseHint(choice.key, choice.title, Proposal(*choice.change))
    group = view.pieces.group[view.copper.piece_of_area]
    if all(view.roles[net].kind == GROUND for net in nets) and group[gaps.before[row]] != group[gaps.after[row]]:
        regions = ground_in_regions(view, int(gaps.before[row]), int(gaps.after[row]))
        return CauseHint(regions.key, regions.title, Proposal(*regions.change))
    what = f"pieces of {names[0]}" if len(names) == 1 else " and ".join(names)
    join = None  # copper of two nets must not be joined, but grounds may be
    if len(names) == 1 or all(view.roles[net].kind == GROUND for net in nets):
        join = _on_nets(view, f"join {what} on {label}", "join-areas", reference, nets)
    return CauseHint(_cause_key(view, row), f"{label} is split into {what}, and {who} from one to the other", join)


def _on_nets(view: View, text: str, kind: str, layer: int, nets: list[int]) -> Proposal:
    """A change to the areas of some nets on a layer; in words only where one of them has no name."""
    names = sorted({view.board.nets[net] for net in nets})
    if not all(names):
        return Proposal(text)
    return Proposal(text, kind, {"layer": layer} | ({"nets": names} if kind == "join-areas" else {"net": names[0]}))


def _cause_key(view: View, row: int) -> str:
    board, gaps = view.board, view.gaps
    layer = board.layers[gaps.reference[row]].name
    names = sorted({board.nets[board.areas.net[a]] for a in (gaps.before[row], gaps.after[row])})
    return f"{'openings' if gaps.before[row] == gaps.after[row] else 'split'}:{layer}:{'|'.join(names)}"


def _price(view: View, row: int) -> _Price:
    """Raises OutOfRange when the line's impedance was not solved, or the line runs beside copper, not over a gap."""
    gaps = view.gaps
    net, layer = int(gaps.net[row]), int(gaps.layer[row])
    z0 = view.impedance_of(net, layer)
    if z0 is None:
        raise OutOfRange("impedance not solved")
    crossing = crossing_at(view, row)
    radius = crossing.height + crossing.width / 4
    inductance, ways = gap_inductance(view, row)
    if ways is None:
        own = edge_voltage(view, net, z0, inductance, 0.0)
        return _Price(None, inductance, own, z0, float(gaps.slot[row]), radius)
    own = edge_voltage(view, net, z0, ways.inductance, ways.capacitance)
    reach = ways.nearest.distance if ways.nearest else np.inf
    return _Price(ways, ways.inductance, own, z0, reach, radius)


def _finding(
    view: View,
    row: int,
    count: int,
    price: _Price,
    parts: list[tuple[str, float]],
    bridged: float | None,
    cause: CauseHint,
    allowed: float,
) -> Finding:
    board, gaps = view.board, view.gaps
    ways, inductance, z0 = price.ways, price.inductance, price.z0
    peak = sum(voltage for _, voltage in parts)
    net, layer, reference = int(gaps.net[row]), int(gaps.layer[row]), int(gaps.reference[row])
    name = board.nets[net]
    before, after = (int(gaps.before[row]), int(gaps.after[row]))
    before_net, after_net = board.nets[board.areas.net[before]], board.nets[board.areas.net[after]]
    x, y = float(gaps.x[row]), float(gaps.y[row])
    label = board.layer_label(reference)
    allowance = Allowance(allowed, "V", ALLOWANCES["noise_share"].source, f"{NAME}.noise_share")
    if ways is None:
        between_words = f"an opening in {before_net or 'netless copper'} on {label}"
        way_words = f"round its end {engineering(float(gaps.slot[row]), 'm')} away"
        title = f"{name} crosses an opening in {before_net or 'netless copper'} on {label}"
    else:
        same = before_net == after_net
        between_words = (
            f"from one piece of {before_net or 'netless copper'} to another on {label}"
            if same
            else f"from {before_net or 'netless copper'} to {after_net or 'netless copper'} on {label}"
        )
        way_words = f"by {ways.words}"
        title = f"{name} crosses {between_words}"
    remedies = []
    if cause.change:  # a question cures nothing
        remedies.append(Remedy(cause.change, None, "not solved"))
    rails = are_rails(view, [int(board.areas.net[area]) for area in (before, after)])
    narrow = before_net != after_net and clearance_between(view, before, after) < barrier_width(view)
    if bridged is not None and rails and narrow:
        remedies.append(Remedy(_bridge(view, row), allowance.excess_db(bridged)))
    more = len(parts) - 1
    beside = "the line that crosses" if more == 1 else f"the {more} lines that cross"
    lines = f", {engineering(peak, 'V')} together with {beside} beside it" if more else ""
    rest = f", {count} times; this is the worst" if count > 1 else ""
    evidence: dict[str, Any] = {
        "gap_mm": float(gaps.length[row]) * 1e3,
        "excess_inductance_nh": inductance * 1e9 if np.isfinite(inductance) else "nothing bridges it",
        "edge_current_ma": edge_current(view.drivers[net], z0) * 1e3,
        "rise_ps": view.drivers[net].rise * 1e12,
        "line_impedance_ohm": z0,
        "alone_v": price.own,
    }
    if len(parts) > 1:
        evidence["contributions"] = [{"what": name, "value": v, "unit": "V"} for name, v in parts[:8]]
        evidence["lines_at_this_gap"] = len(parts)
    frequency = float(knee(view.drivers[net].rise))
    resistance = gap_resistance(view, row, frequency, ways)
    if np.isfinite(resistance):
        evidence |= {"excess_resistance_ohm": resistance, "excess_at_hz": frequency}
    if np.isfinite(inductance):
        evidence["reflection"] = float(series_reflection(inductance, z0, view.drivers[net].rise))
    if ways is not None:
        evidence["plane_capacitance_pf"] = ways.capacitance * 1e12
        nearest = ways.nearest
        if nearest is not None:
            evidence["reach"] = {
                "from_mm": [x * 1e3, y * 1e3],
                "to_mm": [nearest.at[0] * 1e3, nearest.at[1] * 1e3],
                "distance_mm": nearest.distance * 1e3,
                "what": nearest.what,
            }
    solved = view.crossings.of(row) if ways is None else None
    if ways is None:
        quick = ("a slot of the same detour", "the shape round the notch", "the opening's shape")
        at = 0 if solved is None else 1 if view.crossings.hole(row) < 0 else 2
        evidence["inductance_from"] = quick[at]
    if solved is not None and np.isfinite(solved.behind):
        evidence["plane_behind_mm"] = solved.behind * 1e3
    if ways is None and gaps.slot[row] > gaps.width[row]:
        printed = float(printed_slot_rule(float(gaps.slot[row]), float(gaps.width[row])))
        evidence["printed_rule_nh"] = printed * 1e9
    return Finding(
        check=NAME,
        subject=(name, board.layers[layer].name, *_gap_key(view, row).split(":")[1:]),
        title=title,
        message=f"{name} on {board.layer_label(layer)} passes {between_words}{rest}; its return goes {way_words} and "
        f"takes {engineering(price.own, 'V')} at each edge{lines}.",
        place=Place((x, y), gaps.line[row], (layer, reference), (name,)),
        predicted=peak,
        allowance=allowance,
        cause=cause,
        remedies=tuple(remedies),
        evidence=evidence,
    )


def _bridged(view: View, row: int, rows: list[int], prices: dict[int, _Price]) -> float | None:
    """Voltage over the gap at a line's crossing, V, with a new capacitor across it BRIDGE_REACH away, by the same
    formulas; it stands that much further from each other line. None for an opening in one area."""
    gaps = view.gaps
    if prices[row].ways is None:
        return None
    then = dict(prices)
    reach = min(prices[row].reach, BRIDGE_REACH)
    if reach <= prices[row].radius:
        reach = np.inf  # all count
    for line in {row, *rows}:
        away = BRIDGE_REACH + float(np.hypot(gaps.x[line] - gaps.x[row], gaps.y[line] - gaps.y[row]))
        price = prices[line]
        if price.ways is None or away > REACH or away - BRIDGE_REACH > reach:  # what lies beyond adds nothing here
            continue
        extra = capacitor_beside(view, int(gaps.reference[line]), crossing_at(view, line), away)
        total = 1 / (1 / extra + (1 / price.inductance if np.isfinite(price.inductance) else 0.0))
        own = edge_voltage(view, int(gaps.net[line]), price.z0, total, price.ways.capacitance)
        then[line] = replace(price, inductance=total, own=own, reach=min(price.reach, away))
    return sum(voltage for _, voltage in _together(view, row, rows, then))


def _bridge(view: View, row: int) -> Proposal:
    board, gaps = view.board, view.gaps
    nets = [board.nets[board.areas.net[a]] for a in (gaps.before[row], gaps.after[row])]
    return Proposal(
        f"a capacitor across the gap within {engineering(BRIDGE_REACH, 'm')} of the crossing",
        "bridge-gap" if all(nets) else "",
        {"at": (float(gaps.x[row]), float(gaps.y[row])), "nets": nets, "within": BRIDGE_REACH},
    )
