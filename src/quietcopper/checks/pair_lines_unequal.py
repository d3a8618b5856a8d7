"""A differential pair whose lines meet different copper, so that part of the signal turns into common mode."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import shapely

from quietcopper.electrical.pair_ways import Conversion, PairSections, PairWay, conversion, pair_sections, pair_way
from quietcopper.electrical.pictures import section_picture
from quietcopper.electrical.profile import piece_lines
from quietcopper.electrical.view import View
from quietcopper.fields.spectra import full_rise
from quietcopper.findings import Allowance, CauseHint, Coverage, Finding, Limit, NotChecked, Place, Proposal, Remedy
from quietcopper.units import MM, engineering

NAME = "pair-lines-unequal"
QUESTION = "Do the lines of a differential pair meet different impedance side by side, so that they no longer balance?"
MECHANISM = """Pour on one side only, a plane's end under one line or another width makes one line of the pair heavier
than the other. Their opposite edges then reflect unlike parts, and the sum runs back as common mode, which goes on to
cables."""
FORMULA = """Along the pair, each line's impedance while both are driven in opposition, from the section cut there with
both lines in it: sqrt((Lii - Lpn) / (Cii - Cpn)). Their difference over twice their mean is the share of each line's
swing that comes back in common, as a mean over the half edge that returns together (first order); so a stretch counts
in full from half the edge on. Stretches where the other line is not beside are left out: there a difference in length
counts, see pair-out-of-balance, which also takes gaps that one line crosses alone."""
ALLOWANCES: Mapping[str, Limit] = {
    "common_share": Limit(
        0.05,
        "1",
        "common practice, no source: conversion of 26 dB below the signal",
        "Share of each line's swing that may come back in common.",
    ),
}
SOURCES = (
    "Small reflections added in first order: Pozar, Microwave Engineering, section 5.5 (from memory)",
    "Paul, Analysis of Multiconductor Transmission Lines: odd drive of unequal lines (from memory)",
)


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    driven = [pair for pair in view.pairs if view.drivers[pair.positive].swing > 0]
    looked = 0
    for pair in driven:
        way = pair_way(view, pair)
        found = pair_sections(view, way) if way is not None else None
        if way is None or found is None or not np.isfinite(found.spacing).any():
            continue
        looked += 1
        rise = min(view.drivers[net].rise for net in (pair.positive, pair.negative))
        worst = conversion(way, found, float(full_rise(rise)))
        if worst is not None:
            yield _finding(view, way, found, worst, rise)
    yield Coverage(NAME, looked, len(driven), "differential pairs")
    if looked < len(driven):
        why = "their lines do not lead between the same parts, or nowhere run side by side on solved sections"
        yield NotChecked(NAME, "pairs", why, len(driven) - looked)


def _finding(view: View, way: PairWay, found: PairSections, worst: Conversion, rise: float) -> Finding:
    board, profile = view.board, way.positive
    one, other = board.nets[way.pair.positive], board.nets[way.pair.negative]
    limit = view.settings.allowance(f"{NAME}.common_share", ALLOWANCES["common_share"].default)
    allowance = Allowance(limit, "1", ALLOWANCES["common_share"].source, f"{NAME}.common_share")
    pieces = found.piece[worst.pieces]
    lines = piece_lines(view, profile, pieces)
    longest = int(np.argmax(np.round(profile.length[pieces], 9)))
    at = shapely.line_interpolate_point(lines[longest], 0.5, normalized=True)
    layer = int(profile.layer[pieces[longest]])
    section = found.sections[int(found.section[worst.pieces[longest]])]
    evidence: dict[str, object] = {
        "positive_ohm": worst.positive,
        "negative_ohm": worst.negative,
        "length_mm": worst.length / MM,
        "rise_ps": rise * 1e12,
    }
    remedies: tuple[Remedy, ...] = ()
    if allowance.excess_db(worst.share) > -6:
        remedies = (
            Remedy(Proposal(f"give {one} and {other} the same copper on both sides and below"), None, "not solved"),
        )
        volts = (1.0, -1.0, *(0.0 for _ in section.lines[2:]))
        evidence["section"] = section_picture(section, (one, other), volts)
    return Finding(
        check=NAME,
        subject=(one, other),
        title=f"{one} is {worst.positive:.1f} Ω where {other} is {worst.negative:.1f} Ω",
        message=f"Over {engineering(worst.length, 'm')} on {board.layer_label(layer)} {one} meets "
        f"{worst.positive:.1f} Ω and {other} {worst.negative:.1f} Ω: {engineering(worst.share, '1')} of each line's "
        "swing comes back in common.",
        place=Place((at.x, at.y), shapely.union_all(lines), (layer,), (one, other)),
        predicted=worst.share,
        allowance=allowance,
        cause=CauseHint(f"unequal pair:{one}:{other}", f"{one} and {other} lie beside different copper"),
        remedies=remedies,
        evidence=evidence,
    )
