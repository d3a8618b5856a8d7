"""A trace that crosses a gap in the copper that carries its return current."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from quietcopper.electrical.signals import edge_current, edge_voltage
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import View
from quietcopper.electrical.ways import Ways, between, capacitor_beside
from quietcopper.errors import OutOfRange
from quietcopper.fields.returns import printed_slot_rule, series_reflection, slot_inductance
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
bridges
the gap: for a slot or opening its excess inductance (slender-slot form of the aperture problem, within 8 to 40 %, on
the
high side); between two areas all vias and capacitors within 40 mm in parallel, the planes' series capacitance, and the
line's own 2·Z0. Lines that cross the same gap add theirs; the evidence gives the sum."""
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
    "Excess inductance of a slot: magnetic dual of a thin neutral rod, derived and tested in fields.returns",
    "Johnson and Graham, High-Speed Digital Design: printed rule 5·D·ln(D/W), as a cross-check only (from memory)",
    "Edge into a line: Pozar, Microwave Engineering (from memory)",
)


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
    crossing = np.flatnonzero(signal[gaps.net] & driven[gaps.net] & (gaps.after >= 0))
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
    # One finding a net and gap: the worst crossing; the others are counted in its evidence.
    groups: dict[tuple[str, int], list[int]] = defaultdict(list)
    for row in prices:
        groups[_gap_key(view, row), int(gaps.net[row])].append(row)
    together: dict[str, list[float]] = defaultdict(list)
    crossers: dict[str, set[int]] = defaultdict(set)
    for (key, net), rows in groups.items():
        together[key].append(max(prices[row].peak for row in rows))
        crossers[_cause_key(view, rows[0])].add(net)
    share = view.settings.allowance(f"{NAME}.noise_share", ALLOWANCES["noise_share"].default)
    for (key, net), rows in groups.items():
        worst = max(rows, key=lambda row: (round(prices[row].peak, 9), -float(gaps.x[row]), -float(gaps.y[row])))
        cause = CauseHint(
            _cause_key(view, worst),
            _cause_title(view, worst, len(crossers[_cause_key(view, worst)])),
            _cure(view, worst),
        )
        yield _finding(view, worst, len(rows), prices[worst], together[key], cause, share * view.drivers[net].swing)


@dataclass(frozen=True)
class _Price:
    """Ways over the gap (None for an opening in one area), inductance (H), peak voltage (V), the line's Z0 (ohm)."""

    ways: Ways | None
    inductance: float
    peak: float
    z0: float


def _gap_key(view: View, row: int) -> str:
    """Names the gap: the layer and the two areas' nets, or the layer and net of the opening."""
    board, gaps = view.board, view.gaps
    names = sorted({board.nets[board.areas.net[gaps.before[row]]], board.nets[board.areas.net[gaps.after[row]]]})
    return f"gap:{board.layers[gaps.reference[row]].name}:{'|'.join(name or 'no net' for name in names)}"


def _cause_key(view: View, row: int) -> str:
    """All splits of one layer are one choice; openings are a choice a layer and net."""
    board, gaps = view.board, view.gaps
    layer = board.layers[gaps.reference[row]].name
    if gaps.before[row] == gaps.after[row]:
        return f"openings:{layer}:{board.nets[board.areas.net[gaps.before[row]]]}"
    return f"split:{layer}"


def _cure(view: View, row: int) -> Proposal:
    board, gaps = view.board, view.gaps
    reference = int(gaps.reference[row])
    label = board.layer_label(reference)
    nets = [int(board.areas.net[a]) for a in (gaps.before[row], gaps.after[row])]
    if gaps.before[row] == gaps.after[row]:
        return Proposal(f"close the openings in {board.nets[nets[0]]} on {label}", "join-areas", {"layer": reference})
    if nets[0] == nets[1]:
        return Proposal(f"join the pieces of {board.nets[nets[0]]} on {label}", "join-areas", {"layer": reference})
    return Proposal(f"{label} becomes ground", "area-to-net", {"layer": reference, "net": view.ground_name})


