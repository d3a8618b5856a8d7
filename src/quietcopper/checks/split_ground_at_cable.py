"""Separate ground regions with signals crossing between them and a cable on one of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping

import numpy as np
import shapely

from quietcopper.board.model import Floats, Ints
from quietcopper.electrical.choices import BARRIER_MM, barrier_width, clearance_between, ground_in_regions
from quietcopper.electrical.emission import FieldEstimate, worst_field
from quietcopper.electrical.grounds import between_regions
from quietcopper.electrical.tables import GROUND, SIGNAL
from quietcopper.electrical.view import View
from quietcopper.electrical.ways import Ways, across_gap, crossing_at
from quietcopper.fields.counterpoise import counterpoise_share
from quietcopper.fields.radiation import CABLE_IMPEDANCE, RESONANT
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
60·I/r. Where only one region has a cable, the other is the antenna's other half, and a small one lessens the current:
sin(2 pi l/wave) of its diagonal. An upper bound for ranking: peaks over all lengths and places of the cable."""
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
    "Deng, Hubing, Beetner, IEEE Trans. EMC 50(1), 2008: the board as the cable's counterpoise (formula from memory)",
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
        bare = [g for g in (one, other) if not cabled.get(g)]
        size = _diagonal(view, group, bare[0]) if bare else None
        for row in rows:
            net = int(gaps.net[row])
            z0 = view.impedance_of(net, int(gaps.layer[row]))
            if z0 is None:
                unsolved += 1
                continue
            a, b = int(gaps.before[row]), int(gaps.after[row])
            ways = across_gap(view, a, b, float(gaps.x[row]), float(gaps.y[row]), crossing_at(view, row))
            estimate = worst_field(view, net, z0, _impedance(ways, z0, size))
            if estimate is not None and (worst is None or estimate.field / estimate.limit > worst[0]):
                worst = (estimate.field / estimate.limit, row, estimate, ways)
        if worst is not None:
            yield _finding(view, worst[1], rows, worst[2], worst[3], connectors, size)
    if unsolved:
        yield NotChecked(NAME, "crossings", "the line's impedance was not solved", unsolved)


def _diagonal(view: View, group: Ints, region: int) -> float:
    """Of a region's copper, m."""
    x0, y0, x1, y1 = shapely.total_bounds(view.board.areas.shape[group == region])
    return float(np.hypot(x1 - x0, y1 - y0))


def _impedance(ways: Ways, z0: float, size: float | None) -> Callable[[Floats], Floats]:
    """|Z| of what joins the regions, in parallel with the line's own 2·Z0, at frequencies in Hz; less where the region
    without a cable, `size` m across, is a poor counterpoise."""

    def magnitude(frequency: Floats) -> Floats:
        w = 2 * np.pi * frequency
        admittance = 1 / (2 * z0) + 1j * w * ways.capacitance
        if np.isfinite(ways.inductance):
            admittance = admittance + 1 / (1j * w * ways.inductance)
        share = 1.0 if size is None else counterpoise_share(size, frequency)
        return np.asarray(share / np.abs(admittance), dtype=float)

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
    view: View,
    row: int,
    rows: list[int],
    estimate: FieldEstimate,
    ways: Ways,
    connectors: list[str],
    size: float | None,
) -> Finding:
    board, gaps = view.board, view.gaps
    areas = int(gaps.before[row]), int(gaps.after[row])
    names = [board.nets[board.areas.net[a]] for a in areas]
    nets = sorted({board.nets[gaps.net[r]] for r in rows})
    worst, reference = board.nets[gaps.net[row]], int(gaps.reference[row])
    apart = clearance_between(view, *areas)
    allowance = Allowance(estimate.limit, "V/m", estimate.source, "review.standard")
    barrier = apart >= barrier_width(view)
    share = 1.0 if size is None else float(counterpoise_share(size, estimate.frequency))
    voltage = estimate.field * view.settings.distance / RESONANT * CABLE_IMPEDANCE / share
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
            "joined_by": _joints(view, *areas),
            "voltage_between_mv": voltage * 1e3,
            "counterpoise": "the other region's cable" if size is None else f"{engineering(size, 'm')} of copper",
            "inductance_nh": ways.inductance * 1e9 if np.isfinite(ways.inductance) else "nothing joins them",
            "capacitance_pf": ways.capacitance * 1e12,
            "worst_frequency_hz": estimate.frequency,
            "spectrum": estimate.chart(),
        },
        range_db=estimate.range_db,
    )


def _joints(view: View, a: int, b: int) -> str:
    """What joins the regions of two areas, wherever it stands."""
    group = view.pieces.group[view.copper.piece_of_area]
    ends = sorted((int(group[a]), int(group[b])))
    found = [j for pair in between_regions(view) if [pair.a, pair.b] == ends for j in pair.joints]
    return ", ".join(f"{j.kind} {j.name}" for j in found) or "nothing"
