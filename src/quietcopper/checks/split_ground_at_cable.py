"""Separate ground regions with signals crossing between them and a cable on one of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping

import numpy as np

from quietcopper.board.model import Floats
from quietcopper.electrical.choices import BARRIER_MM, barrier_width, clearance_between, ground_in_regions
from quietcopper.electrical.emission import FieldEstimate, worst_field
from quietcopper.electrical.tables import GROUND, SIGNAL
from quietcopper.electrical.view import View
from quietcopper.electrical.ways import Ways, across_gap, crossing_at
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

NAME = "split-ground-at-cable"
QUESTION = "Do signals cross between separate ground regions of which one carries a cable?"
MECHANISM = """The return current of a line that crosses from one ground region to another has to find a way between
them,
and the voltage that takes drives the cable on one region against the other: a common-mode antenna with a source built
in."""
FORMULA = """Spectrum of the crossing line's current times the impedance of what joins the two regions near the crossing
(vias and capacitors in parallel with the planes' capacitance), into a cable taken as a resonant antenna of 37 ohm,
field
60·I/r. An upper bound for ranking."""
ALLOWANCES: Mapping[str, Limit] = {
    "barrier_mm": Limit(
        BARRIER_MM,
        "mm",
        "common practice, no source; the product's safety standard decides",
        "Regions at least this far apart on every layer look like a safety barrier: no bridge is proposed.",
    ),
}
SOURCES = (
    "Ott, Electromagnetic Compatibility Engineering: common-mode current on cables (from memory)",
    "CISPR 32 and 47 CFR 15.109: the limits",
)


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    board, gaps = view.board, view.gaps
    ground = np.array([role.kind == GROUND for role in view.roles])
    signal = np.array(
        [r.kind == SIGNAL and d.swing > 0 for r, d in zip(view.roles, view.drivers, strict=True)], dtype=bool
    )
    group = view.pieces.group[view.copper.piece_of_area] if len(board.areas) else np.empty(0, dtype=np.int32)
    tied = np.array(
        [ground[net] and not view.copper.floating[g] for net, g in zip(board.areas.net, group, strict=True)]
    )
    regions = sorted(set(group[tied].tolist())) if len(tied) else []
    cabled = _cables(view)
    yield Coverage(NAME, len(regions), len(regions), "ground regions")
    if len(regions) < 2:
        return
    both = np.flatnonzero(signal[gaps.net] & (gaps.before >= 0) & (gaps.after >= 0))
    crossing: dict[tuple[int, int], list[int]] = defaultdict(list)
    for row in both.tolist():
        a, b = int(gaps.before[row]), int(gaps.after[row])
        if tied[a] and tied[b] and group[a] != group[b]:  # a region tied to nothing is lone copper, not a ground
            low, high = sorted((int(group[a]), int(group[b])))
            crossing[low, high].append(int(row))
    unsolved = 0
    for (one, other), rows in sorted(crossing.items()):
        connectors = sorted({*cabled.get(one, ()), *cabled.get(other, ())})
        if not connectors:
            continue
        worst: tuple[float, int, FieldEstimate, Ways] | None = None
        for row in rows:
            net = int(gaps.net[row])
            z0 = view.impedance_of(net, int(gaps.layer[row]))
            if z0 is None:
                unsolved += 1
                continue
            a, b = int(gaps.before[row]), int(gaps.after[row])
            ways = across_gap(view, a, b, float(gaps.x[row]), float(gaps.y[row]), crossing_at(view, row))
            estimate = worst_field(view, net, z0, _impedance(ways, z0))
            if estimate is not None and (worst is None or estimate.field / estimate.limit > worst[0]):
                worst = (estimate.field / estimate.limit, row, estimate, ways)
        if worst is not None:
            yield _finding(view, worst[1], rows, worst[2], worst[3], connectors)
    if unsolved:
        yield NotChecked(NAME, "crossings", "the line's impedance was not solved", unsolved)


def _impedance(ways: Ways, z0: float) -> Callable[[Floats], Floats]:
    """|Z| of what joins the regions, in parallel with the line's own 2·Z0, at frequencies in Hz."""

    def magnitude(frequency: Floats) -> Floats:
        w = 2 * np.pi * frequency
        admittance = 1 / (2 * z0) + 1j * w * ways.capacitance
        if np.isfinite(ways.inductance):
            admittance = admittance + 1 / (1j * w * ways.inductance)
        return 1 / np.abs(admittance)

    return magnitude


def _cables(view: View) -> dict[int, set[str]]:
    """Connectors with a cable by the ground region (group of connected copper) that their pins tie to."""
    board = view.board
    out: dict[int, set[str]] = defaultdict(set)
    connectors = view.cabled_connectors
    pads = board.pads
    for row in np.flatnonzero(pads.pin >= 0):
        ref = str(board.parts.ref[board.pins.part[pads.pin[row]]])
        if ref in connectors and view.roles[pads.net[row]].kind == GROUND:
            out[int(view.pieces.group[view.copper.piece_of_pad[row]])].add(ref)
    return out


def _finding(
    view: View, row: int, rows: list[int], estimate: FieldEstimate, ways: Ways, connectors: list[str]
) -> Finding:
    board, gaps = view.board, view.gaps
    areas = int(gaps.before[row]), int(gaps.after[row])
    names = [board.nets[board.areas.net[a]] for a in areas]
    nets = sorted({board.nets[gaps.net[r]] for r in rows})
    worst, reference = board.nets[gaps.net[row]], int(gaps.reference[row])
    apart = clearance_between(view, *areas)
    allowance = Allowance(estimate.limit, "V/m", estimate.source, "review.standard")
    barrier = apart >= barrier_width(view)
    regions = ground_in_regions(view, *areas)
    change = Proposal(*regions.change)
    remedies = (Remedy(change, None, "not solved"),)
    who = f"two regions of {names[0]}" if names[0] == names[1] else f"{names[0]} and {names[1]}"
    many = f"{worst} crosses" if len(nets) == 1 else f"{len(nets)} lines cross, {worst} the worst"
    return Finding(
        check=NAME,
        subject=(*sorted(set(names)), *connectors),
        title=f"Signals cross between {who}, with a cable on {', '.join(connectors)}",
        message=f"{who[0].upper()}{who[1:]} are {engineering(apart, 'm')} apart; {many} between them; "
        f"the return goes by "
        f"{ways.words} and gives at most {estimate.words} with the cable attached.",
        place=Place(
            (float(gaps.x[row]), float(gaps.y[row])),
            gaps.line[row],
            (int(gaps.layer[row]), reference),
            tuple(nets),
            tuple(connectors),
        ),
        predicted=estimate.field,
        allowance=allowance,
        cause=CauseHint(regions.key, regions.title, change),
        remedies=remedies,
        evidence={
            "distance_mm": apart * 1e3,
            "lines_crossing": len(nets),
            "looks_like_a_barrier": barrier,
            "inductance_nh": ways.inductance * 1e9 if np.isfinite(ways.inductance) else "nothing joins them",
            "capacitance_pf": ways.capacitance * 1e12,
            "worst_frequency_hz": estimate.frequency,
            "spectrum": estimate.spectrum,
        },
        range_db=estimate.range_db,
    )
