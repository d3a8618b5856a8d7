"""A differential pair whose two lines are not alike, so that its edges do not cancel."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import shapely

from quietcopper.electrical.pair_ways import PairWay, pair_chains, pair_sections, pair_way
from quietcopper.electrical.profile import Profile
from quietcopper.electrical.tables import Pair
from quietcopper.electrical.view import View
from quietcopper.fields.spectra import full_rise
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
from quietcopper.units import MM, engineering

NAME = "pair-out-of-balance"
QUESTION = "Do the two edges of a differential pair arrive so far apart that they do not cancel?"
MECHANISM = """While one line has switched and the other has not, the pair carries a pulse against the reference: common
mode, which the receiver must reject, and which leaves the board by any cable that the pair goes on to."""
FORMULA = """Skew over the length of the edge (0-100 %, 1.25 times the 10-90 % time): the share of a line's swing that
the sum of the two edges reaches, at most 1. Skew: difference of the delays along both ways between the same parts,
traces as solved, holes by their model, and L / (2 Z) for each gap that one line crosses without the other; added, with
its sign, over pairs that follow each other behind series parts. Where more than three tenths of a line are not solved,
the difference of lengths at the mean speed counts. Delays inside the parts are not in the data."""
ALLOWANCES: Mapping[str, Limit] = {
    "skew_share": Limit(
        0.05,
        "1",
        "common practice, no source: a twentieth of the rise time, about a tenth of the bit of a fast link",
        "Share of an edge's length by which the lines of a pair may differ in delay.",
    ),
}
SOURCES = (
    "Two straight edges apart: exact",
    "Bogatin, Signal and Power Integrity, chapter on differential pairs: skew becomes common signal (from memory)",
)
POINTS = 120  # of the drawn pulse


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    driven = [pair for pair in view.pairs if view.drivers[pair.positive].swing > 0]
    looked, one_sided = 0, 0
    for chain in pair_chains(view, driven):
        ways = [(way, sign) for pair, sign in chain if (way := pair_way(view, pair)) is not None]
        looked += len(ways)
        one_sided += sum(way.open_gaps for way, _ in ways)
        if ways:
            yield _finding(view, ways)
    yield Coverage(NAME, looked, len(driven), "differential pairs")
    if looked < len(driven):
        why = "their lines do not lead between the same parts, or no way leads through their copper"
        yield NotChecked(NAME, "pairs", why, len(driven) - looked)
    if one_sided:
        why = "one line of a pair crosses them alone and nothing bridges them, so that no delay can be given"
        yield NotChecked(NAME, "gaps", why, one_sided)


def _names(view: View, pair: Pair) -> tuple[str, str]:
    return view.board.nets[pair.positive], view.board.nets[pair.negative]


def _finding(view: View, ways: list[tuple[PairWay, int]]) -> Finding:
    board = view.board
    ways = sorted(ways, key=lambda w: _names(view, w[0].pair))
    worst, forward = max(ways, key=lambda w: (round(w[0].positive.path.length, 9), _names(view, w[0].pair)))
    ways = [(way, sign * forward) for way, sign in ways]  # seen from the longest pair
    one, other = _names(view, worst.pair)
    drivers = [view.drivers[net] for way, _ in ways for net in (way.pair.positive, way.pair.negative)]
    rise, swing = min(d.rise for d in drivers), max(d.swing for d in drivers)
    skew = sum(way.skew * sign for way, sign in ways)
    share = min(abs(skew) / float(full_rise(rise)), 1.0)
    limit = view.settings.allowance(f"{NAME}.skew_share", ALLOWANCES["skew_share"].default)
    allowance = Allowance(limit, "1", ALLOWANCES["skew_share"].source, f"{NAME}.skew_share")
    late, early = (one, other) if skew > 0 else (other, one)
    profiles = [p for way, _ in ways for p in (way.positive, way.negative)]
    nets = tuple(dict.fromkeys(name for way, _ in ways for name in _names(view, way.pair)))
    runs = np.concatenate([p.run[p.run >= 0] for p in profiles])
    line = shapely.union_all(view.runs.line[runs])
    pin = worst.positive.path.end_pin
    through = "" if len(ways) == 1 else f", all {len(ways)} pairs of nets on their way taken together"
    parts = [
        {"what": f"{a} less {b}", "value": way.skew * sign, "unit": "s"}
        for way, sign in ways
        for a, b in [_names(view, way.pair)]
    ]
    evidence: dict[str, object] = {
        "skew_ps": abs(skew) * 1e12,
        "rise_ps": rise * 1e12,
        "positive_mm": sum(way.positive.path.length for way, _ in ways) / MM,
        "negative_mm": sum(way.negative.path.length for way, _ in ways) / MM,
        "by": "lengths, too little is solved" if any(w.by_length for w, _ in ways) else "delays as solved",
    }
    if any(way.gap_skew for way, _ in ways):
        evidence["one_sided_gaps_ps"] = sum(way.gap_skew * sign for way, sign in ways) * 1e12
    if len(parts) > 1:
        evidence["contributions"] = parts[:8]
    remedies: tuple[Remedy, ...] = ()
    if allowance.excess_db(share) > -6:
        remedies = (_longer(early, worst, abs(skew), skew > 0),)
        evidence["waveform"] = _pulse(swing, rise, skew, limit, one, other)
        evidence |= _along(view, worst)
    return Finding(
        check=NAME,
        subject=(one, other),
        title=f"{late} arrives {engineering(abs(skew), 's')} after {early}",
        message=f"The edges of {one} and {other} arrive {engineering(abs(skew), 's')} apart at "
        f"{board.pin_label(pin)}{through}, {late} later, against an edge of {engineering(rise, 's')}: "
        f"{engineering(share, '1')} of each line's swing is common mode.",
        place=Place(
            (float(board.pins.x[pin]), float(board.pins.y[pin])),
            line,
            tuple(sorted({int(layer) for p in profiles for layer in p.layer[p.kind == "trace"]})),
            nets,
        ),
        predicted=share,
        allowance=allowance,
        cause=CauseHint(f"pair:{one}:{other}", f"{one} and {other} are not equally long"),
        remedies=remedies,
        evidence=evidence,
    )


def _longer(early: str, way: PairWay, skew: float, negative_is_early: bool) -> Remedy:
    """The earlier line made longer by the skew, at its own mean speed."""
    profile: Profile = way.negative if negative_is_early else way.positive
    length = skew * profile.path.length / profile.total_delay
    text = f"lengthen {early} by {engineering(length, 'm')}, near where the two begin to differ"
    return Remedy(Proposal(text), float("-inf"))


def _pulse(swing: float, rise: float, skew: float, limit: float, one: str, other: str) -> dict[str, object]:
    """Sum of the two edges in time, V: one rises, the other falls."""
    whole = float(full_rise(rise))
    time = np.linspace(-0.2 * whole, whole + abs(skew) + 0.2 * whole, POINTS)
    edges = [np.clip((time - late) / whole, 0, 1) for late in (max(skew, 0.0), max(-skew, 0.0))]
    return {
        "time_ps": time * 1e12,
        "level_mv": (edges[0] - edges[1]) * swing * 1e3,
        "allowed_mv": limit * swing * 1e3,
        "name": f"Sum of the edges of {one} and {other}",
    }


def _along(view: View, way: PairWay) -> dict[str, object]:
    """The pair's differential impedance along its positive line, and the share of it that has the other beside it."""
    found = pair_sections(view, way)
    known = np.isfinite(found.differential)
    if not known.any():
        return {}
    profile = way.positive
    length = profile.length[found.piece]
    beside = float(length[np.isfinite(found.spacing)].sum() / profile.path.length)
    start = profile.start[found.piece][known] / MM
    distance = np.stack([start, start + length[known] / MM], -1).ravel()
    return {
        "coupled_percent": beside * 100,
        "differential_ohm": float(np.average(found.differential[known], weights=length[known])),
        "common_ohm": float(np.average(found.common[known], weights=length[known])),
        "impedance_profile": {"distance_mm": distance, "found_ohm": np.repeat(found.differential[known], 2)},
    }