def _price(view: View, row: int) -> _Price:
    """Raises OutOfRange when the line's impedance was not solved or the opening is no slender slot."""
    board, gaps = view.board, view.gaps
    net, layer = int(gaps.net[row]), int(gaps.layer[row])
    z0 = view.impedance_of(net, layer)
    if z0 is None:
        raise OutOfRange("impedance not solved")
    if np.isfinite(gaps.slot[row]):
        height = board.distance(*sorted((layer, int(gaps.reference[row]))))
        # `slot` is the detour to the nearer end; a trace in the middle of a slot twice as long has the same detour.
        length = max(2 * float(gaps.slot[row]), 3 * float(gaps.length[row]))
        inductance = float(slot_inductance(length, float(gaps.length[row]), height, float(gaps.width[row])))
        return _Price(None, inductance, edge_voltage(view, net, z0, inductance, 0.0), z0)
    ways = between(view, int(gaps.before[row]), int(gaps.after[row]), float(gaps.x[row]), float(gaps.y[row]))
    peak = edge_voltage(view, net, z0, ways.inductance, ways.capacitance)
    return _Price(ways, ways.inductance, peak, z0)


def _finding(
    view: View, row: int, count: int, price: _Price, together: list[float], cause: CauseHint, allowed: float
) -> Finding:
    board, gaps = view.board, view.gaps
    ways, inductance, peak, z0 = price.ways, price.inductance, price.peak, price.z0
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
    remedies = [Remedy(cause.change, float("-inf"))] if cause.change else []
    if ways is not None and before_net != after_net:
        remedies.append(_bridged(view, row, ways, z0, allowance))
    rest = f", {count} times; this is the worst" if count > 1 else ""
    evidence: dict[str, Any] = {
        "gap_mm": float(gaps.length[row]) * 1e3,
        "excess_inductance_nh": inductance * 1e9 if np.isfinite(inductance) else "nothing bridges it",
        "edge_current_ma": edge_current(view.drivers[net], z0) * 1e3,
        "rise_ps": view.drivers[net].rise * 1e12,
        "line_impedance_ohm": z0,
        "lines_over_this_gap": len(together),
        "all_lines_together_v": float(sum(together)),
    }
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
    elif gaps.slot[row] > gaps.width[row]:
        printed = float(printed_slot_rule(float(gaps.slot[row]), float(gaps.width[row])))
        evidence["printed_rule_nh"] = printed * 1e9
    return Finding(
        check=NAME,
        subject=(name, board.layers[layer].name, *_gap_key(view, row).split(":")[1:]),
        title=title,
        message=f"{name} on {board.layer_label(layer)} passes {between_words}{rest}; "
        f"its return goes {way_words} and takes "
        f"{engineering(peak, 'V')} at each edge.",
        place=Place((x, y), gaps.line[row], (layer, reference), (name,)),
        predicted=peak,
        allowance=allowance,
        cause=cause,
        remedies=tuple(remedies),
        evidence=evidence,
    )


def _cause_title(view: View, row: int, lines: int) -> str:
    board, gaps = view.board, view.gaps
    reference = int(gaps.reference[row])
    label = board.layer_label(reference)
    who = "1 line crosses" if lines == 1 else f"{lines} lines cross"
    if gaps.before[row] == gaps.after[row]:
        return f"{board.nets[board.areas.net[gaps.before[row]]] or 'Netless copper'} on {label} is open, and {who} it"
    names = [board.nets[net] or "netless copper" for net in np.unique(board.areas.net[board.areas.layer == reference])]
    return f"{label} is split ({', '.join(names[:5])}{' …' if len(names) > 5 else ''}), and {who} from piece to piece"


def _bridged(view: View, row: int, ways: Ways, z0: float, allowance: Allowance) -> Remedy:
    """What a capacitor across the gap right beside the crossing would leave, by the same formula."""
    board, gaps = view.board, view.gaps
    net = int(gaps.net[row])
    extra = capacitor_beside(view, int(gaps.reference[row]))
    total = 1 / (1 / extra + (1 / ways.inductance if np.isfinite(ways.inductance) else 0.0))
    peak = edge_voltage(view, net, z0, total, ways.capacitance)
    at = (float(gaps.x[row]), float(gaps.y[row]))
    nets = [board.nets[board.areas.net[a]] for a in (gaps.before[row], gaps.after[row])]
    change = Proposal("a capacitor across the gap within 2 mm of the crossing", "bridge-gap", {"at": at, "nets": nets})
    return Remedy(change, allowance.excess_db(peak))
