"""A differential pair with a target impedance that its copper does not give."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import shapely

from quietcopper.board.model import Floats, Ints
from quietcopper.electrical.pair_ways import PairSections, PairWay, pair_sections, pair_way
from quietcopper.electrical.pictures import section_picture
from quietcopper.electrical.profile import piece_lines
from quietcopper.electrical.view import View
from quietcopper.electrical.widths import resized, sizes_for_pair
from quietcopper.errors import OutOfRange
from quietcopper.fields.line_network import worst_stretch
from quietcopper.fields.spectra import full_rise
from quietcopper.findings import Allowance, CauseHint, Coverage, Finding, Limit, NotChecked, Place, Proposal, Remedy
from quietcopper.units import MM, engineering

NAME = "pair-off-target"
QUESTION = "Does a differential pair with a target impedance meet it, as the copper around it really lies?"
MECHANISM = """Where the differential impedance differs from what the ends are matched to, part of each edge is
reflected. Pour beside the pair, another gap between its lines or a stretch apart change it as much as a wrong width."""
FORMULA = """Cut along the positive line with the negative one in the section, both solved together: Zdiff is the
voltage between them over the current when they are driven in opposition; where the other line is not beside, twice
the single line's. The share of the edge that is reflected is the mean of (Zdiff - target)/(Zdiff + target) over the
half edge that returns together (first order). A proposal is a width and a gap solved on the section of the longest
piece; what it leaves is solved on every section of that layer."""
ALLOWANCES: Mapping[str, Limit] = {
    "tolerance": Limit(
        0.10,
        "1",
        "IPC-2141A (from memory): usual tolerance of a controlled impedance",
        "Share by which the differential impedance may differ from its target.",
    ),
}
SOURCES = (
    "IPC-2141A: differential impedance of a pair (from memory)",
    "Small reflections added in first order: Pozar, Microwave Engineering, section 5.5 (from memory)",
)


@dataclass(frozen=True, eq=False)
class _Worst:
    """Where a pair reflects most. share : with its sign; rows : of the PairSections, where it comes from"""

    share: float
    rows: Ints


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    meant = [(pair, target) for pair in view.pairs if (target := view.differential_target_of(pair)) is not None]
    looked = 0
    for pair, target in meant:
        way = pair_way(view, pair)
        found = pair_sections(view, way) if way is not None else None
        if way is None or found is None or not (np.isfinite(found.spacing) & np.isfinite(found.differential)).any():
            continue
        looked += 1
        worst = _worst(view, way, found, found.differential, target)
        if worst is not None:
            yield _finding(view, way, found, worst, target)
    yield Coverage(NAME, looked, len(meant), "pairs with a target")
    if looked < len(meant):
        why = "their lines do not lead between the same parts, or nowhere run side by side on solved sections"
        yield NotChecked(NAME, "pairs", why, len(meant) - looked)


def _worst(view: View, way: PairWay, found: PairSections, differential: Floats, target: float) -> _Worst | None:
    rows = np.flatnonzero(np.isfinite(differential)).astype(np.int32)
    delay = way.positive.delay[found.piece[rows]]
    rise = float(full_rise(min(view.drivers[net].rise for net in (way.pair.positive, way.pair.negative))))
    share, start, stop = worst_stretch(differential[rows], delay, rise, target)
    if share == 0:
        return None
    after = np.cumsum(delay)
    inside = (after > start) & (after - delay < stop) & (np.sign(differential[rows] - target) == np.sign(share))
    return _Worst(share, rows[inside])


def _finding(view: View, way: PairWay, found: PairSections, worst: _Worst, target: float) -> Finding:
    board, profile = view.board, way.positive
    one, other = board.nets[way.pair.positive], board.nets[way.pair.negative]
    tolerance = view.settings.allowance(f"{NAME}.tolerance", ALLOWANCES["tolerance"].default)
    allowance = Allowance(tolerance / (2 + tolerance), "1", ALLOWANCES["tolerance"].source, f"{NAME}.tolerance")
    pieces = found.piece[worst.rows]
    length = profile.length[pieces]
    z = float(np.average(found.differential[worst.rows], weights=length))
    longest = int(np.argmax(np.round(length, 9)))
    row, layer = int(worst.rows[longest]), int(profile.layer[pieces[longest]])
    label = board.layer_label(layer)
    lines = piece_lines(view, profile, pieces)
    at = shapely.line_interpolate_point(lines[longest], 0.5, normalized=True)
    apart = not np.isfinite(found.spacing[row])
    evidence: dict[str, object] = {
        "impedance": {
            "found_ohm": z,
            "target_ohm": target,
            "tolerance_percent": tolerance * 100,
            "name": f"{one} and {other} on {label}",
        },
        "length_mm": float(length.sum()) / MM,
        "width_mm": float(profile.width[pieces[longest]]) / MM,
        "impedance_profile": _picture(way, found, target),
    }
    remedies: tuple[Remedy, ...] = ()
    if allowance.excess_db(abs(worst.share)) > -6:
        remedies = _remedies(view, way, found, row, target, allowance)
    if not apart:
        section = found.sections[int(found.section[row])]
        evidence["gap_mm"] = float(found.spacing[row]) / MM
        if allowance.excess_db(abs(worst.share)) > -6:
            volts = (1.0, -1.0, *(0.0 for _ in section.lines[2:]))
            evidence["section"] = section_picture(section, (one, other), volts)
    how = "apart from each other" if apart else f"{engineering(float(found.spacing[row]), 'm')} apart"
    return Finding(
        check=NAME,
        subject=(one, other),
        title=f"{one} and {other} are {z:.1f} Ω between them instead of {target:g} Ω",
        message=f"{one} and {other} on {label}, {how}, are {z:.1f} Ω between them over "
        f"{engineering(float(length.sum()), 'm')} against a target of {target:g} Ω: "
        f"{engineering(abs(worst.share), '1')} of each edge is reflected.",
        place=Place((at.x, at.y), shapely.union_all(lines), (layer,), (one, other)),
        predicted=abs(worst.share),
        allowance=allowance,
        cause=CauseHint(
            f"pair target:{board.layers[layer].name}:{target:g}:{round(float(profile.width[pieces[longest]]) * 1e6)}",
            f"Pairs on {label} miss their {target:g} Ω between the lines",
            remedies[0].change if remedies else None,
        ),
        remedies=remedies,
        evidence=evidence,
    )


def _remedies(
    view: View, way: PairWay, found: PairSections, row: int, target: float, allowance: Allowance
) -> tuple[Remedy, ...]:
    """Widths and gaps that meet the target at one piece, each with what it leaves along the pair."""
    one, other = (view.board.nets[net] for net in (way.pair.positive, way.pair.negative))
    if not np.isfinite(found.spacing[row]):
        return (Remedy(Proposal(f"lead {one} and {other} side by side there"), None, "not solved"),)
    layer = int(way.positive.layer[found.piece[row]])
    section = found.sections[int(found.section[row])]
    sizes = sizes_for_pair(section, target, view.settings.min_width, view.settings.min_spacing)
    out = []
    for width, gap in sizes:
        after = _worst(view, way, found, _with_sizes(view, way, found, layer, width, gap), target)
        text = (
            f"{one} and {other} on {view.board.layer_label(layer)} {engineering(width, 'm')} wide and "
            f"{engineering(gap, 'm')} apart for {target:g} Ω"
        )
        left = allowance.excess_db(abs(after.share)) if after is not None and after.share else float("-inf")
        arguments = {"nets": [one, other], "layer": layer, "width": width, "gap": gap}
        out.append(Remedy(Proposal(text, "set-pair", arguments), left))
    return tuple(sorted(out, key=lambda remedy: remedy.excess_after_db or 0.0))


def _with_sizes(view: View, way: PairWay, found: PairSections, layer: int, width: float, gap: float) -> Floats:
    """The differential impedance along the pair with its lines of another size on one layer, where they have room."""
    out = found.differential.copy()
    solved: dict[int, float] = {}
    for row in np.flatnonzero(way.positive.layer[found.piece] == layer).tolist():
        index = int(found.section[row])
        if index < 0:
            continue
        if index not in solved:
            try:
                solution = view.sections.solve(resized(found.sections[index], width, gap))
                solved[index] = float(solution.pair().differential)
            except OutOfRange:
                solved[index] = float(found.differential[row])
        out[row] = solved[index]
    return out


def _picture(way: PairWay, found: PairSections, target: float) -> dict[str, object]:
    """The differential impedance along the positive line as the evidence `impedance_profile`."""
    known = np.isfinite(found.differential)
    start, length = (column[found.piece[known]] for column in (way.positive.start, way.positive.length))
    return {
        "distance_mm": np.column_stack([start, start + length]).ravel() / MM,
        "found_ohm": np.repeat(found.differential[known], 2),
        "target_ohm": target,
    }
