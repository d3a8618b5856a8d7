"""A line without a target whose impedance changes on the way."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import shapely

from quietcopper.electrical.pictures import driven_alone, section_picture
from quietcopper.electrical.profile import (
    Profile,
    Stretch,
    longest_piece,
    piece_lines,
    profile_picture,
    worst_part,
)
from quietcopper.electrical.steps import WIDTH, Difference, difference, nearest_piece, piece_places
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import View
from quietcopper.electrical.widths import width_for
from quietcopper.fields.line_network import echo
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
from quietcopper.units import engineering

NAME = "impedance-step"
QUESTION = "Does a line change its impedance on the way so much that its edge is reflected?"
MECHANISM = """At each change of width, layer or reference the wave meets another impedance and sends part of itself
back. The far end gets the rest, and the two change places until everything has died away, which looks like ringing."""
FORMULA = """The impedance that most of a way from pin to pin has is taken as its own, both ends as matched to it. What
comes back of the net's edge is the mean of (Z - own) / (Z + own) over the half edge that returns together, at the place
where it is largest: a stretch counts in full from half the edge on, a shorter one in proportion. First order in the
deviation. Pieces that were not solved go on as next to them; holes are taken as the rest of the line, because their
model is too coarse. Lines with a target are judged against it by impedance-off-target, whose allowance is the tighter
one for any step."""
ALLOWANCES: Mapping[str, Limit] = {
    "reflection": Limit(
        0.10,
        "1",
        "Bogatin, Signal and Power Integrity (from memory): reflections of some 10 % begin to count in a noise budget",
        "Share of an edge that a change of impedance may reflect.",
    ),
}
SOURCES = (
    "Reflection at a step: Pozar, Microwave Engineering, section 2.3 (from memory)",
    "Small reflections added in first order: Pozar, section 5.5 (from memory); held to the followed waves in tests",
)
POINTS = 240  # of a drawn waveform


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    looked, total, unsolved, wayless = 0, 0, 0, 0
    for net in np.unique(view.runs.net).tolist():
        if view.roles[net].kind != SIGNAL or view.drivers[net].swing <= 0 or view.target_of(net) is not None:
            continue
        total += 1
        profiles = view.profiles.of(net)
        solved = [p for p in profiles if p.solved]
        if not solved:
            unsolved += bool(profiles)
            wayless += not profiles
            continue
        looked += 1
        finding = _worst(view, solved)
        if finding is not None:
            yield finding
    yield Coverage(NAME, looked, total, "driven lines without a target")
    if unsolved:
        yield NotChecked(NAME, "lines", "too little of their way could be solved", unsolved)
    if wayless:
        yield NotChecked(NAME, "lines", "no way leads through their copper from pin to pin", wayless)


def _worst(view: View, profiles: list[Profile]) -> Finding | None:
    rise = float(full_rise(view.drivers[profiles[0].path.net].rise))
    best: tuple[float, Profile, Stretch, int, int] | None = None
    for profile in profiles:
        stretch = worst_part(profile, rise, profile.typical)
        if stretch is None or (best is not None and round(abs(stretch.share), 9) <= best[0]):
            continue
        piece = longest_piece(profile, stretch.pieces)
        other = nearest_piece(profile, profile.typical, piece) if piece >= 0 else -1
        if other >= 0:
            best = (round(abs(stretch.share), 9), profile, stretch, piece, other)
    return None if best is None else _finding(view, *best[1:])


def _finding(view: View, profile: Profile, stretch: Stretch, piece: int, other: int) -> Finding:
    board = view.board
    net, layer = profile.path.net, int(profile.layer[piece])
    name, label, driver = board.nets[net], board.layer_label(layer), view.drivers[net]
    own, reflection = profile.typical, abs(stretch.share)
    limit = view.settings.allowance(f"{NAME}.reflection", ALLOWANCES["reflection"].default)
    allowance = Allowance(limit, "1", ALLOWANCES["reflection"].source, f"{NAME}.reflection")
    why = difference(view, profile, piece, other)
    lines = piece_lines(view, profile, stretch.pieces)
    at = shapely.line_interpolate_point(lines[np.flatnonzero(stretch.pieces == piece)[0]], 0.5, normalized=True)
    evidence: dict[str, object] = {
        "found_ohm": stretch.z0,
        "elsewhere_ohm": own,
        "length_mm": stretch.length * 1e3,
        "delay_ps": stretch.delay * 1e12,
        "rise_ps": driver.rise * 1e12,
    }
    remedies: tuple[Remedy, ...] = ()
    if allowance.excess_db(reflection) > -6:
        remedies = (_remedy(view, profile, stretch, piece, other, own, why),)
        evidence["impedance_profile"] = profile_picture(profile, own)
        seen = echo(profile.met, profile.delay, float(full_rise(driver.rise)), own)
        every = max(1, len(seen.time) // POINTS)
        evidence["waveform"] = {
            "time_ps": seen.time[::every] * 1e12,
            "level_mv": seen.near[::every] * driver.swing / 2 * 1e3,
            "allowed_mv": limit * driver.swing / 2 * 1e3,
            "name": f"Reflected by {name} of half its swing sent in",
        }
        section = view.line_table.sections[int(profile.section[piece])]
        drive = driven_alone(section) if allowance.excess_db(reflection) > 0 else None
        evidence["section"] = section_picture(section, (name,), drive)
    return Finding(
        check=NAME,
        subject=(name,),
        title=f"{name} changes from {own:.0f} to {stretch.z0:.0f} Ω",
        message=f"{name} is {stretch.z0:.1f} Ω over {engineering(stretch.length, 'm')} on {label} and {own:.1f} Ω for "
        f"most of its way: {engineering(reflection, '1')} of each edge is reflected; {why.words}.",
        place=Place((at.x, at.y), shapely.union_all(lines), (layer,), (name,)),
        predicted=reflection,
        allowance=allowance,
        cause=CauseHint(f"impedance step:{why.key}", why.title),
        remedies=remedies,
        evidence=evidence,
    )


def _remedy(
    view: View, profile: Profile, stretch: Stretch, piece: int, other: int, own: float, why: Difference
) -> Remedy:
    """Another width of the stretch, where only its width is amiss and a width helps; else what differs, in words."""
    board = view.board
    name, layer = board.nets[profile.path.net], int(profile.layer[piece])
    width: float | None = float(profile.width[other])
    if why.kind != WIDTH:
        width = width_for(
            view.line_table.sections[int(profile.section[piece])],
            own,
            view.settings.min_width,
            view.settings.min_spacing,
        )
    if why.kind == WIDTH:
        text = f"keep one width on {name}"
    elif width is not None:
        text = f"make that stretch of {name} {engineering(width, 'm')} wide for {own:.0f} Ω"
    else:
        text = f"lead that stretch of {name} like the rest of it"
    there = f"{text}, on {board.layer_label(layer)}"
    if width is None:
        return Remedy(Proposal(there), None, "not solved")
    pieces = stretch.pieces[profile.layer[stretch.pieces] == layer]
    arguments = {"net": name, "layer": layer, "width": width, "at": piece_places(view, profile, pieces)}
    return Remedy(Proposal(there, "set-width", arguments), None, "not solved")
